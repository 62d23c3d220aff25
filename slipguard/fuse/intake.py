"""Reading -> Frame: keep what is physically possible, remember what is missing.

Everything after this works on finite numbers of known age. What had to be dropped is noted on
the frame; the detectors turn it into findings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.frame import GAP_S, Frame
from slipguard.reading import WHEELS, MaybeQuad, Reading

FROZEN_SAMPLES = 20
"""So many identical IMU samples in a row are a frozen sensor: real ones carry noise."""
WRAPS = (2**15, 2**16, 2**31, 2**32)
"""Counter widths met in practice; common practice, no source."""
SPIN_UP = 5.0
"""A free wheel behind three open differentials turns up to four times as fast as the road
speed the motor could drive; the rest is margin."""


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


def finite(value: object) -> bool:
    """Whether a value is a number one can calculate with."""
    try:
        return math.isfinite(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return False


def _triple(values: Sequence[float] | None) -> tuple[float, float, float] | None:
    if values is None:
        return None
    try:
        x, y, z = values
        if math.isfinite(x) and math.isfinite(y) and math.isfinite(z):
            return (float(x), float(y), float(z))
    except (TypeError, ValueError, OverflowError):
        pass
    return (math.nan, math.nan, math.nan)


def _quad(values: MaybeQuad | None) -> tuple[float | None, ...]:
    """Four values, each a finite number or None; all None when they are not four."""
    try:
        four = tuple(values)  # type: ignore[arg-type]
    except TypeError:  # None, or a single value
        four = ()
    if len(four) != len(WHEELS):
        return (None,) * len(WHEELS)
    return tuple(float(v) if v is not None and finite(v) else None for v in four)


class Intake:
    """Cleans readings one after the other."""

    def __init__(self, config: Config) -> None:
        imu, enc, rover = config.imu, config.encoders, config.rover
        self._imu = imu
        self._turned = imu.rotation_deg != (0.0, 0.0, 0.0)
        self._rows = rotation_from_sensor(imu.rotation_deg)
        self._counts = enc.kind == "counts"
        self._one_channel = enc.one_channel
        self._max_steer_rad = math.radians(rover.max_steer_deg)
        # What no wheel can exceed: rad/s and, where wheels are counted, counts a second.
        self._top_radps = SPIN_UP * rover.top_speed_mps / rover.wheel_radius_m
        self._top_count_rate = (
            SPIN_UP * rover.top_speed_mps / config.count_m if self._counts else 0.0
        )
        self._last_counts: list[float | None] = [None] * 4
        self._timed = False
        self._unread_s: float | None = None  # time since a throttle that was no number
        self._same_imu = 0
        self._last_imu: tuple[object, object] | None = None
        self.frame = Frame()

    def take(self, reading: Reading) -> Frame:
        """The frame for this reading. The same object each time, overwritten."""
        frame = self.frame
        self._take_time(reading, frame)
        self._take_imu(reading, frame)
        self._take_wheels(reading, frame)
        self._take_command(reading, frame)
        return frame

    def _take_time(self, reading: Reading, frame: Frame) -> None:
        t = reading.t_s
        frame.clock_fault, frame.clock_jump_s = "", 0.0
        frame.gap = False
        if not finite(t) or abs(t) > 1e12:
            frame.clock_fault = "time is no number"
            frame.dt_s = 0.0
            return
        t = float(t)
        if not self._timed:
            frame.t_s = t
            self._timed = True
        dt = t - frame.t_s
        frame.t_s = t
        if dt < 0.0:
            frame.clock_fault, frame.clock_jump_s = "time goes back", -dt
            dt = 0.0
        elif dt > GAP_S:
            frame.clock_fault, frame.clock_jump_s = "time jumps ahead", dt
            frame.gap = True
            dt = GAP_S
        frame.dt_s = dt
        frame.imu_age_s += dt
        for i in range(4):
            frame.wheel_age_s[i] += dt

    def _take_imu(self, reading: Reading, frame: Frame) -> None:
        frame.imu_new = False
        accel, gyro = _triple(reading.accel_mps2), _triple(reading.gyro_radps)
        if accel is None and gyro is None:
            return
        frame.imu_fault = self._imu_problem(accel, gyro)
        if frame.imu_fault:
            return
        if accel is not None:
            frame.accel = self._to_body(accel, self._imu.accel_bias_mps2)
        if gyro is not None:
            frame.gyro = self._to_body(gyro, self._imu.gyro_bias_radps)
        frame.imu_new = True
        frame.imu_age_s = 0.0

    def _imu_problem(
        self,
        accel: tuple[float, float, float] | None,
        gyro: tuple[float, float, float] | None,
    ) -> str:
        for values, limit, name in (
            (accel, self._imu.accel_range_mps2, "accelerometer"),
            (gyro, self._imu.gyro_range_radps, "gyro"),
        ):
            if values is None:
                continue
            if not math.isfinite(values[0]):
                return f"{name} gives no number"
            if max(values) >= limit or -min(values) >= limit:
                return f"{name} is saturated"
        if (accel, gyro) == self._last_imu:
            self._same_imu += 1
        else:
            self._same_imu = 0
            self._last_imu = (accel, gyro)
        return "IMU is frozen" if self._same_imu >= FROZEN_SAMPLES else ""

    def _to_body(
        self, raw: tuple[float, float, float], bias: tuple[float, float, float]
    ) -> tuple[float, float, float]:
        x, y, z = raw[0] - bias[0], raw[1] - bias[1], raw[2] - bias[2]
        if not self._turned:
            return (x, y, z)
        a, b, c = self._rows
        return (
            a[0] * x + a[1] * y + a[2] * z,
            b[0] * x + b[1] * y + b[2] * z,
            c[0] * x + c[1] * y + c[2] * z,
        )

    def _take_wheels(self, reading: Reading, frame: Frame) -> None:
        values = reading.counts if self._counts else reading.wheel_speed_radps
        if values is None:
            for i in range(4):
                frame.wheel_new[i] = frame.wheel_jump[i] = False
            return
        for i, value in enumerate(_quad(values)):
            frame.wheel_jump[i] = False
            if value is None or abs(value) > 1e15:
                frame.wheel_new[i] = False
                continue
            if self._counts:
                self._take_count(i, value, frame)
            elif abs(value) <= self._top_radps:
                self._take_speed(i, value, frame)
            else:
                frame.wheel_new[i] = False
                frame.wheel_jump[i] = True

    def _take_speed(self, i: int, radps: float, frame: Frame) -> None:
        age = frame.wheel_age_s[i]
        frame.wheel_new[i] = True
        frame.wheel_dt_s[i] = age if math.isfinite(age) else 0.0
        frame.wheel_radps[i] = radps
        frame.wheel_age_s[i] = 0.0

    def _take_count(self, i: int, count: float, frame: Frame) -> None:
        last, age = self._last_counts[i], frame.wheel_age_s[i]
        self._last_counts[i] = count
        frame.wheel_new[i] = True
        frame.wheel_age_s[i] = 0.0
        frame.wheel_step[i] = 0.0
        frame.wheel_dt_s[i] = 0.0
        if last is None or not math.isfinite(age):
            return
        frame.wheel_dt_s[i] = age
        possible = self._top_count_rate * max(age, 0.001) + 2.0
        step = count - last
        if abs(step) > possible:
            for wrap in WRAPS:
                wrapped = step - math.copysign(wrap, step)
                if abs(wrapped) <= possible:
                    step = wrapped
                    break
            else:
                frame.wheel_jump[i] = True
                return
        if self._one_channel and step < 0:
            frame.wheel_jump[i] = True
            return
        frame.wheel_step[i] = step

    def _take_command(self, reading: Reading, frame: Frame) -> None:
        frame.command_fault = False
        if reading.throttle is not None:
            if finite(reading.throttle):
                frame.throttle = max(-1.0, min(1.0, float(reading.throttle)))
                self._unread_s = None
            else:
                frame.command_fault = True
                self._unread_s = self._unread_s or 0.0
        if reading.steer is not None:
            if finite(reading.steer):
                steer = max(-1.0, min(1.0, float(reading.steer)))
                frame.steer_rad = steer * self._max_steer_rad
            else:
                frame.command_fault = True
        if reading.motor_enabled is not None:
            if finite(reading.motor_enabled):
                frame.motor_enabled = bool(reading.motor_enabled)
            else:
                frame.command_fault = True
        if frame.throttle is not None:
            frame.drive = frame.throttle if frame.motor_enabled else 0.0
        if reading.command_age_s is not None:
            if finite(reading.command_age_s) and reading.command_age_s >= 0:
                frame.command_age_s = float(reading.command_age_s)
            else:
                frame.command_fault = True
        elif frame.command_age_s is not None:
            frame.command_age_s += frame.dt_s  # no news: it grows older
        if self._unread_s is not None:
            # A throttle that is no number is no command: the last good one grows older.
            self._unread_s += frame.dt_s
            frame.command_age_s = max(frame.command_age_s or 0.0, self._unread_s)
        if reading.brake_position is not None:
            frame.brake_position = _quad(reading.brake_position)
