"""Findings -> decision: traction, hold and throttle put together, slew-limited."""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.frame import Frame
from slipguard.reading import WHEELS, Quad
from slipguard.respond.alerts import Alerts, Level
from slipguard.respond.hold import HillHold
from slipguard.respond.throttle import ThrottleGate
from slipguard.respond.traction import Traction

LIMIT_SLEW_PER_S = 15.0
BRAKE_MISMATCH = 0.3
BRAKE_MISMATCH_S = 0.5


class Responder:
    """Owns the reactions and the state of the outputs."""

    def __init__(self, config: Config) -> None:
        self._slew = config.brakes.slew_per_s
        self._gate = ThrottleGate(config)
        self._traction = Traction(config)
        self._hold = HillHold(config)
        self._alerts = Alerts(config)
        self.brakes: Quad = (0.0, 0.0, 0.0, 0.0)
        self._limit = 1.0
        self._mismatch_s = [0.0] * 4

    def step(self, frame: Frame, estimate: Estimate, findings: tuple[Finding, ...]) -> Decision:
        """What to do now."""
        dt = frame.dt_s
        kinds = {f.kind for f in findings}
        link_lost = "link_lost" in kinds
        blind = estimate.coasting and any(f.sensor == "imu" for f in findings)
        self._gate.step(frame, link_lost)
        asked = self._gate.asked(frame)
        must_stop = link_lost or not frame.motor_enabled
        held = self._hold.step(
            estimate,
            asked=asked,
            throttle=max(-self._limit, min(self._limit, frame.throttle or 0.0)),
            must_stop=must_stop,
            rolling="rolling" in kinds,
            neutral=self._gate.neutral(frame),
            blind=blind,
            broken=frozenset(
                WHEELS.index(f.wheel) for f in findings if f.sensor == "encoder" and f.wheel
            ),
            dt_s=dt,
        )
        wishes, traction_limit = self._traction.step(estimate, findings, asked != 0, dt)
        self.brakes = self._slewed([max(w, h) for w, h in zip(wishes, held, strict=True)], dt)
        limit = min(traction_limit, self._gate.speed_limit(estimate, blind))
        most = LIMIT_SLEW_PER_S * dt
        self._limit += max(-most, min(most, limit - self._limit))
        throttle = 0.0
        if asked and frame.throttle is not None and not must_stop:
            throttle = max(-self._limit, min(self._limit, frame.throttle))
        working = self._working_brakes(frame, dt)
        states: dict[str, tuple[Level, str] | None] = {
            "throttle_latched": (
                "info",
                "throttle stays at zero until the stick was in neutral",
            )
            if self._gate.latched and frame.throttle
            else None,
            "brake_hot": (
                "warning",
                "a brake is hot and rests: "
                + " ".join(w for w, h in zip(WHEELS, self._traction.hot, strict=True) if h),
            )
            if any(self._traction.hot)
            else None,
            "brakes_failing": (
                "critical",
                "fewer than two brakes answer: open differentials let the rover roll on one",
            )
            if working < 2
            else None,
        }
        return Decision(
            t_s=frame.t_s,
            throttle=throttle,
            throttle_limit=self._limit,
            brakes=self.brakes,
            findings=findings,
            alerts=self._alerts.step(
                frame.t_s, findings, self._hold.phase, states, self._hold.held_s
            ),
            hold=self._hold.phase,
            estimate=estimate,
        )

    def _slewed(self, wishes: list[float], dt_s: float) -> Quad:
        most = self._slew * dt_s
        out = []
        for now, wish in zip(self.brakes, wishes, strict=True):
            target = max(0.0, min(1.0, wish))
            out.append(now + max(-most, min(most, target - now)))
        return (out[0], out[1], out[2], out[3])

    def _working_brakes(self, frame: Frame, dt_s: float) -> int:
        """Brakes that follow their command, as far as their position is measured."""
        if frame.brake_position is None:
            return 4
        working = 0
        for i in range(4):
            measured = frame.brake_position[i] if i < len(frame.brake_position) else None
            if measured is None or not math.isfinite(measured):
                working += 1
                continue
            off = self.brakes[i] - measured > BRAKE_MISMATCH
            self._mismatch_s[i] = self._mismatch_s[i] + dt_s if off else 0.0
            working += self._mismatch_s[i] < BRAKE_MISMATCH_S
        return working
