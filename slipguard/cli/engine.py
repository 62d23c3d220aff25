"""The option ``--engine``: which of the two engines, and whether it is there."""

from __future__ import annotations

from importlib.util import find_spec

import typer

from slipguard.guard import Engine


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
    if find_spec("numba") is None:
        raise typer.BadParameter(
            "--engine compiled needs numba: pip install '.[fast]' in its folder"
        )
    return "compiled"
