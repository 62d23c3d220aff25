"""SIGTERM and SIGINT: a gentle stop first; a second one ends the program at once, brakes on.

loop = Loop(config)
with stop_on_signals(loop), loop:  # signals also wait while the loop closes
    loop.run()
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from slipguard.live.loop import Loop

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGINT", "SIGHUP") if hasattr(signal, name)
)
"""Those that the system has: outside Unix there is no SIGHUP."""


@contextmanager
def stop_on_signals(loop: Loop) -> Iterator[None]:
    """While inside, signals stop the loop. Only in the program's main thread.

    The second signal raises KeyboardInterrupt, which leads to the safe state at once; what comes
    after that is left unheard, so that nothing disturbs the way there.
    """
    caught = 0

    def handle(number: int, frame: FrameType | None) -> None:
        nonlocal caught
        caught += 1
        if caught == 2 and not loop.closing:
            raise KeyboardInterrupt
        if caught == 1:
            loop.stop(f"asked to end by {signal.Signals(number).name}")

    before = {number: signal.signal(number, handle) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
