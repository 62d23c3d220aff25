"""A clock that moves only when told."""

from __future__ import annotations


class ManualClock:
    """Call it for the time; ``advance`` moves it, so that no test has to wait."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s

    def advance(self, by_s: float) -> None:
        """Let time pass."""
        if not by_s >= 0:
            raise ValueError(f"by_s: found {by_s!r}, expected seconds of at least 0")
        self.now_s += by_s
