"""A recorded drive through the guard, row by row: the same decisions as on the rover.

Where numba is installed a long drive runs on the compiled engine. Loading that takes a second or
two, and compiling it, once on a machine, a minute: a short drive is through before.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain, islice

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.engines import can_compile
from slipguard.guard import Engine, Guard, Steps
from slipguard.recording import Row

__all__ = ["replay", "replay_rows"]

LONG_ROWS = 30_000
"""From so many rows on a drive is long: two and a half minutes at 200 Hz."""


def replay(recording: Iterable[Row], guard: Config | Steps) -> Iterator[Decision]:
    """The decisions a guard makes on a recorded drive, one for each row, as they come.

    Parameters
    ----------
    recording : iterable of Row
        Usually ``slipguard.recording.open_recording(path)``.
    guard : Config or Guard
        A Config makes a new Guard, as at the start of a drive, on the engine of
        ``engine_for``; a Guard goes on from where it is.

    Raises
    ------
    RecordingError
        At the row that cannot be read.
    """
    return (decision for _, decision in replay_rows(recording, guard))


def replay_rows(
    recording: Iterable[Row], guard: Config | Steps, engine: Engine | None = None
) -> Iterator[tuple[Row, Decision]]:
    """As ``replay``, with the row each decision follows from, e.g. to compare with truth.

    ``engine``: for the Guard a Config makes; default: that of ``engine_for``.
    """
    if isinstance(guard, Config):
        if engine is None:
            engine, recording = engine_for(recording)
        guard = Guard(guard, engine)
    for row in recording:
        yield row, guard.step(row.reading)


def engine_for(recording: Iterable[Row]) -> tuple[Engine, Iterator[Row]]:
    """The engine that is through with a drive first, and all its rows, some of them read ahead.

    Without numba that is the default; with it, a drive of ``LONG_ROWS`` or more runs compiled.
    """
    rows = iter(recording)
    if not can_compile():
        return "filterpy", rows
    ahead = list(islice(rows, LONG_ROWS))
    return ("compiled" if len(ahead) == LONG_ROWS else "filterpy"), chain(ahead, rows)
