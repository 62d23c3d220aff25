"""``slipguard replay``: a recorded drive goes in, findings and decisions come out."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer

from slipguard.cli.console import console
from slipguard.cli.drive_files import DecisionTable, write_events
from slipguard.cli.drive_in import open_drive, with_progress
from slipguard.cli.drive_text import print_summary
from slipguard.cli.engine import checked_engine
from slipguard.cli.files import check_ending, check_new
from slipguard.cli.json_text import JsonFile
from slipguard.errors import RecordingError
from slipguard.recording.find import check_inside
from slipguard.replay import engine_for, replay_rows
from slipguard.score import score
from slipguard.summary import DriveSummary


def replay(
    drive: Annotated[Path, typer.Argument(help="Recorded drive: .csv, .csv.gz, .parquet.")],
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover it was driven with. Default: rover.yaml beside the drive."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write every decision to this .csv or .csv.gz file.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Let --out replace a file.")] = False,
    json: JsonFile = None,
    engine: Annotated[
        str,
        typer.Option(
            help="filterpy, or compiled (extra 'fast'): the same, quicker; auto: compiled where "
            "it is installed and the drive is longer than two minutes or so."
        ),
    ] = "auto",
    progress: Annotated[
        bool, typer.Option("--progress/--no-progress", help="Progress bar on long drives.")
    ] = True,
) -> None:
    """Replay a recorded drive through the guard.

    Prints what was found and what would have been done. Estimated speed is compared with the
    column true_speed_mps where there is one, findings with the labels in NAME.yaml beside
    NAME.csv where there are any.
    """
    chosen = checked_engine(engine)
    check_ending("--out", out, ".csv", ".csv.gz")
    recording, config = open_drive(drive, rover, outputs=[out])
    check_new("--out", out, force=force)
    labels = recording.labels
    summary = DriveSummary()
    with ExitStack() as files:
        decisions = files.enter_context(DecisionTable(out)) if out is not None else None
        rows = with_progress(recording, shown=progress and sys.stderr.isatty())
        if chosen is None:
            chosen, rows = engine_for(rows)
        for row, decision in replay_rows(rows, config, chosen):
            summary.add(row, decision)
            if decisions is not None:
                decisions.write(decision)
    if summary.rows == 0:
        note = f"; {recording.truncated}" if recording.truncated else ""
        raise RecordingError(f"{drive}: the drive holds no rows{note}")
    scores = None
    if labels.events is not None:
        check_inside(drive, labels.events, summary.start_s, summary.end_s)
        scores = score(summary.episodes.episodes(), labels.events)
    if json is not None:
        write_events(json, recording, summary, scores)
    print_summary(console(), recording, summary, scores)
    console().print(f"Engine: {chosen}")
