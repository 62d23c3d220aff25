"""A recorded drive in another format, its labels with it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from slipguard.errors import RecordingError
from slipguard.recording.find import SUFFIXES, is_drive
from slipguard.recording.labels import labels_path, load_labels
from slipguard.recording.reader import PARQUET, Recording, open_recording
from slipguard.recording.whole import part_of
from slipguard.recording.writer import TableWriter


def convert(source: str | os.PathLike[str], target: str | os.PathLike[str]) -> int:
    """Write a drive under another name, in the format the name ends in; how many rows it has.

    Every value stays the same. Labels go along.

    Raises
    ------
    RecordingError
        The drive cannot be read, the target is there already or has no known ending, or cannot
        be written.
    """
    source, target = Path(source), Path(target)
    check_target(target)
    drive = open_recording(source)
    old, new = labels_path(source), labels_path(target)
    labels = old.exists() and old.resolve() != new.resolve()
    if labels:
        load_labels(old)
        if new.exists():
            raise RecordingError(
                f"{new}: labels are there already and are not overwritten; name another file"
            )
    rows = write_drive(drive, target)
    if labels:
        with part_of(new) as part:
            shutil.copyfile(old, part)
            os.replace(part, new)
    return rows


def check_target(target: Path) -> None:
    """Refuse a file that is there, or whose name says no format."""
    if not is_drive(target):
        raise RecordingError(f"{target}: expected a name ending in {', '.join(SUFFIXES)}")
    if target.exists():
        raise RecordingError(f"{target}: is there already and is not overwritten")


def write_drive(drive: Recording, target: Path) -> int:
    """Write all rows of a drive, in the format the name ends in; whole or not at all."""
    if target.suffix.lower() == PARQUET:
        from slipguard.recording.parquet import write_parquet

        return write_parquet(drive, target)
    rows = 0
    packed = target.suffix.lower() == ".gz"
    with part_of(target) as part:
        with TableWriter(part, drive.columns, packed=packed) as table:
            for _, cells in drive.cells():
                table.write_cells(cells)
                rows += 1
        os.replace(part, target)
    return rows
