"""The detectors of spin, lock and rolling over a fused drive, for many sets of thresholds at once.

The rules are those of ``slipguard/detect``, the same methods, compiled. A call lets other threads
run, so that sets can be shared out among them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numba.extending import register_jitable
from numpy.typing import NDArray

from slipguard import detect
from slipguard.compiled.kernel import fingerprint, ready
from slipguard.compiled.mirror import part, record_of, write
from slipguard.detect.motion import RollingRule
from slipguard.detect.wheels import NOTHING, SPIN, SlipRule
from slipguard.settings import Rolling, Spin

Array = NDArray[np.float64]
Spans = list[NDArray[np.float64]]
"""For each set, (k, 2): when an episode begins and ends, seconds."""

_BLOCK = 2048
"""Rows gone through with all sets before the next ones: they stay in the processor's cache."""
_ROOM = 256
"""Episodes of a set for which there is room at first."""
_STRIDE = 32
"""Rows that are passed at a glance, where something lasts."""
NOWHERE = -1
"""In place of a list of episodes: nothing is found."""


class Stretches(NamedTuple):
    """Rows that a rule may pass at once: ``last``, of each row, is the last one of its stretch.
    ``lows``: the lowest size, of each ``_STRIDE`` rows, of what a rule waits for to sink."""

    last: NDArray[np.int64]
    lows: Array


class Slips(NamedTuple):
    """One wheel, in the m rows in which it slips, of n. Units as in ``Estimate``."""

    row: NDArray[np.int64]
    slip_mps: Array
    slip_sd_mps: Array
    ratio: Array
    excess_m: Array
    excess_sd_m: Array
    opposed: NDArray[np.bool_]
    may_lock: NDArray[np.bool_]

    def next_start(self, spins: Sequence[Spin]) -> NDArray[np.int64]:
        """From each of the m rows on, the next in which something can begin; m: none.

        With none of ``spins`` below its limits for slip and excess travel, whatever sigma adds.
        """
        slip, excess = abs(self.slip_mps), abs(self.excess_m)
        begins = self.excess_m * self.slip_mps > 0.0
        begins &= slip > min(spin.slip_speed_mps for spin in spins)
        begins &= excess > 1e-3 * min(spin.excess_travel_mm for spin in spins)
        return _next(begins)

    def stretches(self, t_s: Array, broken: NDArray[np.bool_], gap_s: float) -> Stretches:
        """Of rows that follow one another in time, with equal ``broken`` and sign of the ratio."""
        row, ratio = self.row, self.ratio
        ends = np.ones(len(row), np.bool_)
        ends[:-1] = (np.diff(row) != 1) | _breaks(t_s, gap_s)[row[:-1]]
        for column in (broken[row], ratio >= 0.0):
            ends[:-1] |= column[1:] != column[:-1]
        return Stretches(_next(ends), _lows(self.slip_mps))


class Motions(NamedTuple):
    """The whole rover, n rows. ``asked``: 1, 0, -1 or ``UNKNOWN``. ``travel_m``: (n, 4)."""

    t_s: Array
    speed_mps: Array
    speed_sd_mps: Array
    distance_m: Array
    travel_m: Array
    at_rest: NDArray[np.bool_]
    asked: NDArray[np.int64]

    def stretches(self, gap_s: float) -> Stretches:
        """Of rows that follow one another in time, with equal command, rest and direction, and at
        rest equal counts."""
        ends = _breaks(self.t_s, gap_s)
        for column in (self.asked, self.at_rest, self.speed_mps > 0.0):
            ends[:-1] |= column[1:] != column[:-1]
        ends[:-1] |= self.at_rest[1:] & (np.diff(self.travel_m, axis=0) != 0.0).any(axis=1)
        return Stretches(_next(ends), _lows(self.speed_mps))


def _lows(values: Array) -> Array:
    whole = len(values) // _STRIDE
    lows: Array = np.abs(values[: whole * _STRIDE]).reshape(whole, _STRIDE).min(axis=1)
    return lows


def _breaks(t_s: Array, gap_s: float) -> NDArray[np.bool_]:
    """Rows after which time goes back, or leaves out more than ``gap_s``, or there are no more."""
    step_s = np.diff(t_s, append=math.inf)
    return ~((step_s >= 0.0) & (step_s <= gap_s))


def _next(true: NDArray[np.bool_]) -> NDArray[np.int64]:
    """From each place on, the next in which it is ``true``; if none is, how many there are."""
    places = np.flatnonzero(true)
    at = np.searchsorted(places, np.arange(len(true)))
    return np.append(places, len(true))[at]


def find_slips(
    spins: Sequence[Spin],
    t_s: Array,
    dt_s: Array,
    broken: NDArray[np.bool_],
    slips: Slips,
    stretches: Stretches,
    gap_s: float,
) -> tuple[Spans, Spans]:
    """Episodes of spin and of lock of one wheel, for each of ``spins``.

    ``t_s``, ``dt_s``, ``broken`` (n,): of all rows; where broken nothing is told. Findings less
    than ``gap_s`` apart are one episode. ``stretches``: of ``slips``.
    """
    start = slips.next_start(spins)
    found = _spans(
        lambda: _records([SlipRule(spin) for spin in spins]),
        lambda rules, out, count: _compiled().slips(
            rules, t_s, dt_s, broken, *slips, start, *stretches, gap_s, out, count
        ),
        2 * len(spins),
    )
    return found[::2], found[1::2]


def find_rolling(
    rollings: Sequence[Rolling],
    count_m: float,
    directed: bool,
    motions: Motions,
    stretches: Stretches,
    gap_s: float,
) -> Spans:
    """Episodes of rolling, for each of ``rollings``. ``stretches``: of ``motions``."""
    return _spans(
        lambda: _records([RollingRule(one, count_m, directed) for one in rollings]),
        lambda rules, out, count: _compiled().rolling(
            rules, *motions, *stretches, gap_s, out, count
        ),
        len(rollings),
    )


def _records(rules: Sequence[object]) -> np.ndarray[Any, Any]:
    """One record a rule. What they have in common is worked out once: it takes numba long."""
    records = np.repeat(record_of(rules[0]), len(rules))
    for number, rule in enumerate(rules):
        write(rule, records[number : number + 1])
    return records


def _spans(
    rules: Callable[[], Any], find: Callable[[Any, Array, NDArray[np.int64]], None], lists: int
) -> Spans:
    """What ``find`` writes into ``lists`` lists of episodes, however many there are."""
    room = _ROOM
    while True:
        out, count = np.empty((lists, room, 2)), np.zeros(lists, np.int64)
        find(rules(), out, count)
        if count.max(initial=0) <= room:
            return [out[k, : count[k]] for k in range(lists)]
        room *= 4


class _Compiled(NamedTuple):
    slips: Callable[..., None]
    rolling: Callable[..., None]


@cache
def _compiled() -> _Compiled:
    made = _build(fingerprint(detect))
    rule, roll = Spin(), Rolling()
    none, rows, flags = np.empty(0), np.empty(0, np.int64), np.empty(0, np.bool_)
    out, count = np.empty((2, 1, 2)), np.zeros(2, np.int64)
    slips = Slips(rows, none, none, none, none, none, flags, flags)
    slip_rule = record_of(SlipRule(rule))
    ready(made.slips, slip_rule, none, none, flags, *slips, rows, rows, none, 0.0, out, count)
    motions = Motions(none, none, none, none, np.empty((0, 4)), flags, rows)
    roll_rule = record_of(RollingRule(roll, 0.01, True))
    ready(made.rolling, roll_rule, *motions, rows, none, 0.0, out, count)
    return made


def _build(code: int) -> _Compiled:
    @njit(cache=True, nogil=True, error_model="numpy")
    def slips(  # type: ignore[no-untyped-def]
        rules, t_s, dt_s, broken, row, slip, slip_sd, ratio, excess, excess_sd, opposed, may_lock,
        start, last, lows, gap_s, out, count,
    ):  # fmt: skip
        _ = code  # a part of what the cache is asked for
        for s in range(len(rules)):
            rule = part(rules[s])
            k, n = 0, 0
            which, last_s = NOWHERE, 0.0
            while True:
                if rule.kind == NOTHING:  # in the rows between nothing can begin
                    if k < len(row):
                        k = start[k]
                    if k == len(row):
                        break
                    n = row[k]
                if n == len(t_s):
                    break
                here = k < len(row) and row[k] == n
                if here:
                    rule.step(
                        t_s[n], dt_s[n], slip[k], slip_sd[k], ratio[k], excess[k], excess_sd[k],
                        opposed[k], may_lock[k],
                    )  # fmt: skip
                else:
                    rule.step(t_s[n], dt_s[n], 0.0, 0.0, 0.0, 0.0, 0.0, False, False)
                now = NOWHERE
                if rule.kind != NOTHING and not broken[n]:
                    now = 2 * s if rule.kind == SPIN else 2 * s + 1
                if now != which or t_s[n] - last_s > gap_s:
                    _turn(which, last_s, now, t_s[n], gap_s, out, count)
                    which, last_s = now, t_s[n]
                if here:
                    if rule.spins_on(ratio[k]):
                        k = _above(rule.ends_below_mps, slip, lows, k, last[k])
                        n = row[k]
                    k += 1
                last_s = max(last_s, t_s[n])
                n += 1
            _turn(which, last_s, NOWHERE, last_s, gap_s, out, count)

    @njit(cache=True, nogil=True, error_model="numpy")
    def rolling(  # type: ignore[no-untyped-def]
        rules, t_s, v, sd, distance_m, travel_m, at_rest, asked, last, lows, gap_s, out, count
    ):
        _ = code
        for first in range(0, len(t_s), _BLOCK):
            for s in range(len(rules)):
                rule = part(rules[s])
                n, end = first, min(first + _BLOCK, len(t_s))
                which, last_s = NOWHERE, 0.0
                while n < end:
                    rims = (travel_m[n, 0], travel_m[n, 1], travel_m[n, 2], travel_m[n, 3])
                    rule.step(t_s[n], v[n], sd[n], distance_m[n], rims, at_rest[n], asked[n])
                    now = s if rule.on else NOWHERE
                    if now != which or t_s[n] - last_s > gap_s:
                        _turn(which, last_s, now, t_s[n], gap_s, out, count)
                        which, last_s = now, t_s[n]
                    alike = min(last[n], end - 1)
                    if rule.settled:
                        n = max(n, alike - 1)
                    elif rule.rolls_on(t_s[n]):
                        n = _above(rule.ends_below_mps, v, lows, n, alike)
                    elif rule.waits(t_s[n]):
                        while n < alike and rule.short(v[n + 1], distance_m[n + 1]):
                            n += 1
                    last_s = max(last_s, t_s[n])
                    n += 1
                _turn(which, last_s, NOWHERE, last_s, gap_s, out, count)

    return _Compiled(slips, rolling)


@register_jitable
def _above(least, values, lows, k, end):  # type: ignore[no-untyped-def]
    """The last of the values that follow ``values[k]``, up to ``end``, before one whose size is
    below ``least``. ``lows``: as in ``Stretches``."""
    while k < end:
        if (k + 1) % _STRIDE == 0 and k + _STRIDE <= end and lows[(k + 1) // _STRIDE] >= least:
            k += _STRIDE
        elif abs(values[k + 1]) >= least:
            k += 1
        else:
            break
    return k


@register_jitable
def _turn(which, last_s, now, t_s, gap_s, out, count):  # type: ignore[no-untyped-def]
    """What was found until ``last_s`` ends, what is found from ``t_s`` on begins or goes on.

    ``which``, ``now``: list of episodes that takes it. Called where these differ, and not for every
    row: that would take three times as long.
    """
    if which != NOWHERE:
        k = count[which] - 1
        if k < out.shape[1]:
            out[which, k, 1] = max(out[which, k, 1], last_s)
    if now != NOWHERE:
        k = count[now]
        if k == 0 or (k <= out.shape[1] and t_s - out[now, k - 1, 1] > gap_s):
            count[now] = k + 1  # one too many is counted, not kept
            if k < out.shape[1]:
                out[now, k, 0] = out[now, k, 1] = t_s
