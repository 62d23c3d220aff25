"""Encoders that speak of an earlier moment than the IMU: how far each rim was to go since."""

from __future__ import annotations

MOST_STEPS = 256


class LateTravel:
    """Predicted travel of the four rims over the last steps, the oldest first in a ring."""

    def __init__(self) -> None:
        self._clock_s = 0.0
        self._travel_m = [0.0] * 4
        self._first = 0
        self._taken = 0
        self._times_s = [0.0] * MOST_STEPS
        self._travels_m = [[0.0] * 4 for _ in range(MOST_STEPS)]

    def remember(self, dt_s: float, late_s: float, hub_mps: list[float]) -> None:
        """Note a step of ``dt_s`` with rim speeds ``hub_mps`` (4,); forget what is too old."""
        self._clock_s += dt_s
        if self._taken == MOST_STEPS:
            self._drop()
        at = (self._first + self._taken) % MOST_STEPS
        self._taken += 1
        self._times_s[at] = self._clock_s
        for i in range(4):
            self._travel_m[i] += hub_mps[i] * dt_s
            self._travels_m[at][i] = self._travel_m[i]
        while self._taken > 1 and self._time_s(1) < self._clock_s - late_s:
            self._drop()

    def look_back(self, late_s: float, late_m: list[float]) -> None:
        """Write into ``late_m`` (4,) how far each rim was to go in the last ``late_s``."""
        if self._taken == 0:
            return
        then_s = self._clock_s - late_s
        before = after = 0
        for after in range(self._taken):
            if self._time_s(after) >= then_s:
                break
            before = after
        before_s, after_s = self._time_s(before), self._time_s(after)
        share = (then_s - before_s) / (after_s - before_s) if after_s > before_s else 0.0
        share = max(0.0, min(1.0, share))
        a_m, b_m = self._travels_m[self._at(before)], self._travels_m[self._at(after)]
        for i in range(4):
            late_m[i] = self._travel_m[i] - (a_m[i] + share * (b_m[i] - a_m[i]))

    def revise(self, change_mps: float, hub_gain: list[float]) -> None:
        """The speed was off by ``change_mps`` all the while."""
        for k in range(self._taken):
            at = self._at(k)
            back = change_mps * (self._clock_s - self._times_s[at])
            for i in range(4):
                self._travels_m[at][i] -= back * hub_gain[i]

    def _at(self, k: int) -> int:
        return (self._first + k) % MOST_STEPS

    def _time_s(self, k: int) -> float:
        return self._times_s[self._at(k)]

    def _drop(self) -> None:
        self._first = (self._first + 1) % MOST_STEPS
        self._taken -= 1
