"""Clocks of the live loop: the computer's, and one that only moves when it is waited for."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Monotonic seconds, and how to wait."""

    def __call__(self) -> float:
        """The time now, seconds."""

    def wait_until(self, t_s: float) -> None:
        """Return at ``t_s``, or at once when that is past."""


class MonotonicClock:
    """The computer's monotonic clock, which no change of the date moves.

    Parameters
    ----------
    speed : float
        Seconds of this clock in one real second: 10 plays a drive ten times as fast. Anything
        but 1 is for sources that are not hardware.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"speed: found {speed!r}, expected a number above 0")
        self._speed = speed
        self._start_s = time.monotonic()

    def __call__(self) -> float:
        if self._speed == 1.0:  # the very clock that plugins read
            return time.monotonic()
        return self._start_s + self._speed * (time.monotonic() - self._start_s)

    def wait_until(self, t_s: float) -> None:
        left_s = t_s - self()
        while left_s > 0:
            time.sleep(left_s / self._speed)
            left_s = t_s - self()


class VirtualClock:
    """Jumps to where it is waited for: drives as fast as can be, tests that never wait."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s

    def wait_until(self, t_s: float) -> None:
        self.now_s = max(self.now_s, t_s)

    def advance(self, by_s: float) -> None:
        """Let time pass, as work that takes long would."""
        self.now_s += by_s
