"""With no wheel believed: is it slip, or is the speed wrong?

The rim of a wheel that grips changes its speed as the body does; a spinning rim follows the motor.
So three wheels that kept their distance to the estimate while the body clearly sped up or slowed
down, and agree among themselves, are gripping. Nor do wheels that slip behind open differentials
run alike for long, or stand with no brake on them, or slip without pushing the body.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.fuse import model
from slipguard.fuse.body import Body
from slipguard.fuse.parting import LEAST_PUSH_MPS2, RIM_SHARE

RETURN_SD_MPS = 0.1  # of a speed that was taken from the rims again
COMPARE_S = 1.0  # within which the body must speed up or slow down by
COMPARE_MPS = 0.3
COMPARE_SHARE = 0.2  # of that change, by which a rim that follows may differ
SLID_S = 3.0  # so long after a slide the speed may have been turned wrongly
UNFELT_S = 0.3
ALIKE_SHARE = 0.03  # in which wheels slip alike; on ice they did so for 0.3 s at most
ALIKE_S = 0.5  # so long each time, and so often in a row: all roll, and the speed was wrong
ALIKE_TIMES = 2
ALIKE_M = 0.15  # of slip in that time, and
ALIKE_COUNTS = 50.0  # of so many counts, that a share of it can be told
WITH_MPS = 0.4  # within which of the middle a rim goes with it, and a share of
WITH_SHARE = 0.03  # what the speed was off by
STANDS_MPS = 0.06  # below which, over that time, a rim all but stands


class Recovery:
    """Watches wheels that are not believed.

    Attributes
    ----------
    by_mps, sd_mps : float
        What the speed was off by, and the standard deviation of that.
    grip : list of 4 bool
        The wheels that say so.
    doubt : bool
        Whether it was the accelerometer that led it astray.
    """

    def __init__(self, count_m: float, parts: bool) -> None:
        """``parts``: whether wheels that slip may run apart, behind open differentials."""
        self._alike_m = max(ALIKE_M, ALIKE_COUNTS * count_m)
        self._parts = parts
        self._since_s = 0.0
        self._from_mps = 0.0  # speed, and slip of each wheel, that it is compared from
        self._from_slips = [0.0] * 4
        self._unfelt_s = 0.0
        self._alike_s = 0.0
        self._alike_times = 0
        self._slipped_m = [0.0] * 4  # by each wheel in that time
        self._turned_m = [0.0] * 4
        self._stopped = [False] * 4  # by a brake, in that time
        self.by_mps = 0.0
        self.sd_mps = 0.0
        self.grip = [False] * 4
        self.doubt = False

    def forget(self) -> None:
        """A wheel is believed: begin anew when none is."""
        self._since_s = self._unfelt_s = self._alike_s = 0.0
        self._alike_times = 0

    def step(
        self,
        dt_s: float,
        body: Body,
        rims: Sequence[float],
        slips: Sequence[float],
        stopped: Sequence[bool],
    ) -> bool:
        """Whether the speed is what is wrong.

        ``rims``, ``slips`` (4,): speed of each rim, and how much faster than the ground it seems to
        be. ``stopped`` (4,): which wheels stand, and a brake may hold them.
        """
        mean = model.middle(slips)
        if self._parts and self._never_part(dt_s, rims, slips, stopped):
            # Open differentials let wheels that slip run apart: these roll on the ground.
            return self.found(slips, mean, True)
        unfelt = (
            body.slid_s < SLID_S
            and model.spread(slips, mean) < RIM_SHARE * abs(mean)
            and math.copysign(1.0, mean) * body.accel_smooth[0] < LEAST_PUSH_MPS2
        )
        self._unfelt_s = self._unfelt_s + dt_s if unfelt else 0.0
        if self._unfelt_s > UNFELT_S:
            # All slip alike and no tyre pushes: then none does. What seemed to be a slide was the
            # yaw gyro, which turned the speed off.
            return self.found(slips, mean, False)
        return self._followed(dt_s, body.speed_mps, slips, mean)

    def found(self, slips: Sequence[float], by_mps: float, doubt: bool) -> bool:
        """The speed was off by ``by_mps``: so say the wheels that seem to slip so."""
        self.by_mps, self.sd_mps, self.doubt = by_mps, RETURN_SD_MPS, doubt
        near_mps = WITH_MPS + WITH_SHARE * abs(by_mps)
        for i in range(4):
            self.grip[i] = abs(slips[i] - by_mps) < near_mps
        return True

    def _followed(self, dt_s: float, v: float, slips: Sequence[float], mean: float) -> bool:
        """Whether three rims changed their speed as the body did."""
        if self._since_s == 0.0:
            self._from_mps = v
            for i in range(4):
                self._from_slips[i] = slips[i]
        self._since_s += dt_s
        change = abs(v - self._from_mps)
        if change < COMPARE_MPS:
            if self._since_s > COMPARE_S:
                self._since_s = 0.0
            return False
        self._since_s = 0.0
        near, count = COMPARE_SHARE * change, 0
        for i in range(4):
            kept = abs(slips[i] - self._from_slips[i]) < near
            follows = kept and abs(slips[i] - mean) < near
            self.grip[i] = follows
            count += follows
        self.by_mps, self.sd_mps, self.doubt = mean, near, False
        return count >= 3

    def _never_part(
        self, dt_s: float, rims: Sequence[float], slips: Sequence[float], stopped: Sequence[bool]
    ) -> bool:
        """Whether all wheels seem to slip as far as the others, time and again, or three stand,
        and no brake stops them."""
        if self._alike_s == 0.0:
            for i in range(4):
                self._slipped_m[i] = self._turned_m[i] = 0.0
                self._stopped[i] = False
        self._alike_s += dt_s
        for i in range(4):
            self._slipped_m[i] += slips[i] * dt_s
            self._turned_m[i] += rims[i] * dt_s
            self._stopped[i] = self._stopped[i] or stopped[i]
        if self._alike_s < ALIKE_S:
            return False
        mean = model.middle(self._slipped_m)
        alike = model.spread(self._slipped_m, mean) < ALIKE_SHARE * abs(mean)
        stand = 0
        for i in range(4):
            alike = alike and not self._stopped[i]
            stands = abs(self._turned_m[i]) < STANDS_MPS * self._alike_s
            stand += stands and not self._stopped[i]
        self._alike_s = 0.0
        again = abs(mean) > self._alike_m and (alike or stand >= 3)
        self._alike_times = self._alike_times + 1 if again else 0
        return self._alike_times >= ALIKE_TIMES
