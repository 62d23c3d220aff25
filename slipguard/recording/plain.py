"""Readings in plain numbers: what a recording holds is what the guard makes of them."""

from __future__ import annotations

import math
import operator
from typing import Any

from slipguard.fuse.plain import finite
from slipguard.reading import Reading
from slipguard.recording import columns as col

MOST_COUNT = 2**63
"""A larger count is none, and would take long to write down."""


def plain(reading: Reading) -> Reading:
    """The same reading in plain floats, whole numbers and tuples.

    A plugin may deliver anything. What is no number becomes NaN, which is what the guard makes
    of it too; a vector of the wrong length becomes one of NaN. A ``motor_enabled`` that is no
    number says nothing.
    """
    values: dict[str, Any] = {}
    for name in col.VECTORS:
        if (vector := getattr(reading, name)) is not None:
            values[name] = _vector(vector, name)
    for name in col.NUMBERS:
        if (value := getattr(reading, name)) is not None:
            values[name] = number(value)
    if finite(reading.motor_enabled):
        values[col.MOTOR_ENABLED] = bool(reading.motor_enabled)
    return Reading(t_s=number(reading.t_s), **values)


def number(value: Any) -> float:
    """A number as a float; NaN where the guard sees none."""
    return float(value) if isinstance(value, float) or finite(value) else math.nan


def _vector(value: Any, name: str) -> tuple[float | None, ...] | None:
    size = len(col.VECTORS[name])
    try:
        numbers = tuple(value)
    except TypeError:
        numbers = ()
    if len(numbers) != size:
        return (math.nan,) * size
    convert = _count if name == "counts" else number
    found = tuple([None if v is None else convert(v) for v in numbers])
    return None if found == (None,) * size else found


def _count(value: Any) -> float:
    try:
        whole = operator.index(value)
    except TypeError:
        return number(value)
    return whole if abs(whole) <= MOST_COUNT else number(value)
