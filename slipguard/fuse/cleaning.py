"""Plain numbers -> Frame: keep what is physically possible, remember what is missing.

What a reading holds has been made plain numbers before (``plain.py`` does it for any reading):
what did not come is ``ABSENT``, and what came but is no number is infinite or nan. Every rule of
the intake is here, once, for readings one by one and for whole drives that run compiled. So the
state is numbers and lists of them whose length never changes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.frame import (
    ACCEL_SATURATED,
    AHEAD,
    BACKWARD,
    FROZEN,
    GAP_S,
    GOOD,
    GYRO_SATURATED,
    NEVER_GIVEN_S,
    NO_ACCEL,
    NO_GYRO,
    NO_TIME,
    STANDS,
    Frame,
)
from slipguard.fuse.plain import ABSENT

FROZEN_SAMPLES, FROZEN_S, FROZEN_PERIODS = 20, 0.09, 4.5
"""So many identical IMU samples in a row are a frozen sensor: real ones carry noise. They must last
so long, and so many of its periods: a fast loop may hand on one sample many times."""
MOST_STANDS = 20
"""So many readings in a row whose time does not go on: the clock stands. A few may share a time."""
SILENT_S, SILENT_PERIODS = 0.15, 5.0
"""A wheel is silent after so long, so many of its stated periods, and so many of those it keeps:"""
USUAL_PERIODS, USUAL_GAIN, FIRST_S = 3.0, 0.1, 0.5
"""its mean period is learnt with this gain, from a limit of ``FIRST_S`` on."""
HELD = 0.95
"""Share of a period within which four equal counts are those of before, handed on once more."""
BACK_S = 0.5
"""After so long a silence what was counted meanwhile is not taken: what counts may have started
again."""
ANEW_COUNTS, ANEW_FROM, ANEW_PERIODS = 2.0, 20.0, 2.5
"""Counters that are all so near zero, and were all so far from it, began anew: after a silence of
so many periods, or if they would have come that way faster than before."""
WRAPS = (2.0**15, 2.0**16, 2.0**31, 2.0**32)
"""Counter widths met in practice; common practice, no source."""
SPIN_UP = 5.0
"""A free wheel behind three open differentials turns up to four times as fast as the road
speed the motor could drive; the rest is margin."""
MOST_TIME_S = 1e12  # beyond which a step of a millisecond is lost in rounding
MOST_STICK = 1.5
"""A stick may overshoot its end points; a value beyond this is in other units."""
MOST_COUNT = 1e15  # beyond which one count is lost in rounding


def rotation_from_sensor(
    rotation_deg: tuple[float, float, float],
) -> tuple[tuple[float, ...], ...]:
    """Rows of the matrix that turns sensor axes into body axes (yaw, pitch, roll order)."""
    roll, pitch, yaw = (math.radians(a) for a in rotation_deg)
    cr, sr, cp, sp, cy, sy = (
        math.cos(roll),
        math.sin(roll),
        math.cos(pitch),
        math.sin(pitch),
        math.cos(yaw),
        math.sin(yaw),
    )
    return (
        (cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr),
        (sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr),
        (-sp, cp * sr, cp * cr),
    )


class Cleaning:
    """Cleans plain numbers, reading by reading, into a frame."""

    def __init__(self, config: Config) -> None:
        imu, enc, rover = config.imu, config.encoders, config.rover
        self._turned = imu.rotation_deg != (0.0, 0.0, 0.0)
        self._rows = rotation_from_sensor(imu.rotation_deg)
        self._accel_range = float(imu.accel_range_mps2)
        self._gyro_range = float(imu.gyro_range_radps)
        self._accel_bias = [float(v) for v in imu.accel_bias_mps2]
        self._gyro_bias = [float(v) for v in imu.gyro_bias_radps]
        self._counted = enc.kind == "counts"
        self._one_channel = enc.one_channel
        self._max_steer_rad = math.radians(rover.max_steer_deg)
        # What no wheel can exceed: rad/s and, where wheels are counted, counts a second.
        self._top_radps = SPIN_UP * rover.top_speed_mps / rover.wheel_radius_m
        self._top_count_rate = (
            SPIN_UP * rover.top_speed_mps / config.count_m if self._counted else 0.0
        )
        self._last_counts = [math.nan] * 4
        self._timed = False
        self._same_imu = [0, 0]  # samples in a row: of the accelerometer, of the gyro
        self._last_imu = [math.nan] * 6
        self._frozen_s = max(FROZEN_S, FROZEN_PERIODS / imu.rate_hz)
        self._nominal_s = 1.0 / imu.rate_hz
        self._stands = 0
        self._held_s = HELD / enc.rate_hz
        self._anew_s = ANEW_PERIODS / enc.rate_hz
        self._silent_s = max(SILENT_S, SILENT_PERIODS / enc.rate_hz)
        self._usual_s = [FIRST_S / USUAL_PERIODS] * 4
        self._unread_s = math.nan  # time since a throttle that was no number; nan: it is one

    def take(self, plain: Sequence[float], frame: Frame) -> None:
        """Clean one reading. ``plain`` (``N_PLAIN``,): its numbers."""
        frame.clock_code = self._take_time(plain[0], frame)
        frame.imu_new = False
        if plain[1] != ABSENT or plain[4] != ABSENT:
            frame.imu_code = self._take_imu(
                plain[1], plain[2], plain[3], plain[4], plain[5], plain[6], frame
            )
        held = self._counted and self._is_held(plain, frame)
        anew = self._counted and not held and self._begins_anew(plain, frame)
        for i in range(4):
            self._take_wheel(i, ABSENT if held else plain[7 + i], anew, frame)
            position = plain[15 + i]
            if position != ABSENT:
                frame.brake_position[i] = position if math.isfinite(position) else math.nan
        frame.command_fault = False
        self._take_command(plain[11], plain[12], plain[13], frame)
        self._take_age(plain[14], frame)

    def _take_time(self, t_s: float, frame: Frame) -> int:
        frame.clock_jump_s = 0.0
        frame.gap = False
        fault, dt = GOOD, 0.0
        if not math.isfinite(t_s) or abs(t_s) > MOST_TIME_S:
            fault = NO_TIME
        else:
            if not self._timed:
                frame.t_s = t_s
                self._timed = True
            dt = t_s - frame.t_s
            frame.t_s = t_s
            if dt < 0.0:
                fault, frame.clock_jump_s = BACKWARD, -dt
                dt = 0.0
            elif dt > GAP_S:
                fault, frame.clock_jump_s = AHEAD, dt
                frame.gap = True
                dt = GAP_S
        self._stands = 0 if dt > 0.0 else self._stands + 1
        frame.timeless = self._stands > MOST_STANDS
        if frame.timeless:  # ages must grow and brakes move all the same
            dt = self._nominal_s
            if fault == GOOD:
                fault = STANDS
        frame.dt_s = dt
        frame.running_s += dt
        frame.accel_age_s += dt
        frame.gyro_age_s += dt
        for i in range(4):
            age_s = frame.wheel_age_s[i] + dt
            limit_s = max(self._silent_s, USUAL_PERIODS * self._usual_s[i])
            frame.wheel_age_s[i] = age_s
            frame.silent_after_s[i] = limit_s
            given = math.isfinite(age_s) or frame.running_s > NEVER_GIVEN_S
            frame.wheel_silent[i] = given and age_s > limit_s
        return fault

    def _take_imu(
        self, ax: float, ay: float, az: float, gx: float, gy: float, gz: float, frame: Frame
    ) -> int:
        has_accel, has_gyro = ax != ABSENT, gx != ABSENT
        if has_accel:
            if not (math.isfinite(ax) and math.isfinite(ay) and math.isfinite(az)):
                return NO_ACCEL
            if max(abs(ax), abs(ay), abs(az)) >= self._accel_range:
                return ACCEL_SATURATED
        if has_gyro:
            if not (math.isfinite(gx) and math.isfinite(gy) and math.isfinite(gz)):
                return NO_GYRO
            if max(abs(gx), abs(gy), abs(gz)) >= self._gyro_range:
                return GYRO_SATURATED
        last = self._last_imu
        # What is repeated tells nothing of now, be the sensor slow or frozen.
        same = self._same_imu
        if has_accel:
            same[0] = same[0] + 1 if ax == last[0] and ay == last[1] and az == last[2] else 0
        if has_gyro:
            same[1] = same[1] + 1 if gx == last[3] and gy == last[4] and gz == last[5] else 0
        if has_accel and same[0] == 0:
            last[0], last[1], last[2] = ax, ay, az
            bias = self._accel_bias
            self._to_body(ax - bias[0], ay - bias[1], az - bias[2], frame.accel)
            frame.imu_new = True
            frame.imu_dt_s = frame.accel_age_s if math.isfinite(frame.accel_age_s) else 0.0
            frame.accel_age_s = 0.0
        if has_gyro and same[1] == 0:
            last[3], last[4], last[5] = gx, gy, gz
            bias = self._gyro_bias
            self._to_body(gx - bias[0], gy - bias[1], gz - bias[2], frame.gyro)
            frame.gyro_age_s = 0.0
        frozen_accel = same[0] >= FROZEN_SAMPLES and frame.accel_age_s > self._frozen_s
        frozen_gyro = same[1] >= FROZEN_SAMPLES and frame.gyro_age_s > self._frozen_s
        return FROZEN if frozen_accel or frozen_gyro else GOOD

    def _to_body(self, x: float, y: float, z: float, out: list[float]) -> None:
        if not self._turned:
            out[0], out[1], out[2] = x, y, z
            return
        for j in range(3):
            row = self._rows[j]
            out[j] = row[0] * x + row[1] * y + row[2] * z

    def _is_held(self, plain: Sequence[float], frame: Frame) -> bool:
        """Whether these are the counts of before, handed on until the next ones come."""
        for i in range(4):
            if plain[7 + i] != self._last_counts[i] or frame.wheel_age_s[i] >= self._held_s:
                return False
        return True

    def _begins_anew(self, plain: Sequence[float], frame: Frame) -> bool:
        """Whether all four counters fell back to zero, as when what counts starts again."""
        for i in range(4):
            count, last = plain[7 + i], self._last_counts[i]
            if not (abs(count) <= ANEW_COUNTS and abs(last) >= ANEW_FROM):
                return False
            usual = 2.0 * abs(frame.wheel_step[i]) + ANEW_FROM
            step = count - last
            if abs(step) < usual and frame.wheel_age_s[i] < self._anew_s:
                return False
            if abs(step) >= usual and abs(self._unwrapped(step, usual)) < usual:
                return False
        return True

    def _take_wheel(self, i: int, value: float, anew: bool, frame: Frame) -> None:
        frame.wheel_jump[i] = frame.wheel_back[i] = False
        if not abs(value) <= MOST_COUNT:
            frame.wheel_new[i] = False
            return
        age_s = min(frame.wheel_age_s[i], FIRST_S)
        self._usual_s[i] += USUAL_GAIN * (age_s - self._usual_s[i])
        if self._counted:
            self._take_count(i, value, anew, frame)
        elif abs(value) <= self._top_radps:
            self._take_speed(i, value, frame)
        else:
            frame.wheel_new[i] = False
            frame.wheel_jump[i] = True

    def _take_speed(self, i: int, radps: float, frame: Frame) -> None:
        age = frame.wheel_age_s[i]
        frame.wheel_new[i] = True
        frame.wheel_silent[i] = False
        frame.wheel_dt_s[i] = age if math.isfinite(age) else 0.0
        frame.wheel_radps[i] = radps
        frame.wheel_age_s[i] = 0.0

    def _take_count(self, i: int, count: float, anew: bool, frame: Frame) -> None:
        last, age = self._last_counts[i], frame.wheel_age_s[i]
        frame.wheel_back[i] = frame.wheel_silent[i] and age > BACK_S
        frame.wheel_silent[i] = False
        self._last_counts[i] = count
        frame.wheel_new[i] = True
        frame.wheel_age_s[i] = 0.0
        frame.wheel_step[i] = 0.0
        frame.wheel_dt_s[i] = 0.0
        if math.isnan(last) or frame.wheel_back[i]:
            return
        frame.wheel_dt_s[i] = age
        if anew:
            frame.wheel_jump[i] = True
            return
        possible = self._top_count_rate * max(age, 0.001) + 2.0
        step = count - last
        if abs(step) > possible:
            step = self._unwrapped(step, possible)
            if abs(step) > possible:
                frame.wheel_jump[i] = True
                return
        if self._one_channel and step < 0.0:
            frame.wheel_jump[i] = True
            return
        frame.wheel_step[i] = step

    def _unwrapped(self, step: float, possible: float) -> float:
        """The step of a counter that began anew; as it was where no width explains it."""
        for wrap in WRAPS:
            wrapped = step - math.copysign(wrap, step)
            if abs(wrapped) <= possible:
                return wrapped
        return step

    def _take_command(self, throttle: float, steer: float, enabled: float, frame: Frame) -> None:
        if throttle != ABSENT:
            if abs(throttle) <= MOST_STICK:
                frame.throttle = max(-1.0, min(1.0, throttle))
                self._unread_s = math.nan
            else:
                frame.command_fault = True
                if math.isnan(self._unread_s):
                    self._unread_s = 0.0
        if steer != ABSENT:
            if abs(steer) <= MOST_STICK:
                frame.steer_rad = max(-1.0, min(1.0, steer)) * self._max_steer_rad
            else:
                frame.command_fault = True
        if enabled != ABSENT:
            if math.isfinite(enabled):
                frame.motor_enabled = enabled != 0.0
            else:
                frame.command_fault = True
        if not math.isnan(frame.throttle):
            frame.drive = frame.throttle if frame.motor_enabled else 0.0

    def _take_age(self, age_s: float, frame: Frame) -> None:
        if age_s >= 0.0:  # infinite: there never was one
            frame.command_age_s = age_s
        elif age_s == ABSENT:
            frame.command_age_s += frame.dt_s  # no news: it grows older
        else:  # no number: so it does, from now on where it was not known
            frame.command_fault = True
            known_s = frame.command_age_s
            frame.command_age_s = (0.0 if math.isnan(known_s) else known_s) + frame.dt_s
        if not math.isnan(self._unread_s):
            # A throttle that is no number is no command: the last good one grows older.
            self._unread_s += frame.dt_s
            known = not math.isnan(frame.command_age_s)
            frame.command_age_s = max(frame.command_age_s if known else 0.0, self._unread_s)
