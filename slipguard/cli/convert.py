"""``slipguard convert``: a recorded drive in another format."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from slipguard.cli.console import console


def convert(
    source: Annotated[Path, typer.Argument(help="Recorded drive: .csv, .csv.gz, .parquet.")],
    target: Annotated[Path, typer.Argument(help="The same, new; never overwrites.")],
) -> None:
    """Write a recorded drive in another format, every value the same, labels with it."""
    from slipguard.recording.convert import convert as write

    rows = write(source, target)
    console().print(f"{target}: {rows} rows")
