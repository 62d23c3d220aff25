"""Encoders that count too much: a bouncing edge, a wrong number of counts per revolution.

Such a wheel runs ahead of the ground by the same share whatever it does, while the others count
right. A wheel that spins may do so for as long as throttle, brake and ground stay the same; but not
while the rover speeds up or slows down.
"""

from __future__ import annotations

import math

from slipguard.estimate import Estimate

WINDOW_M = 0.1  # over which travel is compared, but
WINDOW_COUNTS = 8  # at the least, so that one more or less is no share
WINDOWS = 4
TOO_MUCH = 0.12  # share, beyond tyre radius, creep and turns together
MOST = 0.6  # more than this is no counting error but spin
STEADY = 0.15  # share by which the windows may differ
OTHERS_RIGHT = 0.06  # share within which the other wheels must count
OTHER_SPEED = 1.5
"""Times the slowest of its windows, by which the fastest must go over the ground."""


class OverCounting:
    """Compares counted with predicted travel of each wheel, window by window of travel.

    Attributes
    ----------
    excess : list of 4 float
        Share each wheel counts too much; 0.0: it counts right, as far as is known.
    """

    def __init__(self, count_m: float) -> None:
        self._window_m = max(WINDOW_M, WINDOW_COUNTS * count_m)
        self._ground_m = [0.0] * 4
        self._counted_m = [0.0] * 4
        self._begun = False
        self._travel = [0.0] * 4
        self._lasted_s = [0.0] * 4
        self._ratios = [[0.0] * WINDOWS for _ in range(4)]  # of the last windows, the newest first,
        self._took_s = [[0.0] * WINDOWS for _ in range(4)]  # and how long each lasted
        self._windows = [0] * 4  # how many of these are known
        self.excess = [0.0] * 4

    def step(self, dt_s: float, estimate: Estimate) -> None:
        """Take one estimate."""
        travel, last = estimate.wheel_travel_m, self._travel
        rims, slips = estimate.wheel_speed_mps, estimate.slip_mps
        ground_m, counted_m, lasted_s = self._ground_m, self._counted_m, self._lasted_s
        for i in range(4):
            ground_m[i] += abs(rims[i] - slips[i]) * dt_s
            lasted_s[i] += dt_s
            if self._begun:
                counted_m[i] += abs(travel[i] - last[i])
            last[i] = travel[i]
            if ground_m[i] >= self._window_m:
                self._note(i, counted_m[i] / ground_m[i])
                ground_m[i] = counted_m[i] = lasted_s[i] = 0.0
                self._judge(i)
        self._begun = True

    def _note(self, i: int, ratio: float) -> None:
        for k in range(WINDOWS - 1, 0, -1):
            self._ratios[i][k] = self._ratios[i][k - 1]
            self._took_s[i][k] = self._took_s[i][k - 1]
        self._ratios[i][0], self._took_s[i][0] = ratio, self._lasted_s[i]
        self._windows[i] = min(WINDOWS, self._windows[i] + 1)

    def _judge(self, i: int) -> None:
        least, most, off = math.inf, -math.inf, 0.0
        for k in range(self._windows[i]):
            ratio = self._ratios[i][k]
            least, most, off = min(least, ratio), max(most, ratio), max(off, abs(ratio - 1.0))
        if self.excess[i] > 0.0:
            # Once known to count too much, it is until it clearly counts right.
            if off < 0.5 * TOO_MUCH:
                self.excess[i] = 0.0
            return
        others_right = True
        for j in range(4):
            right = self._windows[j] > 0 and abs(self._ratios[j][0] - 1.0) < OTHERS_RIGHT
            others_right = others_right and (right or j == i)
        steady = most - least < STEADY * least
        took = self._took_s[i]
        known = self._windows[i] == WINDOWS and max(took) > OTHER_SPEED * min(took)
        if known and others_right and steady and 1.0 + TOO_MUCH < least < 1.0 + MOST:
            self.excess[i] = least - 1.0
