"""``slipguard label --serve``: labels edited in the page of the drive."""

from __future__ import annotations

from pathlib import Path

import typer

from slipguard.cli.drive_in import with_progress
from slipguard.cli.report import EXTRA_NEEDED
from slipguard.config import Config
from slipguard.label import propose
from slipguard.recording import Event, Recording

PORT = 8743
"""The same each time: a browser keeps unsaved edits by address, and finds them there again."""


def serve_labels(
    drive: Path, recording: Recording, config: Config, *, port: int, use_truth: bool, progress: bool
) -> None:
    """Serve the page until interrupted.

    Raises
    ------
    RecordingError
        The drive or its labels cannot be used, or the port cannot.
    """
    try:
        from slipguard.report import LabelDesk, LabelServer, report_drive
    except ModuleNotFoundError as err:
        if err.name != "bokeh":
            raise
        raise typer.BadParameter(EXTRA_NEEDED) from err
    report = report_drive(recording, config, with_progress(recording, shown=progress))
    proposed: tuple[Event, ...] = ()
    if recording.labels.events is None:
        rows = with_progress(recording, shown=progress)
        proposed = propose(recording, config, rows, use_truth=use_truth).events
    with LabelServer(LabelDesk(report, drive, proposed), port) as server:
        typer.echo(f"Open {server.address}\nfor yourself alone; Ctrl-C ends it.")
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            typer.echo("\nEnded. What was saved is in the file; the rest is kept in your browser.")
