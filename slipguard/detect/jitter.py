"""Encoders that count edges twice: a bouncing edge, interference.

A wheel that breaks away or grips again speeds up or slows down for a while, so that its counts go
on beyond what its rim was expected to do, several times the same way. A false count comes alone,
and the next ones, which lack it, seem to go back; but it stays counted, so that the wheel gets
ahead of the ground. An edge that keeps pace with the readings, now just before and now just after
one, gets nowhere. What moves the body (a knock, a late packet) moves more wheels than one.
"""

from __future__ import annotations

from slipguard.estimate import Estimate
from slipguard.frame import Frame

TOO_MUCH_SD = 5.0  # added up, less `FADE_SD` a reading: edges bounce
LEAST_SD = 0.5  # of a jump that is looked at, and
MOST_SD = 3.0  # the most one is worth
PAIR_READINGS = 10  # in which the wheel turns, within which one must follow another, and
PAIR_S = 0.5  # within which it must, to be its way back
FADE_SD = 0.1  # of the sum with each of them
AHEAD_COUNTS = 3.0  # by which the wheel has left the ground since it began, at the least
CALM_SD = 1.0  # below which nothing is the matter


class CountJitter:
    """Adds up jumps of each wheel's counts that come as a way there and back.

    ``calm_m``: travel without, after which an encoder is believed again.

    Attributes
    ----------
    worst_sd : list of 4 float
        What has come together, in standard deviations; once above ``TOO_MUCH_SD`` the most of
        it, until the wheel has turned for a while without.
    """

    def __init__(self, calm_m: float, count_m: float) -> None:
        self._least_ahead_m = AHEAD_COUNTS * count_m
        self._ahead_m = [0.0] * 4  # of the ground, since the sum was nothing; negative: backward
        self._calm_m = calm_m
        self._travel_m = [0.0] * 4
        self._jump_sd = [0.0] * 4  # the last one
        self._readings = [0] * 4  # since then
        self._ago_s = [0.0] * 4
        self._sum_sd = [0.0] * 4
        self._calm_for_m = [0.0] * 4
        self.worst_sd = [0.0] * 4

    def step(self, frame: Frame, estimate: Estimate) -> None:
        """Take one estimate."""
        jumps, dt_s, new = 0, frame.dt_s, frame.wheel_new
        rims, slips, jump_sd = estimate.wheel_speed_mps, estimate.slip_mps, estimate.rim_jump_sd
        for i in range(4):
            self._ago_s[i] += dt_s
            self._ahead_m[i] -= (rims[i] - slips[i]) * dt_s
            if new[i] and abs(jump_sd[i]) > LEAST_SD:
                jumps += 1
        for i in range(4):
            if new[i]:
                turned_m = estimate.wheel_travel_m[i] - self._travel_m[i]
                self._travel_m[i] = estimate.wheel_travel_m[i]
                self._take(i, turned_m, jump_sd[i], jumps == 1)

    def _take(self, i: int, turned_m: float, jump_sd: float, alone: bool) -> None:
        """Take a reading of wheel i. ``alone``: whether no other wheel's counts jumped."""
        jumps = abs(jump_sd) > LEAST_SD
        if turned_m == 0.0 and not jumps:
            return
        self._ahead_m[i] += turned_m
        self._readings[i] += 1
        self._calm_for_m[i] += abs(turned_m)
        if jumps:
            last_sd = self._jump_sd[i]
            near = self._readings[i] <= PAIR_READINGS and self._ago_s[i] < PAIR_S
            if alone and near and jump_sd * last_sd < 0.0:
                self._sum_sd[i] += min(abs(jump_sd), abs(last_sd), MOST_SD)
            self._jump_sd[i], self._readings[i], self._ago_s[i] = jump_sd, 0, 0.0
        self._sum_sd[i] = max(0.0, self._sum_sd[i] - FADE_SD)
        if self._sum_sd[i] == 0.0:
            self._ahead_m[i] = 0.0
        if abs(self._ahead_m[i]) < self._least_ahead_m:
            self._sum_sd[i] = min(self._sum_sd[i], TOO_MUCH_SD)
        if self._sum_sd[i] > CALM_SD:
            self._calm_for_m[i] = 0.0
        held = self.worst_sd[i] > TOO_MUCH_SD and self._calm_for_m[i] < self._calm_m
        self.worst_sd[i] = max(self.worst_sd[i] if held else 0.0, self._sum_sd[i])
