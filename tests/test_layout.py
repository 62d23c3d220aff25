"""Who may import whom. The table of rooms in DEVELOPERS.md is read here: it is the rule."""

from __future__ import annotations

import ast
import re
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

HOME = Path(__file__).parent.parent
PACKAGE = HOME / "slipguard"
GUIDE = (HOME / "DEVELOPERS.md").read_text(encoding="utf-8")

SANS_IO = ("values", "frame", "fuse", "detect", "respond", "guard")
CALCULATES = {
    "__future__",
    "bisect",
    "collections",
    "dataclasses",
    "enum",
    "functools",
    "itertools",
    "math",
    "operator",
    "struct",
    "typing",
}
"""The part of the standard library that touches nothing outside."""
TOUCHES = {"print", "open", "input", "exec", "eval", "breakpoint", "__import__"}


@dataclass(frozen=True)
class Room:
    """A row of the table."""

    places: tuple[str, ...]
    may_import: frozenset[str]
    packages: frozenset[str]


def _names(cell: str) -> list[str]:
    return [name.strip(" `") for name in cell.split(",") if name.strip(" `")]


def _rooms() -> dict[str, Room]:
    table = GUIDE.split("\n## Rooms\n", 1)[1].split("\n## ", 1)[0]
    rows = [line.strip("|").split("|") for line in table.splitlines() if line.startswith("|")]
    return {
        name.strip(): Room(tuple(_names(places)), frozenset(_names(ours)), frozenset(_names(packs)))
        for name, places, ours, packs, _ in rows[2:]
    }


ROOMS = _rooms()
MODULES = sorted(p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py"))


def _room_of(module: str) -> str | None:
    """The room of ``fuse/model.py``."""
    for name, room in ROOMS.items():
        for place in room.places:
            if module == place or (place.endswith("/") and module.startswith(place)):
                return name
    return None


def _file(dotted: str) -> str | None:
    """``slipguard.fuse.model`` -> ``fuse/model.py``; None where there is no such module."""
    path = "/".join(dotted.split(".")[1:])
    candidates = (f"{path}.py", f"{path}/__init__.py") if path else ("__init__.py",)
    return next((c for c in candidates if (PACKAGE / c).is_file()), None)


def _imports(path: Path) -> set[str]:
    """Every module a file imports, wherever in it, dotted and absolute."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are absolute here"
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                of_ours = full.startswith("slipguard.") and _file(full)
                found.add(full if of_ours else str(node.module))
    return found


def test_the_table_is_read_whole():
    """A table that is read wrongly would allow everything: a few rows that must be there."""
    assert ROOMS["fuse"].may_import == {"values", "config", "frame"}
    assert ROOMS["values"] == Room(
        ("reading.py", "estimate.py", "finding.py", "decision.py", "frozen.py"),
        frozenset(),
        frozenset(),
    )
    assert "mujoco" in ROOMS["simulate"].packages
    known = set(ROOMS)
    for name, room in ROOMS.items():
        assert room.may_import <= known - {name}, name
        assert room.places, name


def test_every_way_to_import_is_seen(tmp_path):
    """An import inside a function, or for type checking only, is an import."""
    path = tmp_path / "module.py"
    path.write_text(
        "import os.path, time as t\nfrom slipguard import settings, Guard\n"
        "def f():\n    from slipguard.fuse import model\n    from slipguard.guard import Guard\n"
        "if TYPE_CHECKING:\n    import mujoco\n"
    )
    assert _imports(path) == {
        "os.path",
        "time",
        "slipguard.settings",
        "slipguard",
        "slipguard.fuse.model",
        "slipguard.guard",
        "mujoco",
    }


def test_imports_go_down_only():
    """A table with a circle in it would be no order at all."""
    below: dict[str, set[str]] = {}
    left = dict(ROOMS)
    while left:
        free = [name for name, room in left.items() if room.may_import <= set(below)]
        assert free, f"these rooms import each other in a circle: {', '.join(left)}"
        for name in free:
            below[name] = set(left.pop(name).may_import)


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_what_its_room_may(module):
    """Order in the house: what is below never knows what is above."""
    name = _room_of(module)
    assert name, f"slipguard/{module} is in no room: add a row to the table in DEVELOPERS.md"
    room = ROOMS[name]
    for dotted in _imports(PACKAGE / module):
        top = dotted.split(".")[0]
        if top == "slipguard":
            file = _file(dotted)
            assert file, f"slipguard/{module} imports {dotted}, which is not there"
            other = _room_of(file)
            assert other == name or other in room.may_import, (
                f"slipguard/{module}: the room '{name}' may not import {dotted} of '{other}'; "
                "see the table in DEVELOPERS.md"
            )
        elif top not in sys.stdlib_module_names:
            assert top in room.packages, (
                f"slipguard/{module}: the room '{name}' may not import the package {top}; "
                "see the table in DEVELOPERS.md"
            )


@pytest.mark.parametrize("module", [m for m in MODULES if _room_of(m) in SANS_IO])
def test_the_core_touches_nothing_outside(module):
    """No clock, thread, file, printing or chance in the core: a replay decides as the drive did."""
    path = PACKAGE / module
    for dotted in _imports(path):
        top = dotted.split(".")[0]
        if top in sys.stdlib_module_names:
            assert top in CALCULATES, f"slipguard/{module} imports {dotted}"
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in TOUCHES, f"slipguard/{module}:{node.lineno} {node.func.id}()"
        if isinstance(node, ast.Attribute) and node.attr == "random":
            pytest.fail(f"slipguard/{module}:{node.lineno} uses chance")


def _public() -> set[str]:
    sentence = re.search(r"use only\s+what a user of the package can use: (.*?)\.\n", GUIDE, re.S)
    assert sentence
    return set(re.findall(r"`(slipguard[\w.]*)`", sentence.group(1)))


OUTSIDE = sorted(
    path
    for folder in ("plugins", "examples")
    for path in (HOME / folder).rglob("*.py")
    if "tests" not in path.parts and ".venv" not in path.parts and "build" not in path.parts
)


@pytest.mark.parametrize("path", OUTSIDE, ids=lambda p: p.relative_to(HOME).as_posix())
def test_plugins_and_examples_use_what_users_can_use(path):
    """What the repository's own plugins cannot do without reaching inside, no author could do."""
    public = _public()
    assert {"slipguard", "slipguard.plugin"} <= public
    for dotted in _imports(path):
        if dotted.split(".")[0] == "slipguard":
            inside = [p for p in public if p != "slipguard" and (dotted + ".").startswith(p + ".")]
            assert dotted == "slipguard" or inside, f"{path.name} imports {dotted}"
