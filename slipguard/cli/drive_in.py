"""A recorded drive and its rover, opened for a command: checks that come before any work."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from os.path import realpath
from pathlib import Path

import typer
from rich.console import Console
from rich.progress import Progress

from slipguard.config import Config
from slipguard.errors import ConfigError
from slipguard.recording import Recording, Row, labels_path, open_recording
from slipguard.recording.find import check_match

LONG_ROWS = 5000
"""A drive of more rows than this gets a progress bar: about a second of work."""


def open_drive(
    drive: Path, rover: Path | None, *, outputs: Sequence[Path | None]
) -> tuple[Recording, Config]:
    """The drive, and the rover it was driven with: ``rover``, or the rover.yaml beside it.

    Parameters
    ----------
    drive : Path
    rover : Path or None
    outputs : sequence of Path or None
        Files that will be written: none may be one that is read.

    Raises
    ------
    RecordingError, ConfigError
        A file cannot be read, or the rover is not the one of that drive.
    typer.BadParameter
        A pipe, or an output that would overwrite what is read.
    """
    _check_paths([drive, labels_path(drive), _rover_path(drive, rover)], outputs)
    recording = open_recording(drive)
    config = load_rover(drive, rover)
    check_match(config, _rover_path(drive, rover), recording)
    for doubt in recording.doubts():
        typer.echo(f"slipguard: warning: {doubt}", err=True)
    return recording, config


def keep_rover_file(drive: Path, rover: Path | None) -> None:
    """Refuse to write labels of a drive whose name makes them the rover file: of rover.csv they
    are in rover.yaml.

    Raises
    ------
    typer.BadParameter
    """
    labels = labels_path(drive)
    taken = {realpath(_rover_path(drive, name)) for name in (rover, None)}
    if realpath(labels) in taken:
        raise typer.BadParameter(
            f"{drive}: its labels would be {labels}, which is the rover file; give the drive "
            "another name"
        )


def load_rover(drive: Path, rover: Path | None, *patches: Path) -> Config:
    """``rover``, or the rover.yaml beside the drive, with ``patches`` laid over it.

    Raises
    ------
    ConfigError
        It is not there, or wrong.
    """
    path = _rover_path(drive, rover)
    if rover is None and not path.exists():
        raise ConfigError(
            f"{path}: not there; put the rover file beside the drive, or name it with --rover FILE"
        )
    return Config.load(path, *patches)


def _rover_path(drive: Path, rover: Path | None) -> Path:
    return drive.parent / "rover.yaml" if rover is None else rover


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


def with_progress(recording: Recording, *, shown: bool) -> Iterator[Row]:
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
