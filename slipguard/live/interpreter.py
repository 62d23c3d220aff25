"""What can be done so that the interpreter disturbs the loop less."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_INTERVAL_S = 0.0005
"""How soon another thread lets the loop's run again; the interpreter's own 5 ms is half a round."""


@contextmanager
def undisturbed() -> Iterator[None]:
    """While inside, threads take turns quickly, and the collector leaves alone what exists now.

    A full collection walks through everything imported, which takes milliseconds.
    """
    interval_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        sys.setswitchinterval(interval_s)
