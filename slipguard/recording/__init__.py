"""Recorded drives: read, write, validate, label. Memory stays flat however long the drive."""

from slipguard.recording.columns import STANDARD as STANDARD_COLUMNS
from slipguard.recording.labels import Event, Labels, labels_path, load_labels, save_labels
from slipguard.recording.reader import Recording, Row, open_recording
from slipguard.recording.writer import TableWriter, Writer

__all__ = [
    "STANDARD_COLUMNS",
    "Event",
    "Labels",
    "Recording",
    "Row",
    "TableWriter",
    "Writer",
    "labels_path",
    "load_labels",
    "open_recording",
    "save_labels",
]
