"""Encoders that count too much: a bouncing edge, a wrong number of counts per revolution.

Such a wheel runs ahead of the ground by the same share whatever it does, while the others count
right. A wheel that spins does not: its slip changes with throttle, load and ground.
"""

from __future__ import annotations

from slipguard.estimate import Estimate

WINDOW_M = 0.1
WINDOW_COUNTS = 8
WINDOWS = 4
TOO_MUCH = 0.12
MOST = 0.6  # more than this is no counting error but spin
STEADY = 0.15
OTHERS_RIGHT = 0.06


class OverCounting:
    """Compares counted with predicted travel of each wheel, window by window of travel."""

    def __init__(self, count_m: float) -> None:
        self._window_m = max(WINDOW_M, WINDOW_COUNTS * count_m)
        self._ground_m = [0.0] * 4
        self._counted_m = [0.0] * 4
        self._travel: tuple[float, ...] | None = None
        self._ratios: list[list[float]] = [[] for _ in range(4)]
        self.excess: list[float | None] = [None] * 4
        """Share each wheel counts too much, or None."""

    def step(self, dt_s: float, estimate: Estimate) -> None:
        """Take one estimate."""
        travel = estimate.wheel_travel_m
        last = self._travel or travel
        self._travel = travel
        for i in range(4):
            ground = estimate.wheel_speed_mps[i] - estimate.slip_mps[i]
            self._ground_m[i] += abs(ground) * dt_s
            self._counted_m[i] += abs(travel[i] - last[i])
            if self._ground_m[i] >= self._window_m:
                ratio = self._counted_m[i] / self._ground_m[i]
                self._ratios[i] = [*self._ratios[i][1 - WINDOWS :], ratio]
                self._ground_m[i] = self._counted_m[i] = 0.0
                self._judge(i)

    def _judge(self, i: int) -> None:
        mine = self._ratios[i]
        others = [self._ratios[j][-1] for j in range(4) if j != i and self._ratios[j]]
        if self.excess[i] is not None:
            # Once known to count too much, it is until it clearly counts right.
            if max([abs(ratio - 1.0) for ratio in mine]) < 0.5 * TOO_MUCH:
                self.excess[i] = None
            return
        if len(mine) < WINDOWS or len(others) < 3:
            return
        right = all(abs(ratio - 1.0) < OTHERS_RIGHT for ratio in others)
        steady = max(mine) - min(mine) < STEADY * min(mine)
        if right and steady and 1.0 + TOO_MUCH < min(mine) < 1.0 + MOST:
            self.excess[i] = min(mine) - 1.0
