"""JSON as the commands print and write it, and their options for it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Annotated, Any

import typer

from slipguard.cli.files import check_ending
from slipguard.errors import unwritable

__all__ = ["AsJson", "JsonFile", "as_json", "write_json"]


def as_json(document: Any, indent: int | None = None) -> str:
    """A document as text; numbers that JSON does not have are null."""
    return json.dumps(
        _finite(document), indent=indent, default=float, ensure_ascii=False, allow_nan=False
    )


def write_json(path: Path, document: Any) -> None:
    """Write a document, over an older one.

    Raises
    ------
    RecordingError
        It cannot be written.
    """
    try:
        path.write_text(as_json(document, indent=2) + "\n", encoding="utf-8", newline="\n")
    except (OSError, ValueError) as err:
        raise unwritable(path, err) from err


def _finite(value: Any) -> Any:
    """JSON has no NaN and no infinity (RFC 8259, section 6): null says "no number"."""
    if isinstance(value, dict):
        return {key: _finite(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _ends_in_json(path: Path | None) -> Path | None:
    """So a drive, labels or a rover file are not lost to a slip of the keyboard."""
    check_ending("--json", path, ".json")
    return path


JsonFile = Annotated[
    Path | None,
    typer.Option(
        "--json",
        callback=_ends_in_json,
        help="Write all numbers to this .json file, anew each time.",
    ),
]
"""What a command found out can be found out again, so an older file is written over."""

AsJson = Annotated[bool, typer.Option("--as-json", help="Print JSON, for machines.")]
