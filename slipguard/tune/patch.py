"""The rover's YAML with other thresholds: everything else stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping

import yaml

from slipguard.config import Config
from slipguard.section import dump_yaml
from slipguard.tune.thresholds import SECTIONS


def patched(rover_text: str, values: Mapping[str, float], note: str = "") -> str:
    """A rover YAML with these thresholds in place of its own.

    The sections ``spin`` and ``rolling`` are written anew at the end, with ``note`` above them as
    comments; every other line, comments too, stays.

    Raises
    ------
    ConfigError
        The text, or the text with these values, is no rover YAML.
    """
    Config.parse(rover_text, source="rover file")
    root = yaml.compose(rover_text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)
    own = yaml.safe_load(rover_text)
    sections = {name: dict(own.get(name) or {}) for name in SECTIONS}
    for name, value in values.items():
        section, _, key = name.partition("__")
        sections[section][key] = value
    if root.flow_style:
        rest = dump_yaml({k: v for k, v in own.items() if k not in SECTIONS})
    else:
        rest = _without(rover_text, root)
    comments = "".join(f"# {line}\n" for line in note.splitlines())
    new = dump_yaml({k: v for k, v in sections.items() if v})
    text = f"{rest.rstrip()}\n\n{comments}{new}"
    Config.parse(text, source="the tuned rover file")
    return text


def _without(text: str, root: yaml.MappingNode) -> str:
    """The text less the blocks of the sections that are written anew."""
    lines = text.splitlines(keepends=True)
    starts = [key.start_mark.line for key, _ in root.value] + [len(lines)]
    gone = set()
    for number, (key, value) in enumerate(root.value):
        if key.value in SECTIONS:
            # Comments between this section and the next one belong to the next one.
            last = max(value.end_mark.line, key.start_mark.line + 1)
            while last > key.start_mark.line + 1 and _is_comment(lines[last - 1]):
                last -= 1
            gone |= set(range(key.start_mark.line, min(last, starts[number + 1])))
    return "".join(line for number, line in enumerate(lines) if number not in gone)


def _is_comment(line: str) -> bool:
    return not line.strip() or line.startswith("#")
