"""Reading -> Frame: whatever a sensor or a link delivers, made plain numbers and cleaned.

Everything after this works on finite numbers of known age. What had to be dropped is noted on
the frame, in words; the detectors turn it into findings. The rules are in ``cleaning.py``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.frame import Frame
from slipguard.fuse.cleaning import ABSENT, Cleaning
from slipguard.reading import WHEELS, MaybeQuad, Reading

CLOCK = ("", "time is no number", "time goes back", "time jumps ahead")
IMU = (
    "",
    "accelerometer gives no number",
    "accelerometer is saturated",
    "gyro gives no number",
    "gyro is saturated",
    "IMU is frozen",
)
"""What the codes of ``Cleaning`` say in words."""
NOTHING = (ABSENT, ABSENT, ABSENT)
NO_NUMBERS = (math.nan, math.nan, math.nan)
NO_WHEELS = (ABSENT,) * len(WHEELS)


def finite(value: object) -> bool:
    """Whether a value is a number one can calculate with."""
    try:
        return math.isfinite(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return False


def _plain(value: object) -> float:
    """``value`` as a finite number, nan where it is none, ``ABSENT`` where it is None."""
    if value is None:
        return ABSENT
    return float(value) if finite(value) else math.nan  # type: ignore[arg-type]


def _plain_triple(values: Sequence[float] | None) -> tuple[float, float, float]:
    """Three plain numbers; all of them nan where one is no number or they are not three."""
    if values is None:
        return NOTHING
    try:
        x, y, z = values
        if math.isfinite(x) and math.isfinite(y) and math.isfinite(z):
            return (float(x), float(y), float(z))
    except (TypeError, ValueError, OverflowError):
        pass
    return NO_NUMBERS


def _quad(values: MaybeQuad | None) -> tuple[float | None, ...]:
    """Four values, each a finite number or None; all None when they are not four."""
    try:
        four = tuple(values)  # type: ignore[arg-type]
    except TypeError:  # None, or a single value
        four = ()
    if len(four) != len(WHEELS):
        return (None,) * len(WHEELS)
    return tuple(float(v) if v is not None and finite(v) else None for v in four)


def plain_row(reading: Reading, counted: bool) -> tuple[float, ...]:
    """The numbers of a reading as ``Cleaning`` takes them. ``counted``: wheels give counts."""
    wheels = reading.counts if counted else reading.wheel_speed_radps
    return (
        _plain(reading.t_s),
        *_plain_triple(reading.accel_mps2),
        *_plain_triple(reading.gyro_radps),
        *(NO_WHEELS if wheels is None else [_plain(v) for v in _quad(wheels)]),
        _plain(reading.throttle),
        _plain(reading.steer),
        _plain(reading.motor_enabled),
    )


class Intake:
    """Cleans readings one after the other."""

    def __init__(self, config: Config) -> None:
        self._cleaning = Cleaning(config)
        self._counted = config.encoders.kind == "counts"
        self._unread_s: float | None = None  # time since a throttle that was no number
        self.frame = Frame()

    def take(self, reading: Reading) -> Frame:
        """The frame for this reading. The same object each time, overwritten."""
        frame, cleaning = self.frame, self._cleaning
        cleaning.take(plain_row(reading, self._counted), frame)
        frame.clock_fault, frame.imu_fault = CLOCK[cleaning.clock_code], IMU[cleaning.imu_code]
        self._take_command(reading, frame)
        return frame

    def _take_command(self, reading: Reading, frame: Frame) -> None:
        throttle = reading.throttle
        if throttle is not None:
            if finite(throttle):
                frame.throttle = self._cleaning.throttle
                self._unread_s = None
            else:
                self._unread_s = self._unread_s or 0.0
        age = reading.command_age_s
        if age is not None:
            if finite(age) and age >= 0:
                frame.command_age_s = float(age)
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
