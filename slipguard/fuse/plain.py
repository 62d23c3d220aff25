"""Reading -> plain numbers: whatever a sensor or a link delivers, as floats in a fixed order."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from slipguard.reading import WHEELS, MaybeQuad, Reading

ABSENT = math.nextafter(-math.inf, 0.0)
"""In place of a value that did not come. A value that came and is no number is nan or infinite."""
N_PLAIN = 19
"""Plain numbers of a reading, in this order: time; specific force x, y, z; angular rate x, y, z;
count or speed of fl, fr, rl, rr; throttle, steer, motor enabled; age of the command; brake travel
of fl, fr, rl, rr."""

_PLAIN = struct.Struct(f"={N_PLAIN}d")
_NO_TRIPLE = (ABSENT,) * 3
_NO_QUAD = (ABSENT,) * 4
_NOT_THREE = (math.nan,) * 3


def plain_bytes(reading: Reading, counted: bool) -> bytes:
    """The plain numbers of a reading, as doubles. ``counted``: wheels give counts."""
    accel, gyro, position = reading.accel_mps2, reading.gyro_radps, reading.brake_position
    wheels = reading.counts if counted else reading.wheel_speed_radps
    throttle, steer, enabled = reading.throttle, reading.steer, reading.motor_enabled
    age = reading.command_age_s
    try:
        ax, ay, az = _NO_TRIPLE if accel is None else accel
        gx, gy, gz = _NO_TRIPLE if gyro is None else gyro
        fl, fr, rl, rr = _NO_QUAD if wheels is None else wheels
        pfl, pfr, prl, prr = _NO_QUAD if position is None else position
        return _PLAIN.pack(
            reading.t_s, ax, ay, az, gx, gy, gz, fl, fr, rl, rr,
            ABSENT if throttle is None else throttle,
            ABSENT if steer is None else steer,
            ABSENT if enabled is None else enabled,
            ABSENT if age is None else age,
            pfl, pfr, prl, prr,
        )  # fmt: skip
    except (TypeError, ValueError, OverflowError, struct.error):
        pass  # something in it is no number: one by one
    return _PLAIN.pack(
        _one(reading.t_s),
        *_three(accel),
        *_three(gyro),
        *(_NO_QUAD if wheels is None else [_one(v) for v in _four(wheels)]),
        *(_one(v) for v in (throttle, steer, enabled, age)),
        *(_NO_QUAD if position is None else [_or_nan(v) for v in _four(position)]),
    )


def plain_row(reading: Reading, counted: bool) -> tuple[float, ...]:
    """The plain numbers of a reading, (``N_PLAIN``,)."""
    return _PLAIN.unpack(plain_bytes(reading, counted))


def finite(value: object) -> bool:
    """Whether a value is a number one can calculate with."""
    try:
        return math.isfinite(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return False


def _or_nan(value: object) -> float:
    """A number as it is, infinite ones too; nan for what is none."""
    try:
        math.isnan(value)  # type: ignore[arg-type]  # refuses texts, which float() reads
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return math.nan


def _one(value: object) -> float:
    return ABSENT if value is None else _or_nan(value)


def _three(values: Sequence[float] | None) -> Sequence[float]:
    """Three numbers; all of them nan where one is none or they are not three."""
    if values is None:
        return _NO_TRIPLE
    try:
        x, y, z = values
    except (TypeError, ValueError):
        return _NOT_THREE
    three = (_or_nan(x), _or_nan(y), _or_nan(z))
    return _NOT_THREE if math.isnan(sum(three)) else three


def _four(values: MaybeQuad) -> tuple[object, ...]:
    """Four values; all None when they are not four."""
    try:
        four = tuple(values)
    except TypeError:  # a single value
        four = ()
    return four if len(four) == len(WHEELS) else (None,) * len(WHEELS)
