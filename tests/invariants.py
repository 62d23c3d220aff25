"""What holds of every decision whatever came in: an observer that checks while a guard steps."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

from slipguard import WHEELS, Config, Decision, Estimate, Guard, Hold, Reading
from slipguard.guard import Engine

LONGEST_STEP_S = 0.5
"""After a longer silence only this much counts as time to slew in."""
MOST_STICK = 1.5
"""What is beyond is no command."""
MOST_STANDS = 20
"""After so many readings in a row without a step in time the clock stands, and one of the IMU's
periods counts for each."""
BRAKE_OVER_S = 0.25 + 1 / 12 + 0.01
"""A traction brake fades over 0.25 s and then follows at the slew rate: after that it is off."""


def number(value: Any) -> float | None:
    """The value as a finite number, or None."""
    try:
        return float(value) if math.isfinite(value) else None
    except (TypeError, ValueError, OverflowError):
        return None


class Watched:
    """Steps a guard and checks every decision against the contract."""

    def __init__(self, config: Config, engine: Engine = "filterpy") -> None:
        self.guard = Guard(config, engine)
        self.config = config
        self.now_s = 0.0  # sum of the steps
        self._t_s: float | None = None
        self._throttle: float | None = None
        self._enabled = True
        self._neutral_seen = False
        self._driven = False
        self._spun_s = [-math.inf] * 4
        self._stopped_s = -math.inf
        self._stands = 0
        self._last: Decision | None = None

    def step(self, reading: Reading) -> Decision:
        dt = self._take(reading)
        decision = self.guard.step(reading)
        self._check_numbers(decision)
        self._check_throttle(decision)
        self._check_brakes(decision, dt)
        self._check_hold(decision)
        self._last = decision
        return decision

    def _take(self, reading: Reading) -> float:
        t, dt = number(reading.t_s), 0.0
        if t is not None and abs(t) <= 1e12:
            if self._t_s is not None:
                dt = min(max(0.0, t - self._t_s), LONGEST_STEP_S)
            self._t_s = t
        self._stands = 0 if dt > 0.0 else self._stands + 1
        if self._stands > MOST_STANDS:
            dt = 1.0 / self.config.imu.rate_hz
        self.now_s += dt
        throttle = number(reading.throttle)
        if throttle is not None and abs(throttle) <= MOST_STICK:
            self._throttle = throttle
        enabled = number(reading.motor_enabled)
        self._enabled = self._enabled if enabled is None else bool(enabled)
        return dt

    def _check_numbers(self, decision: Decision) -> None:
        estimate = decision.estimate
        for f in fields(Estimate):
            value = getattr(estimate, f.name)
            for one in value if isinstance(value, tuple) else (value,):
                assert type(one) in (float, bool), f"{f.name}: {one!r}"
                assert math.isfinite(one), f"{f.name}: {one!r}"
        assert estimate.speed_sd_mps >= 0.0
        assert all(-1.0 <= ratio <= 1.0 for ratio in estimate.slip_ratio)
        for finding in decision.findings:
            assert math.isfinite(finding.value), finding
            assert math.isfinite(finding.threshold), finding
            if not finding.unit:  # what is simply so
                assert (finding.value, finding.threshold) == (1.0, 0.0), finding
            assert finding.detail, finding
            assert finding.wheel is None or finding.wheel in WHEELS

    def _check_throttle(self, decision: Decision) -> None:
        throttle, limit = decision.throttle, decision.throttle_limit
        assert math.isfinite(throttle)
        assert 0.0 <= limit <= 1.0
        assert abs(throttle) <= limit
        asked = self._throttle or 0.0
        assert abs(throttle) <= abs(asked)
        assert throttle * asked >= 0.0
        lost = any(f.kind == "link_lost" for f in decision.findings)
        dead_band = self.config.limits.throttle_dead_band
        if lost or not self._enabled or self._stands > MOST_STANDS:
            self._neutral_seen = False
        elif self._throttle is not None and abs(self._throttle) <= dead_band:
            self._neutral_seen = True
        if not self._neutral_seen:
            assert throttle == 0.0, "driven before neutral was seen"

    def _check_brakes(self, decision: Decision, dt: float) -> None:
        before = self._last.brakes if self._last else decision.brakes  # a hold is there at once
        most = self.config.brakes.slew_per_s * dt + 1e-9
        for i, (now, then) in enumerate(zip(decision.brakes, before, strict=True)):
            assert 0.0 <= now <= 1.0
            assert abs(now - then) <= most, "brake slew"
            spins = any(f.kind == "wheel_spin" and f.wheel == WHEELS[i] for f in decision.findings)
            if spins:
                self._spun_s[i] = self.now_s
        if decision.hold is Hold.STOPPING:  # each brake as its own ground allows
            self._stopped_s = self.now_s
        gripping = {
            round(brake, 9)
            for brake, spun in zip(decision.brakes, self._spun_s, strict=True)
            if self.now_s - max(spun, self._stopped_s) > BRAKE_OVER_S
        }
        assert len(gripping) <= 1, "a wheel that does not spin is braked more than another"

    def _check_hold(self, decision: Decision) -> None:
        before = self._last.hold if self._last else Hold.HOLDING
        if before is Hold.HOLDING and decision.hold is not Hold.HOLDING:
            if decision.hold is Hold.RELEASING:
                assert self._neutral_seen, "a hold let go before neutral was seen"
                assert self._enabled, "a hold let go with the motor disabled"
                assert abs(self._throttle or 0.0) > self.config.limits.throttle_dead_band
            else:  # a new guard found the rover moving
                assert not self._driven, f"a hold let go: {decision.hold}"
                assert not decision.estimate.at_rest
        self._driven = self._driven or decision.hold is not Hold.HOLDING
