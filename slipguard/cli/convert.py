"""``slipguard convert``: a recorded drive in another format, or out of an MCAP log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from slipguard.cli.console import console

MCAP = ".mcap"


def convert(
    source: Annotated[Path, typer.Argument(help="Drive (.csv, .csv.gz, .parquet), or .mcap log.")],
    target: Annotated[Path, typer.Argument(help="New drive; never overwrites.")],
    columns: Annotated[
        Path | None,
        typer.Option("--map", help="Which topic and field of an .mcap log is which column."),
    ] = None,
) -> None:
    """Write a recorded drive in another format, labels with it.

    Every value stays the same. From an .mcap log every message becomes a row; only a mapping that
    says rows: TOPIC resamples, and then it is told what that drops.
    """
    is_log = source.suffix.lower() == MCAP
    if is_log != (columns is not None):
        wanted = "an .mcap log needs" if is_log else "only an .mcap log takes"
        raise typer.BadParameter(f"{source}: {wanted} --map FILE")
    notes: list[str] = []
    if columns is not None:
        from slipguard.recording.mcap import convert_mcap

        rows, notes = convert_mcap(source, target, columns)
    else:
        from slipguard.recording.convert import convert as write

        rows = write(source, target)
    screen = console()
    screen.print(f"{target}: {rows} rows")
    for note in notes:
        screen.print(note)
