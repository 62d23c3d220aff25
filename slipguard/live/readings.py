"""Readings put together, and made plain so that a recording of them replays exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from slipguard.plugin import DRIVER, MEASURES
from slipguard.reading import Reading

FIELDS = (*MEASURES, *DRIVER)
"""Every field of a Reading but its time."""

SIZES = {
    "counts": 4,
    "wheel_speed_radps": 4,
    "brake_position": 4,
    "accel_mps2": 3,
    "gyro_radps": 3,
}
"""Fields that hold several numbers, and how many."""

MOST_COUNT = 2**63
"""A larger count is none, and would take long to write down."""


def newest(older: Reading, newer: Reading) -> Reading:
    """Both in one: what the newer one leaves open is taken from the older."""
    kept = {name: getattr(older, name) for name in FIELDS if getattr(newer, name) is None}
    return replace(newer, **kept)


def plain(reading: Reading) -> Reading:
    """The same reading in plain floats, whole numbers and tuples.

    A plugin may deliver anything. What is no number becomes NaN, which is what the guard makes
    of it too; a vector of the wrong length becomes one of NaN. So a recording holds exactly what
    the guard was given.
    """
    values: dict[str, Any] = {}
    for name in FIELDS:
        value = getattr(reading, name)
        if value is None:
            continue
        if name in SIZES:
            values[name] = _vector(value, name)
        elif name == "motor_enabled":
            number = _number(value)
            values[name] = False if math.isnan(number) else bool(number)
        else:
            values[name] = _number(value)
    return Reading(t_s=reading.t_s, **values)


def _vector(value: Any, name: str) -> tuple[float | None, ...] | None:
    size = SIZES[name]
    try:
        numbers: Sequence[Any] = tuple(value)
    except TypeError:
        numbers = ()
    if len(numbers) != size:
        return (math.nan,) * size
    convert = _count if name == "counts" else _number
    found = tuple([None if v is None else convert(v) for v in numbers])
    return None if found == (None,) * size else found


def _count(value: Any) -> float:
    return value if type(value) is int and abs(value) <= MOST_COUNT else _number(value)


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan
