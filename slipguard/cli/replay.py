"""``slipguard replay``: a recorded drive goes in, findings and decisions come out."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from os.path import realpath
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from slipguard.cli.console import console
from slipguard.cli.drive_files import DecisionTable, write_events
from slipguard.cli.drive_text import print_summary
from slipguard.cli.engine import checked_engine
from slipguard.config import Config
from slipguard.errors import ConfigError, RecordingError
from slipguard.guard import Guard
from slipguard.recording import Recording, Row, labels_path, open_recording
from slipguard.recording.columns import COUNTS, WHEEL_SPEEDS
from slipguard.replay import replay_rows
from slipguard.score import score
from slipguard.summary import DriveSummary

LONG_ROWS = 5000
"""A drive of more rows than this gets a progress bar: about a second of work."""


def replay(
    drive: Annotated[Path, typer.Argument(help="Recorded drive, .csv or .csv.gz.")],
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover it was driven with. Default: rover.yaml beside the drive."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write every decision to this .csv or .csv.gz file.")
    ] = None,
    json: Annotated[
        Path | None, typer.Option(help="Write findings, alerts, holds and scores to this file.")
    ] = None,
    engine: Annotated[
        str,
        typer.Option(
            help="filterpy, or compiled (extra 'fast'): the same, quicker on drives of more than "
            "some ten minutes."
        ),
    ] = "filterpy",
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
    rover_path = drive.parent / "rover.yaml" if rover is None else rover
    _check_paths([drive, labels_path(drive), rover_path], [out, json])
    recording = open_recording(drive)
    if rover is None and not rover_path.exists():
        raise ConfigError(
            f"{rover_path}: not there; put the rover's YAML beside the drive, or name it with "
            "--rover FILE"
        )
    config = Config.load(rover_path)
    _check_match(config, rover_path, recording)
    guard = config if chosen == "filterpy" else Guard(config, chosen)
    labels = recording.labels
    summary = DriveSummary()
    with ExitStack() as files:
        decisions = files.enter_context(DecisionTable(out)) if out is not None else None
        rows = _with_progress(recording, progress and sys.stderr.isatty())
        for row, decision in replay_rows(rows, guard):
            summary.add(row, decision)
            if decisions is not None:
                decisions.write(decision)
    if summary.rows == 0:
        note = f"; {recording.truncated}" if recording.truncated else ""
        raise RecordingError(f"{drive}: the drive holds no rows{note}")
    scores = None
    if labels.events is not None:
        scores = score(summary.episodes.episodes(), labels.events)
    if json is not None:
        write_events(json, recording, summary, scores)
    print_summary(console(), recording, summary, scores)
    if chosen != "filterpy":
        console().print(f"Engine: {chosen}")


def _check_paths(read: Sequence[Path], outputs: Sequence[Path | None]) -> None:
    """Refuse pipes, and outputs that would overwrite what is read."""
    written = [path for path in outputs if path is not None]
    if any(str(path) == "-" for path in (*read, *written)):
        raise typer.BadParameter("'-' is not a file; pipes are not supported, name a file")
    taken = {realpath(path) for path in read}
    for path in written:
        if realpath(path) in taken:
            raise typer.BadParameter(f"{path}: is read or written already, name another file")
        taken.add(realpath(path))


def _check_match(config: Config, rover: Path, recording: Recording) -> None:
    """Counts taken for wheel speeds, or the reverse, would find nothing and look like peace."""
    kind = config.encoders.kind
    needed = COUNTS if kind == "counts" else WHEEL_SPEEDS
    if not set(needed).intersection(recording.columns):
        raise ConfigError(
            f"{rover}: encoders.kind: found {kind}, but {recording.path} has none of "
            f"{', '.join(needed)}; is this the rover of that drive?"
        )


def _with_progress(recording: Recording, shown: bool) -> Iterator[Row]:
    """The rows; on a long drive with a bar that goes away at the end."""
    if not shown:
        yield from recording
        return
    bar = Progress(console=Console(stderr=True), transient=True)
    task = bar.add_task("replaying", total=1.0)
    try:
        for count, row in enumerate(recording):
            if count == LONG_ROWS:
                bar.start()
            if count % 500 == 0:
                bar.update(task, completed=recording.progress)
            yield row
    finally:
        bar.stop()
