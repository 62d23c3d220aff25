"""The rover file with other thresholds: everything else stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from slipguard.config import Config
from slipguard.section import dump_yaml, load_section, plain, without_keys


def patched(rover_text: str, values: Mapping[str, float], note: str = "") -> str:
    """A rover file with these thresholds in place of its own.

    The sections that hold them are written anew at the end, with ``note`` above them as comments;
    every other line, comments too, stays.

    Raises
    ------
    ConfigError
        The text, or the text with these values, is no rover file.
    """
    Config.parse(rover_text, source="rover file")
    own = plain(load_section(rover_text, "rover file"))
    sections: dict[str, dict[str, Any]] = {}
    for name, value in values.items():
        section, _, key = name.partition("__")
        sections.setdefault(section, dict(own.get(section) or {}))[key] = value
    rest = without_keys(rover_text, sections)
    comments = "".join(f"# {line}\n" for line in note.splitlines())
    new = dump_yaml(sections) if sections else ""
    text = f"{rest.rstrip()}\n\n{comments}{new}"
    Config.parse(text, source="the tuned rover file")
    return text
