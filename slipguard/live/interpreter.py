"""What can be done so that the interpreter disturbs the loop less."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_INTERVAL_S = 0.0005
"""How soon another thread lets the loop's run again; the interpreter's own 5 ms is half a round."""
IDLE_S = 0.002
"""Time left until the next round in which the collector is let to work."""
MOST_OBJECTS = 100_000
"""So many new objects are collected even in a loop that is never idle, or memory would grow."""


@contextmanager
def undisturbed() -> Iterator[None]:
    """While inside, threads take turns quickly, and the collector works only when it is called.

    It leaves alone what exists now: a full collection walks through everything imported, which
    takes milliseconds. Call ``collect_when_idle`` between rounds.
    """
    interval_s, collects = sys.getswitchinterval(), gc.isenabled()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()
        gc.unfreeze()
        sys.setswitchinterval(interval_s)


def collect_when_idle(left_s: float) -> None:
    """Collect what the collector would by now, if there is time left or far too much to collect."""
    count, most = gc.get_count(), gc.get_threshold()
    if count[0] > (most[0] if left_s > IDLE_S else MOST_OBJECTS):
        generation = 0
        while generation < 2 and count[generation + 1] > most[generation + 1]:
            generation += 1
        gc.collect(generation)
