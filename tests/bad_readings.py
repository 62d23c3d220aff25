"""What broken sensors, links and clocks can deliver, as hypothesis strategies."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from hypothesis import strategies as st

from slipguard import Reading

NOT_A_NUMBER: tuple[Any, ...] = (
    math.nan,
    math.inf,
    -math.inf,
    None,
    "",
    "0.5",
    "nan",
    b"\x00",
    10**400,
    -(10**400),
    1e308,
    -1e308,
    5e-324,
    True,
    [],
    (1.0,),
    np.float64("nan"),
    np.array([1.0, 2.0]),
)
NUMPY = (np.float32(0.25), np.float64(-0.5), np.int16(7), np.array(0.1), np.bool_(True))


def numbers(typical: float) -> st.SearchStrategy[Any]:
    """Mostly the size a sensor delivers, else anything at all."""
    return st.one_of(
        st.floats(-typical, typical),
        st.sampled_from(NOT_A_NUMBER),
        st.sampled_from(NUMPY),
        st.floats(allow_nan=True, allow_infinity=True),
        st.integers(),
    )


def vectors(typical: float, size: int) -> st.SearchStrategy[Any]:
    """Values of several channels: of the right number, of the wrong one, or no vector at all."""
    one = numbers(typical)
    return st.one_of(
        st.tuples(*[one] * size),
        st.lists(one, max_size=6),
        st.lists(st.floats(-typical, typical), min_size=size, max_size=size).map(np.array),
        st.sampled_from((None, 3, math.nan, "abcd", "", b"abcd", np.array(1.0), range(size))),
    )


STEPS_S = (0.005, 0.005, 0.005, 0.01, 0.0, -0.005, -7200.0, 3600.0, 86400.0, 1e300, 0.6, 1e-12)
WRAPS = tuple(sign * 2**bits for bits in (15, 16, 31, 32) for sign in (1, -1))
COUNT_JUMPS = (0, 0, 0, 1, -1, 3, 40, -1000, *WRAPS)


STEP_S, COUNT_JUMP = st.sampled_from(STEPS_S), st.sampled_from(COUNT_JUMPS)
BAD_TIME, TENTH = st.sampled_from(NOT_A_NUMBER), st.integers(0, 9)
START_S = st.sampled_from((0.0, 12.3, -50.0, 1.7e9))
START_COUNT = st.sampled_from((0, 5, 2**15 - 2, 2**31 - 2))
KIND = st.integers(0, 3)
FIELDS: dict[str, tuple[Any, st.SearchStrategy[Any]]] = {
    "counts": (None, vectors(1e4, 4)),
    "wheel_speed_radps": ((8.0, 8.1, 7.9, 8.0), vectors(20.0, 4)),
    "accel_mps2": ((0.1, -0.2, 9.8), vectors(30.0, 3)),
    "gyro_radps": ((0.01, 0.0, 0.02), vectors(4.0, 3)),
    "throttle": (0.4, numbers(1.2)),
    "steer": (0.1, numbers(1.2)),
    "motor_enabled": (True, numbers(1.0)),
    "command_age_s": (0.02, numbers(2.0)),
    "motor_current_a": (3.0, numbers(9.0)),
    "motor_speed_radps": (50.0, numbers(90.0)),
    "battery_v": (11.1, numbers(12.0)),
    "brake_position": ((0.0, 0.0, 0.1, 0.0), vectors(1.0, 4)),
}
"""Of each field a good value and bad ones. Made once: hypothesis takes longer to make a strategy
than to draw from it."""


def one_reading(draw: st.DrawFn, t_s: float, counts: list[int]) -> Reading:
    """A reading of which each field is good, missing or broken."""
    values: dict[str, Any] = {"t_s": draw(BAD_TIME) if draw(TENTH) == 9 else t_s}
    for name, (good, bad) in FIELDS.items():
        kind = draw(KIND)
        if kind < 2:
            values[name] = tuple(counts) if name == "counts" else good
        else:
            values[name] = None if kind == 2 else draw(bad)
    return Reading(**values)


@st.composite
def bad_stretches(draw: st.DrawFn, max_size: int = 25) -> list[Reading]:
    """Readings one after the other: clocks that jump, counts that jump, wrap or stand still."""
    t_s = draw(START_S)
    counts = [draw(START_COUNT) for _ in range(4)]
    dead = draw(st.integers(-4, 3))  # the wheel that never counts, if any
    readings = []
    for _ in range(draw(st.integers(1, max_size))):
        t_s += draw(STEP_S)
        for i in range(4):
            if i != dead:
                counts[i] += draw(COUNT_JUMP)
        readings.append(one_reading(draw, t_s, counts))
    return readings
