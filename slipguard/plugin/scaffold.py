"""Write the project of a new plugin, with tests that pass at once."""

from __future__ import annotations

import keyword
import re
import sys
from importlib import resources
from pathlib import Path

from slipguard.errors import PluginError
from slipguard.plugin.discover import installed_names

_FILES = {
    "pyproject.toml": "pyproject.toml.template",
    "README.md": "README.md.template",
    "@module@/__init__.py": "plugin.py.template",
    "@module@/py.typed": None,
    "tests/conftest.py": "conftest.py.template",
    "tests/test_@module@.py": "test_plugin.py.template",
    "tests/test_@module@_board.py": "test_board.py.template",
}
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def write_project(name: str, parent: Path) -> tuple[Path, ...]:
    """Write the project ``name`` into a new directory of that name; the files written.

    Parameters
    ----------
    name : str
        Name of the plugin, e.g. ``my-brake``.
    parent : Path
        Directory in which the project's own is made.

    Raises
    ------
    PluginError
        A name that cannot be used, or a directory that exists or cannot be written.
    """
    module = name.replace("-", "_")
    taken = {
        "slipguard's own": module == "slipguard",
        "a word of Python": keyword.iskeyword(module),
        "a module of Python": module in sys.stdlib_module_names,
        "an installed plugin's": name in installed_names(),
    }
    for whose, is_taken in taken.items():
        if is_taken:
            raise PluginError(f"plugin name: found {name!r}, which is {whose}; choose another one")
    if not _NAME.fullmatch(name):
        raise PluginError(
            f"plugin name: found {name!r}, expected small letters, digits and single hyphens, "
            "e.g. my-brake"
        )
    kind = "".join(word.capitalize() for word in name.split("-"))
    filled = {"@name@": name, "@module@": f"{module}", "@kind@": kind}
    home = parent / name
    templates = resources.files("slipguard.plugin") / "template"
    written = []
    try:
        home.mkdir(parents=True)
        for target, template in _FILES.items():
            text = "" if template is None else (templates / template).read_text(encoding="utf-8")
            path = home / _fill(target, filled)
            path.parent.mkdir(exist_ok=True)
            path.write_text(_fill(text, filled), encoding="utf-8")
            written.append(path)
    except FileExistsError:
        raise PluginError(f"{home}: exists already; nothing was written") from None
    except OSError as err:
        raise PluginError(f"{home}: cannot write the project: {err.strerror}") from err
    return tuple(written)


def _fill(text: str, filled: dict[str, str]) -> str:
    for mark, value in filled.items():
        text = text.replace(mark, value)
    return text
