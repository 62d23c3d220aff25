"""``slipguard report``: a recorded drive as one page to look at."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from slipguard.cli.drive_in import open_drive, with_progress
from slipguard.cli.files import check_ending, check_new
from slipguard.recording import labels_path

EXTRA_NEEDED = (
    "the page needs Bokeh; install it, in slipguard's folder, with: pip install '.[report]'"
)


def report(
    drive: Annotated[Path, typer.Argument(help="Recorded drive: .csv, .csv.gz, .parquet.")],
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover it was driven with. Default: rover.yaml beside the drive."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="The page. Default: NAME.html in this folder."),
    ] = None,
    png: Annotated[
        Path | None,
        typer.Option(help="Write the plots as a picture too; needs Chromium or Chrome."),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Let the page and the picture replace older ones.")
    ] = False,
    progress: Annotated[
        bool, typer.Option("--progress/--no-progress", help="Progress bar on long drives.")
    ] = True,
) -> None:
    """Draw a recorded drive as one HTML page.

    It opens without a network. Speed, wheels, slip, brakes, throttle and findings over time, the
    way seen from above, and a table of events to click.
    """
    page = Path(labels_path(drive).with_suffix(".html").name) if out is None else out
    recording, config = open_drive(drive, rover, outputs=[page, png])
    check_ending("--out", page, ".html", ".htm")
    check_ending("--png", png, ".png")
    check_new("--out", page, force=force)
    check_new("--png", png, force=force)
    try:
        from slipguard.report import report_drive, take_picture, write_page
    except ModuleNotFoundError as err:
        if err.name != "bokeh":
            raise
        raise typer.BadParameter(EXTRA_NEEDED) from err
    rows = with_progress(recording, shown=progress and sys.stderr.isatty())
    result = report_drive(recording, config, rows)
    write_page(result, page)
    if png is not None:
        take_picture(result, page, png)
    for path in (page, png):
        if path is not None:
            typer.echo(f"{path}: {path.stat().st_size / 1e6:.1f} MB")
