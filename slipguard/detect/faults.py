"""Sensors that do not deliver, or deliver what cannot be."""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.detect.counting import TOO_MUCH, OverCounting
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.frame import GAP_S, Frame
from slipguard.reading import WHEELS
from slipguard.settings import GRAVITY_MPS2

LINGER_S = 1.0
"""A fault that lasted one sample is still said for so long, so that nobody misses it."""
NEVER_GIVEN_S = 1.0
IMU_MISSING_S = 0.1
GRAVITY_OFF_MPS2 = 2.0
GRAVITY_S = 0.3
WRONG_GRAVITY = "the accelerometer at rest is far from 9.8 m/s2: another unit, or a broken sensor"
CONTRADICTED_S = 0.5
CONTRADICTED = "the accelerometer contradicts all wheels, which carry the speed alone"
DEAD_TRAVEL_M = 0.08
DEAD_COUNTS = 3.0
DEAD_TIME_S = 0.05
DRAGGED_SHARE = 0.25
"""Share of the travel that counts while the motor drags or drives against the motion: it may stop
a wheel on the slickest ground, though hardly for long."""
BACK_TURNS = 1.25
"""Turns a dead encoder must count again before it is believed: a gap may come round once a turn."""


class SensorFaults:
    """Watches each sensor; a fault is one finding per sensor."""

    def __init__(self, config: Config) -> None:
        self._wheel_late_s = max(0.5, 5.0 / config.encoders.rate_hz)
        self._since: dict[tuple[str, str | None], float] = {}
        self._last: dict[tuple[str, str | None], tuple[float, Finding]] = {}
        self._running_s = 0.0
        self._heavy_s = 0.0
        self._dead_s = [0.0] * 4
        self._no_count_m = [0.0] * 4
        self._gap_m = [0.0] * 4  # longest travel without a count of a dead encoder, or 0
        self._back_m = [0.0] * 4  # travel counted since then
        self._turn_m = 2.0 * math.pi * config.rover.wheel_radius_m
        self._last_travel = [0.0] * 4
        self._dead_travel_m = max(DEAD_TRAVEL_M, DEAD_COUNTS * config.count_m)
        self._over = OverCounting(config.count_m)

    def step(
        self,
        frame: Frame,
        estimate: Estimate,
        may_lock: tuple[bool, ...],
        braked: tuple[bool, ...],
    ) -> list[Finding]:
        """Findings now.

        ``may_lock``, ``braked`` (4,): whether anything could hold that wheel back, and whether
        its brake could.
        """
        self._running_s += frame.dt_s
        seen: list[tuple[str, str | None, float, float, str, str]] = []
        if frame.gap:
            seen.append(("clock", None, frame.clock_jump_s, GAP_S, "s", frame.clock_fault))
        elif frame.clock_jump_s:
            seen.append(("clock", None, frame.clock_jump_s, 0.0, "s", frame.clock_fault))
        elif frame.clock_fault:
            seen.append(("clock", None, 1.0, 0.0, "", frame.clock_fault))
        if frame.imu_fault:
            seen.append(("imu", None, 1.0, 0.0, "", frame.imu_fault))
        elif frame.imu_age_s > IMU_MISSING_S and self._running_s > NEVER_GIVEN_S:
            seen.append(
                ("imu", None, min(frame.imu_age_s, 1e6), IMU_MISSING_S, "s", "no IMU sample")
            )
        x, y, z = frame.accel
        weight = math.sqrt(x * x + y * y + z * z)
        wrong = frame.imu_new and estimate.at_rest and abs(weight - GRAVITY_MPS2) > GRAVITY_OFF_MPS2
        self._heavy_s = self._heavy_s + frame.dt_s if wrong else 0.0
        if self._heavy_s > GRAVITY_S:
            off = abs(weight - GRAVITY_MPS2)
            seen.append(("imu", None, off, GRAVITY_OFF_MPS2, "m/s2", WRONG_GRAVITY))
        doubted_s = estimate.accel_doubted_s
        if doubted_s > CONTRADICTED_S:
            seen.append(("imu", None, doubted_s, CONTRADICTED_S, "s", CONTRADICTED))
        if frame.command_fault:
            seen.append(("command", None, 1.0, 0.0, "", "a command value is no number"))
        self._over.step(frame.dt_s, estimate)
        moving = abs(estimate.speed_mps) > 3.0 * estimate.speed_sd_mps + 0.05
        telling = moving and not estimate.coasting
        for i, wheel in enumerate(WHEELS):
            if frame.wheel_jump[i]:
                seen.append(("encoder", wheel, 1.0, 0.0, "", "counts jump"))
            elif frame.wheel_age_s[i] > self._wheel_late_s and self._running_s > NEVER_GIVEN_S:
                age = min(frame.wheel_age_s[i], 1e6)
                seen.append(("encoder", wheel, age, self._wheel_late_s, "s", "no wheel data"))
            elif self._is_dead(
                i,
                frame.dt_s * (DRAGGED_SHARE if may_lock[i] else 1.0),
                estimate,
                telling and not braked[i],
            ):
                travel = self._gap_m[i]
                seen.append(
                    (
                        "encoder",
                        wheel,
                        travel,
                        self._dead_travel_m,
                        "m",
                        "no count while the rover moves",
                    )
                )
            elif (excess := self._over.excess[i]) is not None:
                share, most = 100 * excess, 100 * TOO_MUCH
                seen.append(("encoder", wheel, share, most, "%", "counts more than the others"))
        if not seen and not self._last:
            return []
        return self._findings(seen, estimate.t_s, frame.dt_s)

    def is_broken(self, wheel: int) -> bool:
        """Whether that wheel's encoder is held to be dead or to count wrong."""
        return self._gap_m[wheel] > 0.0 or self._over.excess[wheel] is not None

    def _is_dead(self, i: int, dt_s: float, estimate: Estimate, must_turn: bool) -> bool:
        """Whether wheel i counts nothing, or did not a turn ago.

        ``dt_s``: the time that speaks against it. ``must_turn``: it moves, and nothing holds it.
        """
        step = estimate.wheel_travel_m[i] - self._last_travel[i]
        if step != 0.0:
            self._last_travel[i] += step
            self._no_count_m[i] = self._dead_s[i] = 0.0
            self._back_m[i] += abs(step)
            if self._back_m[i] > BACK_TURNS * self._turn_m:
                self._gap_m[i] = 0.0
            return self._gap_m[i] > 0.0
        if must_turn:
            ground = estimate.wheel_speed_mps[i] - estimate.slip_mps[i]
            self._no_count_m[i] += abs(ground) * dt_s
            self._dead_s[i] += dt_s
        if self._no_count_m[i] > self._dead_travel_m and self._dead_s[i] > DEAD_TIME_S:
            self._back_m[i] = 0.0
            self._gap_m[i] = max(self._gap_m[i], self._no_count_m[i])
        return self._gap_m[i] > 0.0

    def _findings(
        self,
        seen: list[tuple[str, str | None, float, float, str, str]],
        t_s: float,
        dt_s: float,
    ) -> list[Finding]:
        for sensor, wheel, value, threshold, unit, detail in seen:
            key = (sensor, wheel)
            since = self._since.setdefault(key, t_s)
            name = f"{sensor} {wheel}" if wheel else sensor
            self._last[key] = (
                LINGER_S,
                Finding(
                    kind="sensor_fault",
                    wheel=wheel,
                    since_s=since,
                    value=value if math.isfinite(value) else 0.0,
                    threshold=threshold,
                    unit=unit,
                    detail=f"{name}: {detail}",
                    sensor=sensor,
                ),
            )
        now = {(sensor, wheel) for sensor, wheel, *_ in seen}
        for key in list(self._last):
            if key in now:
                continue
            left, finding = self._last[key]
            if left <= dt_s:
                del self._last[key]
                del self._since[key]
            else:
                self._last[key] = (left - dt_s, finding)
        return [finding for _, finding in self._last.values()]
