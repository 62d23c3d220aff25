"""The rover's YAML with other thresholds: everything else stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping

from slipguard.config import Config
from slipguard.section import dump_yaml, load_section, plain, without_keys
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
    own = plain(load_section(rover_text, "rover file"))
    sections = {name: dict(own.get(name) or {}) for name in SECTIONS}
    for name, value in values.items():
        section, _, key = name.partition("__")
        sections[section][key] = value
    rest = without_keys(rover_text, SECTIONS)
    comments = "".join(f"# {line}\n" for line in note.splitlines())
    new = dump_yaml({k: v for k, v in sections.items() if v})
    text = f"{rest.rstrip()}\n\n{comments}{new}"
    Config.parse(text, source="the tuned rover file")
    return text
