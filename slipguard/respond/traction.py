"""Brake the wheel that spins, cut the throttle when that is not enough.

Three open differentials give every wheel the same drive torque, and a free wheel takes almost
none. A brake torque T on the free wheel gives T to each of the other three and costs the motor
4 T (torque balance of an ideal open differential, any vehicle dynamics handbook). So the brake
goes where the spin is, in proportion to its slip speed, and lets go when the wheel grips. The
throttle is left alone while that works: with two wheels in the air the other two still get T
each, for the same 4 T.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.estimate import Estimate

HOLD_ON_S = 0.25
"""A brake that made a wheel grip lets go over this time: at once would spin it again."""
INTEGRAL_PER_S = 2.0  # of the proportional part, for slip that stays
MOST_BRAKE = 1.0  # of a brake, 0..1
LEAST_LIMIT = 0.1  # of throttle: what still turns the wheels
BRAKED_TARGETS = 4.0
"""Slip left to brakes that have something left, as a multiple of ``limits.slip_target_mps``."""
NOT_OVER = -math.inf  # slip that needs no limit


class Traction:
    """Brakes the wheels that spin, and limits the throttle.

    Attributes
    ----------
    wish : list of 4 float
        Brake wish of each wheel, 0..1.
    throttle_limit : float
        0..1.
    hot : list of 4 bool
        Brakes that rest because they are hot.
    """

    def __init__(self, config: Config) -> None:
        limits, brakes = config.limits, config.brakes
        self._max_speed_mps = float(limits.traction_brake_max_speed_mps)
        self._target_mps = float(limits.slip_target_mps)
        self._brake_per_mps = float(limits.traction_brake_per_mps)
        self._cut_per_s = float(limits.throttle_cut_per_s)
        self._restore_per_s = float(limits.throttle_restore_per_s)
        self._max_torque_nm = float(brakes.max_torque_nm)
        self._cooling_w = float(brakes.cooling_w)
        self._heat_limit_j = float(brakes.heat_limit_j)
        self._radius_m = float(config.rover.wheel_radius_m)
        drive = config.rover.drive
        self._driven = (drive != "rear", drive != "rear", drive != "front", drive != "front")
        self._locked = drive == "locked"
        self._integral = [0.0] * 4
        self._heat_j = [0.0] * 4
        self.wish = [0.0] * 4
        self.throttle_limit = 1.0
        self.hot = [False] * 4

    def step(
        self, estimate: Estimate, spinning: Sequence[bool], drive_asked: bool, dt_s: float
    ) -> None:
        """Take what is estimated, and which wheels (4,) are found to spin."""
        slow = self._is_slow(estimate)
        self._count_heat(estimate, dt_s)
        # Braking helps only while another driven wheel of an open differential still grips.
        gripping = 0
        for i in range(4):
            if self._driven[i] and not spinning[i]:
                gripping += 1
        may_brake = drive_asked and slow and gripping > 0 and not self._locked
        for i in range(4):
            self._brake_wheel(i, spinning[i] and may_brake, drive_asked and slow, estimate, dt_s)
        self._limit_throttle(spinning, gripping, may_brake, drive_asked, estimate, dt_s)

    def _is_slow(self, estimate: Estimate) -> bool:
        """Whether a brake on one wheel cannot throw the rover round: neither the speed nor three of
        the rims, which are measured whatever is believed of the speed, are too fast."""
        fast = 0
        for rim_mps in estimate.wheel_speed_mps:
            fast += abs(rim_mps) > self._max_speed_mps
        return fast < 3 and abs(estimate.speed_mps) <= self._max_speed_mps

    def _brake_wheel(
        self, i: int, spinning: bool, keep: bool, estimate: Estimate, dt_s: float
    ) -> None:
        if self.hot[i] or not keep:
            self.wish[i] = self._integral[i] = 0.0
            return
        if not spinning:
            self.wish[i] = max(0.0, self.wish[i] - dt_s / HOLD_ON_S)
            self._integral[i] = self.wish[i]
            return
        slip = abs(estimate.slip_mps[i]) - self._target_mps
        gain = self._brake_per_mps
        proportional = gain * max(0.0, slip)
        integral = self._integral[i] + INTEGRAL_PER_S * gain * slip * dt_s
        # Anti-windup: the integral holds no more than the brake can still give.
        self._integral[i] = max(0.0, min(integral, MOST_BRAKE - min(proportional, MOST_BRAKE)))
        self.wish[i] = min(MOST_BRAKE, proportional + self._integral[i])

    def _limit_throttle(
        self,
        spinning: Sequence[bool],
        gripping: int,
        may_brake: bool,
        drive_asked: bool,
        estimate: Estimate,
        dt_s: float,
    ) -> None:
        over = self._over(spinning, gripping, may_brake, estimate)
        if over > NOT_OVER:
            rate = max(-self._restore_per_s, 3.0 * over)
            rate = min(rate, self._cut_per_s)
            self.throttle_limit -= rate * dt_s
        else:
            self.throttle_limit += self._restore_per_s * dt_s
        if not drive_asked:
            self.throttle_limit += 4.0 * self._restore_per_s * dt_s
        self.throttle_limit = max(LEAST_LIMIT, min(1.0, self.throttle_limit))

    def _over(
        self, spinning: Sequence[bool], gripping: int, may_brake: bool, estimate: Estimate
    ) -> float:
        """Slip speed above what less throttle should leave, m/s; ``NOT_OVER``: nothing to limit.

        Two wheels that hang on opposite corners are held by their brakes; less throttle would
        only take torque from the two that carry the rover. So while brakes have something left
        and at least two wheels grip, only a slip that the brakes are late for is cut.
        """
        spin, count = math.inf, 0  # the least slip of those that spin, and how many do
        spent = math.inf  # the least of those whose brake gives no more
        for i in range(4):
            if spinning[i]:
                slip = abs(estimate.slip_mps[i])
                spin = min(spin, slip)
                count += 1
                if self.wish[i] >= MOST_BRAKE or self.hot[i]:
                    spent = min(spent, slip)
        over = NOT_OVER if spent == math.inf else spent - self._target_mps
        if count > 1 or (count == 1 and not may_brake):
            targets = BRAKED_TARGETS if may_brake and gripping >= 2 else 1.0
            over = max(over, spin - targets * self._target_mps)
        return over

    def _count_heat(self, estimate: Estimate, dt_s: float) -> None:
        """Heat of each brake from holding a spinning wheel, torque times turn rate, less what it
        sheds. What stops and holds add is little: 30 J, and nothing turns."""
        for i in range(4):
            if self.wish[i] == 0.0 and self._heat_j[i] == 0.0:
                continue  # most brakes, most of the time
            turn_radps = abs(estimate.wheel_speed_mps[i]) / self._radius_m
            power_w = self.wish[i] * self._max_torque_nm * turn_radps
            heat = self._heat_j[i] + (power_w - self._cooling_w) * dt_s
            self._heat_j[i] = max(0.0, heat)
            limit = self._heat_limit_j * (0.7 if self.hot[i] else 1.0)
            self.hot[i] = self._heat_j[i] > limit
