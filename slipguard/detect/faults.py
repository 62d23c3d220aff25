"""Sensors that do not deliver, or deliver what cannot be."""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.detect.counting import TOO_MUCH, OverCounting
from slipguard.detect.found import CLOCK, COMMAND, ENCODER, IMU, PLACES, Found
from slipguard.detect.jitter import TOO_MUCH_SD, CountJitter
from slipguard.estimate import Estimate
from slipguard.finding import NEVER_S
from slipguard.frame import GAP_S, IMU_LOST_S, NEVER_GIVEN_S, Frame
from slipguard.settings import GRAVITY_MPS2

LINGER_S = 1.0
"""A fault that lasted one sample is still said for so long, so that nobody misses it."""
GRAVITY_OFF_MPS2 = 2.0  # from 9.81 m/s2, at rest, and
GRAVITY_S = 0.3  # for so long: a scale or a mounting that is wrong
CONTRADICTED_S = 0.5  # for so long wheels contradict the accelerometer
DEAD_TRAVEL_M = 0.08  # predicted without a count, but
DEAD_COUNTS = 3.0  # at the least, and
DEAD_TIME_S = 0.045  # for so long: a dead encoder
DRAGGED_SHARE = 0.25
"""Share of the travel that counts while the motor drags: it may stop a wheel on the slickest
ground, though hardly for long."""
BACK_TURNS = 1.25
"""Turns a broken encoder must count well to be believed again: a gap may come round once a turn."""

NO_SAMPLE, WRONG_GRAVITY, CONTRADICTED, NO_ACCEL_SAMPLE, NO_GYRO_SAMPLE = 6, 7, 8, 9, 10
UPSIDE_DOWN = 11
"""Codes of the IMU, beside those in ``frame.py``."""
COUNTS_JUMP, NO_DATA, NO_COUNT, COUNTS_TOO_MUCH, JITTER = 1, 2, 3, 4, 5
"""Codes of an encoder."""


class SensorFaults:
    """Watches each sensor; a fault is one finding per sensor.

    Attributes
    ----------
    broken : list of 4 bool
        Wheels whose encoder is silent, or held to be dead or to count wrong.
    """

    def __init__(self, config: Config) -> None:
        self._seen = [False] * PLACES  # in this step
        self._left_s = [0.0] * PLACES  # for which a fault that is over will still be said
        self._heavy_s = 0.0
        self._hangs_s = 0.0
        self._dead_s = [0.0] * 4
        self._no_count_m = [0.0] * 4
        self._gap_m = [0.0] * 4  # longest travel without a count of a dead encoder, or 0
        self._back_m = [0.0] * 4  # travel counted since then
        self._turn_m = 2.0 * math.pi * config.rover.wheel_radius_m
        self._last_travel = [0.0] * 4
        self._dead_travel_m = max(DEAD_TRAVEL_M, DEAD_COUNTS * config.count_m)
        self._over = OverCounting(config.count_m)
        self._directed = config.encoders.directed
        self._jitter = CountJitter(BACK_TURNS * self._turn_m, config.count_m)
        self.broken = [False] * 4

    def step(
        self,
        frame: Frame,
        estimate: Estimate,
        may_lock: Sequence[bool],
        braked: Sequence[bool],
        found: Found,
    ) -> None:
        """Look at each sensor.

        ``may_lock``, ``braked`` (4,): whether anything could hold that wheel back, and whether
        a brake or the motor could stop it for long.
        """
        t_s = estimate.t_s
        for place in range(CLOCK, ENCODER + 4):
            self._seen[place] = False
        if frame.gap:
            self._see(CLOCK, frame.clock_code, t_s, frame.clock_jump_s, GAP_S, found)
        elif frame.clock_jump_s:
            self._see(CLOCK, frame.clock_code, t_s, frame.clock_jump_s, 0.0, found)
        elif frame.clock_code:
            self._see(CLOCK, frame.clock_code, t_s, 1.0, 0.0, found)
        if frame.imu_code:
            self._see(IMU, frame.imu_code, t_s, 1.0, 0.0, found)
        elif frame.imu_age_s > IMU_LOST_S and frame.running_s > NEVER_GIVEN_S:
            code = NO_SAMPLE
            if frame.accel_age_s <= IMU_LOST_S:
                code = NO_GYRO_SAMPLE
            elif frame.gyro_age_s <= IMU_LOST_S:
                code = NO_ACCEL_SAMPLE
            self._see(IMU, code, t_s, min(frame.imu_age_s, NEVER_S), IMU_LOST_S, found)
        x, y, z = frame.accel[0], frame.accel[1], frame.accel[2]
        off = abs(math.sqrt(x * x + y * y + z * z) - GRAVITY_MPS2)
        if frame.imu_new:
            heavy = estimate.at_rest and off > GRAVITY_OFF_MPS2
            hangs = estimate.at_rest and z < -0.5 * GRAVITY_MPS2
            self._heavy_s = self._heavy_s + frame.imu_dt_s if heavy else 0.0
            self._hangs_s = self._hangs_s + frame.imu_dt_s if hangs else 0.0
        if self._heavy_s > GRAVITY_S:
            self._see(IMU, WRONG_GRAVITY, t_s, off, GRAVITY_OFF_MPS2, found)
        elif self._hangs_s > GRAVITY_S:
            self._see(IMU, UPSIDE_DOWN, t_s, z, -0.5 * GRAVITY_MPS2, found)
        doubted_s = estimate.accel_doubted_s
        if doubted_s > CONTRADICTED_S:
            self._see(IMU, CONTRADICTED, t_s, doubted_s, CONTRADICTED_S, found)
        if frame.command_fault:
            self._see(COMMAND, 1, t_s, 1.0, 0.0, found)
        self._over.step(frame.dt_s, estimate)
        if self._directed:  # where direction is a guess, a wrong one looks like a way back
            self._jitter.step(frame, estimate)
        moving = abs(estimate.speed_mps) > 3.0 * estimate.speed_sd_mps + 0.05
        telling = moving and not estimate.coasting
        for i in range(4):
            place = ENCODER + i
            late_s, excess = frame.wheel_age_s[i], self._over.excess[i]
            jitter_sd = self._jitter.worst_sd[i]
            # Once an encoder had a gap, the next one is no lock.
            dragged = may_lock[i] and self._gap_m[i] == 0.0
            # A wheel that did not report may have counted.
            speaks_s = frame.wheel_dt_s[i] if frame.wheel_new[i] else 0.0
            speaks_s *= DRAGGED_SHARE if dragged else 1.0
            if frame.wheel_jump[i]:
                self._see(place, COUNTS_JUMP, t_s, 1.0, 0.0, found)
            elif frame.wheel_silent[i]:
                self._see(place, NO_DATA, t_s, min(late_s, NEVER_S), frame.silent_after_s[i], found)
            elif self._is_dead(i, speaks_s, estimate, telling and not braked[i]):
                self._see(place, NO_COUNT, t_s, self._gap_m[i], self._dead_travel_m, found)
            elif excess > 0.0:
                self._see(place, COUNTS_TOO_MUCH, t_s, 100 * excess, 100 * TOO_MUCH, found)
            elif jitter_sd > TOO_MUCH_SD:
                self._see(place, JITTER, t_s, jitter_sd, TOO_MUCH_SD, found)
            wrong = self._gap_m[i] > 0.0 or excess > 0.0 or jitter_sd > TOO_MUCH_SD
            self.broken[i] = wrong or frame.wheel_silent[i]
        self._let_linger(frame.dt_s, found)

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

    def _see(
        self, place: int, code: int, t_s: float, value: float, threshold: float, found: Found
    ) -> None:
        self._seen[place] = True
        since_s = found.since_s[place] if found.code[place] else t_s
        found.put(place, code, since_s, value if math.isfinite(value) else 0.0, threshold)

    def _let_linger(self, dt_s: float, found: Found) -> None:
        for place in range(CLOCK, ENCODER + 4):
            if self._seen[place]:
                self._left_s[place] = LINGER_S
            elif self._left_s[place] <= dt_s:
                self._left_s[place] = 0.0
                found.code[place] = 0
            else:
                self._left_s[place] -= dt_s
