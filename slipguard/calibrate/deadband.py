"""Wheels in the air, throttle raised slowly: where the motor begins to turn, and how it reverses.

While the throttle u rises evenly past the dead band u0, an unloaded motor's speed rises with it, so
travel goes with (u - u0)^2 and its root with u - u0 (integral of a ramp). The line through the
roots of the first counts therefore meets zero at u0, not at the throttle of the first count, which
comes later. One sweep gives one value; friction differs a little from sweep to sweep, so the
uncertainty comes from their scatter, widened by Student's t for few sweeps.

The mean of four wheels is the motor, whatever the differentials do between them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.samples import Array, Samples, student
from slipguard.config import Config

LEAST_SWEEPS = 4
FASTEST_PER_S = 0.06
LEAST_POINTS = 6
MOST_TRAVEL = 40.0
"""Counts of the mean wheel used: later the motor's own lag and losses bend the line."""
PRESS = 0.15
TAP_S = 0.4
LAG_S = 0.03
"""Controller and motor follow the throttle about so late; taken off, and as uncertain as long."""


@dataclass(frozen=True, slots=True)
class _Sweep:
    start: int
    end: int
    way: int
    rise_per_s: float


def deadband(samples: Samples, config: Config) -> Calibration:
    """Throttle at which the motor starts, either way; whether reverse takes two taps.

    Raises
    ------
    CalibrationError
        Too few slow sweeps, swept too fast, wheels that never turned, or wheels that turned at
        neutral.
    """
    samples.need_counts()
    if len(samples.command_s) < 10 or not np.any(np.abs(samples.throttle) > 0.02):
        raise samples.refuse("no throttle command in it; record throttle and raise it slowly")
    u = np.interp(samples.wheel_s, samples.command_s, samples.throttle)
    way = np.mean(samples.counts, axis=1)
    sweeps = _sweeps(samples, u)
    found: dict[int, list[float]] = {1: [], -1: []}
    for sweep in sweeps:
        start = _start(samples, u, way, sweep)
        if start is not None:
            found[sweep.way].append(start - LAG_S * sweep.rise_per_s)
    for sign, word in ((1, "forward"), (-1, "reverse")):
        if len(found[sign]) < LEAST_SWEEPS:
            raise samples.refuse(
                f"{len(found[sign])} usable sweeps {word}, needs {LEAST_SWEEPS}: from neutral "
                f"until the wheels turn well, slower than {FASTEST_PER_S:g} of full stick a "
                "second, back to neutral until they stand, and again"
            )
    # Both ways share one scatter: more degrees of freedom, the same friction.
    freedom = sum(len(f) - 1 for f in found.values())
    pooled = math.sqrt(sum((len(f) - 1) * np.var(f, ddof=1) for f in found.values()) / freedom)
    pace = float(np.mean([sweep.rise_per_s for sweep in sweeps]))
    widen = student(freedom) / 2.0
    values = [
        Value(
            name=f"dead_band_{word}",
            value=float(np.mean(found[sign])),
            sd=math.hypot(widen * pooled / math.sqrt(len(found[sign])), LAG_S * pace),
            unit="-",
        )
        for sign, word in ((1, "forward"), (-1, "reverse"))
    ]
    neutral = min(v.value - 2.0 * v.sd for v in values)
    notes = [_double_tap(samples, u, way, config)]
    if neutral <= 0.0:
        notes.append("the motor starts at once: no dead band to speak of")
    return Calibration(
        step="deadband",
        method=f"first travel of {len(found[1])} + {len(found[-1])} slow sweeps, wheels in the air",
        drives=(samples.source,),
        values=tuple(values),
        settings={"limits.throttle_dead_band": round(max(0.0, min(0.5, neutral)), 3)},
        notes=tuple(notes),
    )


def _sweeps(samples: Samples, u: Array) -> list[_Sweep]:
    """Stretches in which the throttle leaves neutral and grows without a step back."""
    sweeps, size = [], np.abs(u)
    i = 0
    while i < len(u) - 1:
        if size[i] <= 0.01 and size[i + 1] > size[i]:
            j = i + 1
            while j < len(u) - 1 and size[j + 1] >= size[j] - 1e-6 and u[j + 1] * u[j] >= 0:
                j += 1
            last = j
            while last > i and size[last - 1] >= size[j] - 1e-6:
                last -= 1  # a plateau at the end is no sweep
            rise = (size[last] - size[i]) / max(samples.wheel_s[last] - samples.wheel_s[i], 1e-9)
            if rise <= FASTEST_PER_S and size[last] > 0.03:
                sweeps.append(_Sweep(i, last, 1 if u[last] > 0 else -1, float(rise)))
            i = j
        i += 1
    return sweeps


def _start(samples: Samples, u: Array, way: Array, sweep: _Sweep) -> float | None:
    """Throttle at which the motor starts in one sweep; None: it never turned well."""
    travel = np.abs(way[sweep.start : sweep.end + 1] - way[sweep.start])
    size = np.abs(u[sweep.start : sweep.end + 1])
    still = size < 0.005
    if np.any(still) and float(np.max(travel[still])) > 1.0:
        raise samples.refuse(
            f"wheels turned at neutral at {samples.wheel_s[sweep.start]:.1f} s: let them stand "
            "before each sweep, or trim the neutral"
        )
    # Where the mean count changes the travel is known best: one point for each change.
    fresh = np.flatnonzero(np.diff(travel) > 0) + 1
    fresh = fresh[(travel[fresh] >= 0.75) & (travel[fresh] <= MOST_TRAVEL)]
    if len(fresh) < LEAST_POINTS or travel[-1] < 4.0:
        return None
    # The mean of four counters rises by quarters; just after a step it is half of one ahead.
    root = np.sqrt(travel[fresh] - 0.125)
    weight = root  # the error of a root falls as the root grows
    slope, offset = np.polyfit(size[fresh], root, 1, w=weight)
    if slope <= 0.0:
        return None
    start = -offset / slope
    return float(start) if -0.05 < start < size[fresh][0] + 0.02 else None


def _double_tap(samples: Samples, u: Array, way: Array, config: Config) -> str:
    """What the controller made of the first and of the second press backwards, in words."""
    unseen = (
        "how it reverses was not seen: forward, then within half a second backward for a second, "
        "neutral for a second, backward again"
    )
    presses = _presses(samples.wheel_s, u)
    for first, second in pairwise(presses):
        quick = first[0] - _last_forward(samples.wheel_s, u, first[0]) <= TAP_S
        soon = second[0] - first[1] <= 3.0
        if not (quick and soon):
            continue
        turns = [_turned(samples.wheel_s, way, press, config) for press in (first, second)]
        if turns == [False, True]:
            return "reverses at the second press only: double_tap true in esc-throttle"
        if turns == [True, True]:
            return "reverses at the first press: double_tap false in esc-throttle"
        return "did not turn backwards even at the second press: is reverse switched off?"
    return unseen


def _presses(t: Array, u: Array) -> list[tuple[float, float]]:
    """Times of firm presses backwards, that end by letting go."""
    back = np.concatenate(([False], u < -PRESS, [False]))
    edges = np.flatnonzero(np.diff(back.astype(int)))
    return [
        (float(t[a]), float(t[min(b, len(t) - 1)]))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if t[min(b, len(t) - 1)] - t[a] > 0.3
    ]


def _last_forward(t: Array, u: Array, before_s: float) -> float:
    forward = t[(u > PRESS) & (t < before_s)]
    return float(forward[-1]) if len(forward) else -math.inf


def _turned(t: Array, way: Array, press: tuple[float, float], config: Config) -> bool:
    """Whether the wheels ran on to the end of a press, backwards where the encoders can tell."""
    late = (t >= press[0] + 0.6 * (press[1] - press[0])) & (t <= press[1])
    travel: Sequence[float] = way[late].tolist()
    moved = travel[-1] - travel[0] if travel else 0.0
    return abs(moved) > 2.0 if config.encoders.one_channel else moved < -2.0
