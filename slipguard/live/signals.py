"""SIGTERM and SIGINT: a gentle stop first; a second one ends the program at once, brakes on."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from slipguard.live.loop import Loop

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


@contextmanager
def stop_on_signals(loop: Loop) -> Iterator[None]:
    """While inside, signals stop the loop. Only in the program's main thread.

    The second signal raises KeyboardInterrupt, which leads to the safe state at once.
    """
    caught = 0

    def handle(number: int, frame: FrameType | None) -> None:
        nonlocal caught
        caught += 1
        if caught > 1:
            raise KeyboardInterrupt
        loop.stop(f"asked to end by {signal.Signals(number).name}")

    before = {number: signal.signal(number, handle) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
