"""Other events in a labels file: every other line of it stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from slipguard.errors import RecordingError
from slipguard.recording.labels import parse_labels
from slipguard.section import dump_yaml, without_keys

KEYS = ("proposed", "events")
"""What is written anew; comments among these lines are not carried over."""


def keep_old(path: Path, text: str) -> Path:
    """Write what a file held to the first free name beside it: ``NAME.old``, ``NAME.old2``, ...

    Raises
    ------
    RecordingError
        It cannot be written.
    """
    number = 1
    while True:
        kept = path.with_name(f"{path.name}.old{number if number > 1 else ''}")
        try:
            with kept.open("x", encoding="utf-8", newline="") as file:
                file.write(text)
            return kept
        except FileExistsError:
            number += 1
        except OSError as err:
            raise RecordingError(f"{kept}: cannot keep a copy: {err.strerror}") from err


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
