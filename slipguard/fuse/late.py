"""Encoders that speak of an earlier moment than the IMU: how far each rim was to go since."""

from __future__ import annotations

MOST_STEPS = 256  # in the ring: a quarter of a second at 1 kHz


class LateTravel:
    """Predicted travel of the four rims over the last steps, the oldest first in a ring.

    A speed that was off by c all the while was off by c (t - t_k) in travel since t_k. The sums of
    c and of c t are kept, and what they were at t_k is taken off each entry: so a revision costs
    the same however long the ring is.
    """

    def __init__(self) -> None:
        self._clock_s = 0.0
        self._travel_m = [0.0] * 4
        self._sum_mps = [0.0] * 4
        self._sum_m = [0.0] * 4
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
            revised_m = self._sum_m[i] - self._clock_s * self._sum_mps[i]
            self._travels_m[at][i] = self._travel_m[i] + revised_m
        while self._taken > 1 and self._time_s(1) < self._clock_s - late_s:
            self._drop()

    def forget(self) -> None:
        """Know of no step before this one."""
        self._taken = 0
        for i in range(4):
            self._travel_m[i] = self._sum_mps[i] = self._sum_m[i] = 0.0

    def look_back(self, late_s: float, late_m: list[float]) -> None:
        """Write into ``late_m`` (4,) how far each rim was to go in the last ``late_s``."""
        if self._taken == 0:
            return
        then_s = self._clock_s - late_s
        before = after = self._taken - 1
        while before > 0 and self._time_s(before) > then_s:
            after = before
            before -= 1
        before_s, after_s = self._time_s(before), self._time_s(after)
        share = (then_s - before_s) / (after_s - before_s) if after_s > before_s else 0.0
        share = max(0.0, min(1.0, share))
        for i in range(4):
            a_m, b_m = self._travelled_m(before, i), self._travelled_m(after, i)
            late_m[i] = self._travel_m[i] - (a_m + share * (b_m - a_m))

    def revise(self, change_mps: float, hub_gain: list[float]) -> None:
        """The speed was off by ``change_mps`` all the while."""
        for i in range(4):
            change = change_mps * hub_gain[i]
            self._sum_mps[i] += change
            self._sum_m[i] += change * self._clock_s

    def _travelled_m(self, k: int, i: int) -> float:
        at = (self._first + k) % MOST_STEPS
        revised_m = self._sum_m[i] - self._times_s[at] * self._sum_mps[i]
        return self._travels_m[at][i] - revised_m

    def _time_s(self, k: int) -> float:
        return self._times_s[(self._first + k) % MOST_STEPS]

    def _drop(self) -> None:
        self._first = (self._first + 1) % MOST_STEPS
        self._taken -= 1
