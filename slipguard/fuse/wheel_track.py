"""One wheel: the box its counts put it in, and its own rim speed while it slips.

A two-state filter (rim travel, rim speed) follows the counts of one wheel alone. While the wheel
grips its speed is drawn towards the hub's, so that slip starts from nothing.
"""

from __future__ import annotations

import math

from slipguard.fuse.model import NO_INFORMATION, box_excess, box_update

FREE_ACCEL_MPS2 = 10.0
"""How hard a rim without load changes its speed, as noise of the rim filter: a free 0.3 kg wheel
on a quarter of a hobby motor's torque gains 10 to 30 m/s2; common practice, no source."""
GRIP_SPEED_SD_MPS = 0.15
"""How near its hub's speed a rim is held while nothing speaks against grip."""

UNEVEN_EDGES = 0.3
"""Of a count: by how much an edge may well sit beside its place, as two channels out of quadrature
or a printed disc have it; common practice, no source."""

SHAKE_M = 0.0005
"""By how much a rim that turns evenly may shake against the body."""
START_SD_MPS = 1.0
"""How well, at the best, the speed of a rim is known whose counts begin."""


class WheelTrack:
    """Rim of one wheel. Travel in metres of rim, as the encoder counts it."""

    __slots__ = (
        "_count_m",
        "_pos_var",
        "_pos_vel",
        "_uneven_m2",
        "_vel_var",
        "calm_s",
        "gripping",
        "high_m",
        "jump_sd",
        "low_m",
        "rim_m",
        "rim_mps",
        "still_s",
        "travel_m",
    )

    def __init__(self, count_m: float) -> None:
        self.travel_m = 0.0
        self.gripping = True
        self.jump_sd = 0.0
        self.rim_mps = 0.0
        self._count_m = count_m
        self._vel_var = START_SD_MPS**2
        self._uneven_m2 = (UNEVEN_EDGES * count_m) ** 2 + SHAKE_M**2
        self.begin_anew()

    @property
    def rim_var_mps2(self) -> float:
        """Variance of ``rim_mps``, (m/s)2."""
        return max(0.0, self._vel_var)

    @property
    def rim_var_m2(self) -> float:
        """Variance of ``rim_m``, and no less than that of a place anywhere in its box: taking
        the same count again and again tells nothing new."""
        return max(self._pos_var, (self.high_m - self.low_m) ** 2 / 12.0)

    def grip(self, hub_mps: float) -> None:
        """Nothing speaks against grip: the rim's speed is drawn towards the hub's."""
        S = self._vel_var + GRIP_SPEED_SD_MPS**2
        k_pos, k_vel = self._pos_vel / S, self._vel_var / S
        innovation = hub_mps - self.rim_mps
        self.rim_m += k_pos * innovation
        self.rim_mps += k_vel * innovation
        self._pos_var -= k_pos * self._pos_vel
        self._pos_vel -= k_vel * self._pos_vel
        self._vel_var -= k_vel * self._vel_var

    def predict(self, dt_s: float) -> None:
        """Let the rim run on for ``dt_s`` with its own speed."""
        q = (FREE_ACCEL_MPS2 * dt_s) ** 2
        self.rim_m += self.rim_mps * dt_s
        self._pos_var += dt_s * (2.0 * self._pos_vel + dt_s * self._vel_var) + q * dt_s * dt_s / 4
        self._pos_vel += dt_s * self._vel_var + q * dt_s / 2.0
        self._vel_var += q

    def begin_anew(self) -> None:
        """At the start, and after a silence or a jump of the counter: the rim is anywhere in its
        box, and as fast as before, as far as that is known."""
        self.low_m, self.high_m = self.travel_m, self.travel_m + self._count_m
        self.rim_m = self.travel_m + 0.5 * self._count_m
        self._pos_var = self._count_m * self._count_m / 12.0
        self._pos_vel = 0.0
        self._vel_var = max(START_SD_MPS**2, self._vel_var)
        self.still_s = 0.0
        self.calm_s = 0.0

    def report(self, rim_mps: float, sd_mps: float) -> None:
        """Take the rim's speed as a sensor reports it."""
        self.rim_mps, self._vel_var = rim_mps, sd_mps * sd_mps

    def count(self, step: float, count_m: float, narrow_m: float) -> None:
        """Take ``step`` counts: the box moves; an edge just passed makes it ``narrow_m`` wide."""
        self.travel_m += step * count_m
        self.low_m, self.high_m = self.travel_m, self.travel_m + count_m
        if step > 0:
            self.high_m = self.low_m + min(count_m, narrow_m)
        elif step < 0:
            self.low_m = self.high_m - min(count_m, narrow_m)

    def correct(self, edge_sd_m: float) -> None:
        """Update rim travel and speed with the box."""
        excess_m = box_excess(self.rim_m, self.low_m, self.high_m)
        self.jump_sd = excess_m / math.sqrt(self._pos_var + edge_sd_m * edge_sd_m + self._uneven_m2)
        if self.still_s > 0.0:  # no edge for a time t: slower than one count in t
            most = (self.high_m - self.low_m) / self.still_s
            self.rim_mps = max(-most, min(most, self.rim_mps))
        innovation, R = box_update(self.rim_m, self._pos_var, self.low_m, self.high_m, edge_sd_m)
        if R >= NO_INFORMATION:
            return
        S = self._pos_var + R
        k_pos, k_vel = self._pos_var / S, self._pos_vel / S
        self.rim_m += k_pos * innovation
        self.rim_mps += k_vel * innovation
        self._vel_var -= k_vel * self._pos_vel
        self._pos_vel -= k_vel * self._pos_var
        self._pos_var -= k_pos * self._pos_var
