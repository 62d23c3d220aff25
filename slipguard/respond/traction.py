"""Brake the wheel that spins, cut the throttle when that is not enough.

Three open differentials give every wheel the same drive torque, and a free wheel takes almost
none. A brake torque T on the free wheel gives T to each of the other three and costs the motor
4 T (torque balance of an ideal open differential, any vehicle dynamics handbook). So the brake
goes where the spin is, in proportion to its slip speed, and lets go when the wheel grips. The
throttle is left alone while that works: with two wheels in the air the other two still get T
each, for the same 4 T.
"""

from __future__ import annotations

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.reading import WHEELS

HOLD_ON_S = 0.25
"""A brake that made a wheel grip lets go over this time: at once would spin it again."""
INTEGRAL_PER_S = 2.0
MOST_BRAKE = 1.0
LEAST_LIMIT = 0.1
BRAKED_TARGETS = 4.0
"""Slip left to brakes that have something left, as a multiple of ``limits.slip_target_mps``."""


class Traction:
    """Brake wishes (4,) and a throttle limit, from the wheels that spin."""

    def __init__(self, config: Config) -> None:
        self._limits = config.limits
        self._brakes_config = config.brakes
        self._radius_m = config.rover.wheel_radius_m
        drive = config.rover.drive
        self._driven = (drive != "rear", drive != "rear", drive != "front", drive != "front")
        self._locked = drive == "locked"
        self._integral = [0.0] * 4
        self._wish = [0.0] * 4
        self._heat_j = [0.0] * 4
        self._hot = [False] * 4
        self.throttle_limit = 1.0

    def step(
        self, estimate: Estimate, findings: tuple[Finding, ...], drive_asked: bool, dt_s: float
    ) -> tuple[list[float], float]:
        """Brake wish per wheel and throttle limit, each 0..1."""
        spinning = [False] * 4
        for finding in findings:
            if finding.kind == "wheel_spin" and finding.wheel is not None:
                spinning[WHEELS.index(finding.wheel)] = True
        slow = abs(estimate.speed_mps) <= self._limits.traction_brake_max_speed_mps
        self._count_heat(estimate, dt_s)
        # Braking helps only while another driven wheel of an open differential still grips.
        gripping = sum(d and not s for d, s in zip(self._driven, spinning, strict=True))
        may_brake = drive_asked and slow and gripping > 0 and not self._locked
        for i in range(4):
            self._brake_wheel(i, spinning[i] and may_brake, drive_asked and slow, estimate, dt_s)
        self._limit_throttle(spinning, gripping, may_brake, drive_asked, estimate, dt_s)
        return list(self._wish), self.throttle_limit

    def _brake_wheel(
        self, i: int, spinning: bool, keep: bool, estimate: Estimate, dt_s: float
    ) -> None:
        if self._hot[i] or not keep:
            self._wish[i] = self._integral[i] = 0.0
            return
        if not spinning:
            self._wish[i] = max(0.0, self._wish[i] - dt_s / HOLD_ON_S)
            self._integral[i] = self._wish[i]
            return
        slip = abs(estimate.slip_mps[i]) - self._limits.slip_target_mps
        gain = self._limits.traction_brake_per_mps
        proportional = gain * max(0.0, slip)
        integral = self._integral[i] + INTEGRAL_PER_S * gain * slip * dt_s
        # Anti-windup: the integral holds no more than the brake can still give.
        self._integral[i] = max(0.0, min(integral, MOST_BRAKE - min(proportional, MOST_BRAKE)))
        self._wish[i] = min(MOST_BRAKE, proportional + self._integral[i])

    def _limit_throttle(
        self,
        spinning: list[bool],
        gripping: int,
        may_brake: bool,
        drive_asked: bool,
        estimate: Estimate,
        dt_s: float,
    ) -> None:
        over = self._over(spinning, gripping, may_brake, estimate)
        if over is not None:
            rate = max(-self._limits.throttle_restore_per_s, 3.0 * over)
            rate = min(rate, self._limits.throttle_cut_per_s)
            self.throttle_limit -= rate * dt_s
        else:
            self.throttle_limit += self._limits.throttle_restore_per_s * dt_s
        if not drive_asked:
            self.throttle_limit += 4.0 * self._limits.throttle_restore_per_s * dt_s
        self.throttle_limit = max(LEAST_LIMIT, min(1.0, self.throttle_limit))

    def _over(
        self, spinning: list[bool], gripping: int, may_brake: bool, estimate: Estimate
    ) -> float | None:
        """Slip speed above what less throttle should leave, m/s; None: nothing to limit.

        Two wheels that hang on opposite corners are held by their brakes; less throttle would
        only take torque from the two that carry the rover. So while brakes have something left
        and at least two wheels grip, only a slip that the brakes are late for is cut.
        """
        slips = [abs(s) for s in estimate.slip_mps]
        spent = [
            slips[i]
            for i in range(4)
            if spinning[i] and (self._wish[i] >= MOST_BRAKE or self._hot[i])
        ]
        target = self._limits.slip_target_mps
        over = [min(spent) - target] if spent else []
        if sum(spinning) > 1 or (any(spinning) and not may_brake):
            left = BRAKED_TARGETS * target if may_brake and gripping >= 2 else target
            over.append(min(s for s, spins in zip(slips, spinning, strict=True) if spins) - left)
        return max(over, default=None)

    def _count_heat(self, estimate: Estimate, dt_s: float) -> None:
        """Energy a brake turns into heat, torque times turn rate, less what it sheds."""
        brakes = self._brakes_config
        for i in range(4):
            turn_radps = abs(estimate.wheel_speed_mps[i]) / self._radius_m
            power_w = self._wish[i] * brakes.max_torque_nm * turn_radps
            heat = self._heat_j[i] + (power_w - brakes.cooling_w) * dt_s
            self._heat_j[i] = max(0.0, heat)
            limit = brakes.heat_limit_j * (0.7 if self._hot[i] else 1.0)
            self._hot[i] = self._heat_j[i] > limit

    @property
    def hot(self) -> tuple[bool, ...]:
        """Brakes (4,) that rest because they are hot."""
        return tuple(self._hot)
