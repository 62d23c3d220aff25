"""Which drives are meant: files and folders, and whether their labels can be of them."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from slipguard.config import Config
from slipguard.errors import ConfigError, RecordingError
from slipguard.recording.columns import COUNTS, WHEEL_SPEEDS
from slipguard.recording.labels import Event, labels_path
from slipguard.recording.reader import Recording

SUFFIXES = (".csv", ".csv.gz", ".parquet")
"""Names a recorded drive ends in."""

SLACK_S = 0.5
"""A label may reach this far beyond the drive: people round."""


def find_drives(paths: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """The drives named, and those in the folders named and below, each once, in order.

    A drive that lies in a folder in several formats, with the same labels, is one: the first by
    name is taken.

    Raises
    ------
    RecordingError
        A path is not there, or a folder holds no drive.
    """
    found: dict[Path, Path] = {}
    for given in map(Path, paths):
        if not given.exists():
            raise RecordingError(f"{given}: no such file or folder; name a recorded drive")
        drives = [given]
        if given.is_dir():
            inside = sorted(p for p in given.rglob("*") if p.is_file() and is_drive(p))
            drives = list({labels_path(p): p for p in reversed(inside)}.values())[::-1]
            if not drives:
                raise RecordingError(
                    f"{given}: no recorded drive in this folder; expected files ending in "
                    f"{', '.join(SUFFIXES)}"
                )
        for drive in drives:
            found.setdefault(drive.resolve(), drive)
    return list(found.values())


def is_drive(path: Path) -> bool:
    """Whether a file is named like a recorded drive."""
    return path.name.lower().endswith(SUFFIXES)


def check_inside(
    drive: Path, events: Iterable[Event], start_s: float, end_s: float
) -> tuple[Event, ...]:
    """The labels of a drive, all of them inside it.

    Raises
    ------
    RecordingError
        A label lies outside the drive, so it belongs to another one or to another clock.
    """
    events = tuple(events)
    for event in events:
        if event.start_s < start_s - SLACK_S or event.end_s > end_s + SLACK_S:
            what = f"{event.kind} {event.wheel}" if event.wheel else event.kind
            raise RecordingError(
                f"{labels_path(drive)}: events: {what} from {event.start_s:g} to "
                f"{event.end_s:g} s is not in the drive {drive.name}, which lasts from "
                f"{start_s:g} to {end_s:g} s; are these the labels of another drive?"
            )
    return events


def check_match(config: Config, rover: str | os.PathLike[str], recording: Recording) -> None:
    """Counts taken for wheel speeds, or the reverse, would find nothing and look like peace.

    Raises
    ------
    ConfigError
        The drive has no column of the kind of encoder that the rover has.
    """
    kind = config.encoders.kind
    needed = COUNTS if kind == "counts" else WHEEL_SPEEDS
    if not set(needed).intersection(recording.columns):
        raise ConfigError(
            f"{rover}: encoders.kind: found {kind}, but {recording.path} has none of "
            f"{', '.join(needed)}; is this the rover of that drive?"
        )
