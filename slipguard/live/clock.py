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
    """The computer's monotonic clock, which no change of the date moves."""

    def __call__(self) -> float:
        return time.monotonic()

    def wait_until(self, t_s: float) -> None:
        left_s = t_s - time.monotonic()
        while left_s > 0:
            time.sleep(left_s)
            left_s = t_s - time.monotonic()


class VirtualClock:
    """Moves to where it is waited for: a drive on a desk, tests that never wait.

    Work takes no time on it, so a computer that is too slow loses no sample of a drive.

    Parameters
    ----------
    now_s : float
        Where it begins.
    speed : float, optional
        At most so many of its seconds in a real one; otherwise as fast as can be.
    """

    def __init__(self, now_s: float = 0.0, speed: float | None = None) -> None:
        if speed is not None and not speed > 0:
            raise ValueError(f"speed: found {speed!r}, expected a number above 0")
        self.now_s = now_s
        self._speed = speed
        self._due_s = time.monotonic()  # when now_s was, or will be, in real time

    def __call__(self) -> float:
        return self.now_s

    def wait_until(self, t_s: float) -> None:
        if t_s <= self.now_s:
            return
        if self._speed is not None:
            self._due_s += (t_s - self.now_s) / self._speed
            left_s = self._due_s - time.monotonic()
            if left_s > 0:
                time.sleep(left_s)
            else:
                self._due_s -= left_s  # too slow: what was lost is not made up for
        self.now_s = t_s

    def advance(self, by_s: float) -> None:
        """Let time pass, as work that takes long would."""
        self.now_s += by_s
