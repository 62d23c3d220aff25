"""A recorded drive through the guard, row by row: the same decisions as on the rover."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.guard import Guard
from slipguard.reading import Reading
from slipguard.recording import Row


class Steps(Protocol):
    """What a replay drives: a ``slipguard.Guard``, or anything that steps like one."""

    def step(self, reading: Reading) -> Decision:
        """The decision that follows from one reading."""


def replay(recording: Iterable[Row], guard: Config | Steps) -> Iterator[Decision]:
    """The decisions a guard makes on a recorded drive, one for each row, as they come.

    Parameters
    ----------
    recording : iterable of Row
        Usually ``slipguard.recording.open_recording(path)``.
    guard : Config or Guard
        A Config makes a new Guard, as at the start of a drive; a Guard goes on from where
        it is.

    Raises
    ------
    RecordingError
        At the row that cannot be read.
    """
    return (decision for _, decision in replay_rows(recording, guard))


def replay_rows(recording: Iterable[Row], guard: Config | Steps) -> Iterator[tuple[Row, Decision]]:
    """As ``replay``, with the row each decision follows from, e.g. to compare with truth."""
    guard = Guard(guard) if isinstance(guard, Config) else guard
    for row in recording:
        yield row, guard.step(row.reading)
