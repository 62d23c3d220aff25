"""Which of the two engines: the option ``--engine``, and what a command says of its choice."""

from __future__ import annotations

import typer

from slipguard.engines import COMPILED_NEEDS, can_compile
from slipguard.guard import Engine
from slipguard.replay import LONG_ROWS


def checked_engine(name: str) -> Engine | None:
    """The engine of that name; None for ``auto``: as the drive's length demands.

    Raises
    ------
    typer.BadParameter
        There is none, or what it needs is not installed.
    """
    if name == "auto":
        return None
    if name == "filterpy":
        return "filterpy"
    if name != "compiled":
        raise typer.BadParameter(f"--engine: found {name!r}; expected auto, filterpy or compiled")
    if not can_compile():
        raise typer.BadParameter(f"--engine compiled {COMPILED_NEEDS}")
    return "compiled"


def engines_line() -> str:
    """What a command that replays many drives says of the engines it used."""
    if not can_compile():
        return "Engine: filterpy"
    return f"Engine: compiled for drives of {LONG_ROWS:,} rows or more, filterpy for shorter ones"
