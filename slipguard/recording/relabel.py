"""Other events in a labels file: every other line of it stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from slipguard.recording.labels import parse_labels
from slipguard.section import dump_yaml, without_keys

KEYS = ("proposed", "events")
"""What is written anew; comments among these lines are not carried over."""


def relabelled(
    text: str, events: Sequence[Mapping[str, Any]], *, proposed: bool, source: str
) -> str:
    """The text of a labels file with these events in place of its own.

    Parameters
    ----------
    text : str
        As it is; empty where there is no file yet.
    events : sequence of mapping
        With the keys of ``Event``; checked as those of a file are.
    proposed : bool
        Whether nobody has confirmed them.
    source : str
        Names the file in errors.

    Raises
    ------
    RecordingError
        The text, or the text with these events, is no labels file.
    """
    parse_labels(text, source)
    content: dict[str, Any] = {"proposed": True} if proposed else {}
    content["events"] = [dict(event) for event in events]
    new = dump_yaml(content, allow_unicode=False)
    rest = without_keys(text, KEYS)
    if rest and not rest.endswith("\n"):
        rest += "\n"
    text = rest + new
    parse_labels(text, source)
    return text
