"""The detectors of spin, lock and rolling over a fused drive: the same findings, all rows at once.

``slipguard.detect`` is the rule; this is the same rule written for arrays, so that a set of
thresholds costs milliseconds an hour of driving. A test holds the two together, bit for bit,
whatever the thresholds. Where nothing can change in a stretch of rows, it is skipped whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from slipguard.config import Config
from slipguard.detect.motion import CREPT_M, KNOWN_SD_MPS, START_MPS
from slipguard.reading import WHEELS
from slipguard.score import MERGE_GAP_S, Episode
from slipguard.settings import Rolling, Spin
from slipguard.tune.fused import UNKNOWN, Array, Flags, Fused, Rows

Stretch = tuple[int, int]
"""First and last row."""

KINDS = ("wheel_spin", "wheel_lock", "rolling")
"""What depends on the thresholds that are searched."""


class Quick:
    """Detectors over one fused drive. Build it once, ask it for many thresholds.

    Parameters
    ----------
    fused : Fused
    config : Config
        Of the rover; its thresholds do not matter here.

    Attributes
    ----------
    hours : float
        Length of the drive.
    """

    def __init__(self, fused: Fused, config: Config) -> None:
        self._fused = fused
        self._count_m = config.count_m
        self.hours = fused.hours
        self._wheels = [_Wheel.of(fused, i) for i in range(len(WHEELS))]
        self._segments = _segments(fused)
        steps = np.diff(fused.t_s)
        # Such a clock splits or joins episodes row by row.
        self._odd_clock = bool(((steps > MERGE_GAP_S) | (steps < 0.0)).any())

    def episodes(self, spin: Spin, rolling: Rolling) -> list[Episode]:
        """Episodes of spin, lock and rolling with these thresholds, by start."""
        found: list[Episode] = []
        for name, wheel in zip(WHEELS, self._wheels, strict=True):
            spins, locks = wheel.find(spin, self._fused.dt_s)
            found += self._merge("wheel_spin", name, spins, wheel.broken)
            found += self._merge("wheel_lock", name, locks, wheel.broken)
        rolls = _rolling(self._fused, self._segments, rolling, self._count_m)
        found += self._merge("rolling", None, rolls, None)
        return sorted(found, key=lambda e: (e.start_s, e.kind, e.wheel or ""))

    def _merge(
        self, kind: str, wheel: str | None, stretches: list[Stretch], broken: Flags | None
    ) -> Iterator[Episode]:
        """As ``slipguard.score.EpisodeLog`` does, without what a score does not need."""
        t_s = self._fused.t_s
        if broken is not None:
            stretches = list(_without(stretches, broken))
        if self._odd_clock:
            stretches = [(row, row) for first, last in stretches for row in range(first, last + 1)]
        start_s = end_s = 0.0
        for number, (first, last) in enumerate(stretches):
            if number and t_s[first] - end_s > MERGE_GAP_S:
                yield _episode(kind, wheel, start_s, end_s)
                number = 0
            if not number:
                start_s = end_s = float(t_s[first])
            end_s = max(end_s, float(t_s[last]))
        if stretches:
            yield _episode(kind, wheel, start_s, end_s)


def _episode(kind: str, wheel: str | None, start_s: float, end_s: float) -> Episode:
    return Episode(
        kind=kind,
        wheel=wheel,
        start_s=start_s,
        end_s=end_s,
        peak=0.0,
        threshold=0.0,
        unit="",
        reason="",
    )


def _without(stretches: Iterable[Stretch], broken: Flags) -> Iterator[Stretch]:
    """The stretches less the rows in which the wheel's encoder is held to be wrong."""
    for first, last in stretches:
        good = first + np.flatnonzero(~broken[first : last + 1])
        if len(good):
            for part in np.split(good, np.flatnonzero(np.diff(good) > 1) + 1):
                yield int(part[0]), int(part[-1])


# -- spin and lock ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Wheel:
    """The rows in which one wheel slips, and those among them in which a finding may begin."""

    rows: int
    row: Rows
    size_mps: Array
    ratio: Array
    opposed_rows: Rows
    start_row: Rows
    start_size_mps: Array
    start_sd_mps: Array
    start_ratio: Array
    start_excess_m: Array
    start_excess_sd_m: Array
    start_opposed: Flags
    start_may_lock: Flags
    broken: Flags | None

    @classmethod
    def of(cls, fused: Fused, i: int) -> _Wheel:
        mine = slice(*np.searchsorted(fused.wheel, (i, i + 1)))
        row, slip, excess = fused.row[mine], fused.slip_mps[mine], fused.excess_m[mine]
        may = excess * slip > 0.0
        opposed = fused.opposed[mine]
        broken = fused.broken[:, i]
        return cls(
            rows=len(fused.t_s),
            row=row,
            size_mps=np.abs(slip),
            ratio=fused.ratio[mine],
            opposed_rows=row[opposed],
            start_row=row[may],
            start_size_mps=np.abs(slip)[may],
            start_sd_mps=fused.slip_sd_mps[mine][may],
            start_ratio=fused.ratio[mine][may],
            start_excess_m=np.abs(excess)[may],
            start_excess_sd_m=fused.excess_sd_m[mine][may],
            start_opposed=opposed[may],
            start_may_lock=fused.may_lock[mine][may],
            broken=broken if broken.any() else None,
        )

    def find(self, spin: Spin, dt_s: Array) -> tuple[list[Stretch], list[Stretch]]:
        """Stretches of spin and of lock."""
        limit_m = spin.excess_travel_mm * 1e-3 + spin.excess_sd * self.start_excess_sd_m
        sure = self.start_size_mps - spin.slip_sd * self.start_sd_mps
        go = (self.start_excess_m > limit_m) & (sure > spin.slip_speed_mps)
        spins = go & ((self.start_ratio >= spin.slip_ratio) | self.start_opposed)
        locks = go & ~spins & (-self.start_ratio >= spin.lock_ratio) & self.start_may_lock
        begin = np.flatnonzero(spins | locks)
        begin_rows = self.start_row[begin]
        found_spins: list[Stretch] = []
        found_locks: list[Stretch] = []
        spin_end = lock_end = None
        at = 0
        while at < len(begin):
            first = int(begin_rows[at])
            look = first + 1
            if locks[begin[at]]:
                lock_end = lock_end or _End(self._lasting(spin, lock=True), dt_s, spin.clear_ms)
                end = lock_end.after(look)
                turn = int(np.searchsorted(self.opposed_rows, look))
                turned = turn < len(self.opposed_rows) and self.opposed_rows[turn] <= end
                if not turned:
                    found_locks.append((first, end - 1))
                    at = int(np.searchsorted(begin_rows, end + 1))
                    continue
                # From here on it is driven against its travel: it spins.
                look = int(self.opposed_rows[turn])
                found_locks.append((first, look - 1))
                first = look
            spin_end = spin_end or _End(self._lasting(spin, lock=False), dt_s, spin.clear_ms)
            end = spin_end.after(look)
            if end > first:
                found_spins.append((first, end - 1))
            at = int(np.searchsorted(begin_rows, end + 1))
        return found_spins, found_locks

    def _lasting(self, spin: Spin, *, lock: bool) -> Rows:
        """Rows in which a finding is not about to be over."""
        right_way = self.ratio <= 0.0 if lock else self.ratio >= 0.0
        bar = 0.5 * spin.slip_speed_mps
        if bar > 0.0:
            return self.row[(self.size_mps >= bar) & right_way]
        return np.setdiff1d(np.arange(self.rows), self.row[~right_way])  # no slip is too small


class _End:
    """When a finding is over: once slip was below half for long enough, in one stretch."""

    def __init__(self, lasting: Rows, dt_s: Array, clear_ms: float) -> None:
        breaks = np.flatnonzero(np.diff(lasting) > 1)
        self._firsts = lasting[np.concatenate(([0], breaks + 1))] if len(lasting) else lasting
        self._lasts = lasting[np.concatenate((breaks, [-1]))] if len(lasting) else lasting
        self._dt_s = dt_s
        self._clear_ms = clear_ms

    def after(self, row: int) -> int:
        """The row in which a finding that is watched from ``row`` on is over; n: in none."""
        rows = len(self._dt_s)
        if self._clear_ms <= 0.0:
            return min(row, rows)
        run = int(np.searchsorted(self._lasts, row))
        while row < rows:
            if run < len(self._firsts) and self._firsts[run] <= row:
                row = int(self._lasts[run]) + 1
                run += 1
            stop = int(self._firsts[run]) if run < len(self._firsts) else rows
            end = self._cleared(row, stop)
            if end is not None:
                return end
            row = stop
        return rows

    def _cleared(self, row: int, stop: int) -> int | None:
        """The first row by which the quiet from ``row`` to ``stop`` has lasted long enough."""
        for most in (32, stop - row):  # nearly always the first few rows decide
            # Summed in the order of time, as the detector does: rounding included.
            quiet_s = np.cumsum(self._dt_s[row : min(stop, row + most)])
            done = np.flatnonzero(quiet_s * 1e3 >= self._clear_ms)
            if len(done):
                return row + int(done[0])
        return None


# -- rolling ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Segment:
    """Rows in which command, rest and direction of motion stay the same."""

    first: int
    end: int
    asked: int
    at_rest: bool
    way: int
    command_changed: bool
    speed_known: bool
    """Whether the speed became known in its first row, so that standing can be told."""
    stood: bool
    fastest: int
    """The row of the highest speed."""
    low_m: float
    low_row: int
    high_m: float
    """Least and greatest distance, counted in the direction of motion, and the first row of
    the least."""


def _segments(fused: Fused) -> list[_Segment]:
    v = fused.speed_mps
    way = np.where(v > 0.0, 1, -1)
    known = np.flatnonzero((fused.asked != UNKNOWN) & (fused.speed_sd_mps < KNOWN_SD_MPS))
    known_row = int(known[0]) if len(known) else -1
    change = np.zeros(len(v), bool)
    change[0] = True
    for column in (fused.asked, fused.at_rest, way):
        change[1:] |= column[1:] != column[:-1]
    if known_row >= 0:
        change[known_row] = True
    firsts = np.flatnonzero(change)
    ends = np.append(firsts[1:], len(v))
    out = []
    before = UNKNOWN
    for first, end in zip(firsts.tolist(), ends.tolist(), strict=True):
        asked, direction = int(fused.asked[first]), int(way[first])
        along = direction * fused.distance_m[first:end]
        low = int(np.argmin(along))
        out.append(
            _Segment(
                first=first,
                end=end,
                asked=asked,
                at_rest=bool(fused.at_rest[first]),
                way=direction,
                command_changed=asked != before,
                speed_known=first == known_row,
                stood=abs(float(v[first])) < START_MPS,
                fastest=first + int(np.argmax(np.abs(v[first:end]))),
                low_m=float(along[low]),
                low_row=first + low,
                high_m=float(along.max()),
            )
        )
        before = asked
    return out


class _Roll:
    """What ``slipguard.detect.motion.UnaskedMotion`` remembers, segment by segment."""

    def __init__(self, fused: Fused, rolling: Rolling, count_m: float) -> None:
        self._fused = fused
        self._rolling = rolling
        self._travel_m = rolling.travel_mm * 1e-3
        self._crept_m = max(CREPT_M, 1.5 * count_m, rolling.travel_mm * 1e-3)
        self._armed = {1: False, -1: False}
        self._fresh = True
        self._asked = UNKNOWN
        self._origin = 0  # a row; the first command sets it, and before that nothing is found
        self._way = 0
        self._on = False
        self.found: list[Stretch] = []

    def take(self, s: _Segment) -> None:
        """Go through one segment."""
        if s.command_changed:
            self._command_changed(s)
        if s.asked == UNKNOWN:
            self._on = False
            return
        if s.speed_known:
            self._fresh = False
            if s.stood:
                self._armed = {1: True, -1: True}
        if s.at_rest:
            self._armed = {1: True, -1: True}
            self._origin = s.end - 1
            self._on = False
            return
        row = s.first
        if self._on:
            row = self._go_on(s, row)
        if row < s.end:
            if s.way == s.asked or (s.asked == 0 and not self._armed[s.way]):
                self._origin = s.end - 1
            elif self._armed[s.way]:
                self._watch(s, row)
        if not self._armed[-s.way] and self._any_fast(s):
            self._armed[-s.way] = True

    def _command_changed(self, s: _Segment) -> None:
        unasked = self._armed[s.way] and self._asked != s.way
        self._asked = s.asked
        self._armed = {s.way: s.at_rest or unasked, -s.way: not self._fresh}
        if self._on and s.asked == self._way:
            self._on = False
        if not self._on and not unasked:
            self._origin = s.first

    def _go_on(self, s: _Segment, row: int) -> int:
        """The row from which on it rolls no more."""
        if s.way != self._way:
            self._on = False
            self._origin = row
            return row
        slow = np.abs(self._fused.speed_mps[row : s.end]) < self._rolling.speed_mps
        end = row + int(slow.argmax()) if slow.any() else s.end
        if end > row:
            self.found.append((row, end - 1))
        if end < s.end:
            self._on = False
            self._origin = end
        return end

    def _watch(self, s: _Segment, row: int) -> None:
        """Wait for travel enough, from ``row`` on."""
        while row < s.end:
            start = self._start(s, row)
            if start is None:
                return
            self._on, self._way = True, s.way
            self.found.append((start, start))
            row = self._go_on(s, start + 1)

    def _start(self, s: _Segment, row: int) -> int | None:
        """The row in which rolling is found; moves the origin on to the furthest point."""
        d = self._fused.distance_m
        origin_m = s.way * float(d[self._origin])
        if row == s.first and s.high_m - min(s.low_m, origin_m) <= self._travel_m:
            if s.low_m < origin_m:
                self._origin = s.low_row
            return None
        along = s.way * d[row : s.end]
        least = np.minimum(np.minimum.accumulate(along), origin_m)
        lower = along < np.concatenate(([origin_m], least[:-1]))
        index = np.arange(row, s.end)
        origin = np.maximum.accumulate(np.where(lower, index, -1))
        origin[origin < 0] = self._origin
        travel = along - least
        far = np.flatnonzero(travel > self._travel_m)
        if len(far):
            travel_m = self._fused.travel_m
            gone = (travel_m[index[far]] - travel_m[origin[far]]) * s.way > 0.0
            counted = gone.sum(axis=1)
            fast = self._is_fast(index[far])
            hit = (fast & (counted >= 2)) | ((travel[far] > self._crept_m) & (counted >= 3))
            if hit.any():
                at = far[int(hit.argmax())]
                self._origin = int(origin[at])
                return int(index[at])
        self._origin = int(origin[-1])
        return None

    def _is_fast(self, rows: Rows | slice) -> Flags:
        f, r = self._fused, self._rolling
        fast = r.speed_mps + r.speed_sd * f.speed_sd_mps[rows]
        return np.asarray(np.abs(f.speed_mps[rows]) > fast)

    def _any_fast(self, s: _Segment) -> bool:
        f, r = self._fused, self._rolling
        fast = r.speed_mps + r.speed_sd * f.speed_sd_mps[s.fastest]
        if abs(f.speed_mps[s.fastest]) > fast:
            return True
        return bool(self._is_fast(slice(s.first, s.end)).any())


def _rolling(
    fused: Fused, segments: list[_Segment], rolling: Rolling, count_m: float
) -> list[Stretch]:
    roll = _Roll(fused, rolling, count_m)
    for segment in segments:
        roll.take(segment)
    return roll.found
