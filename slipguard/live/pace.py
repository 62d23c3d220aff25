"""A fixed rate, kept and measured.

Rounds start on a grid of ticks. A round that takes too long costs the ticks it ran over: they
are skipped and counted, never made up for by rounds in quick succession.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from slipguard.live.clock import Clock

LATEST_SHARE = 0.5
"""A tick later than this share of the period is skipped, or its round would crowd the next."""
FINEST_S = 1e-6
STEP = 1.05
BUCKETS = 430
"""From 1 us to 20 minutes in steps of 5 %."""


class Spread:
    """How durations are distributed, in constant memory and to 5 %."""

    def __init__(self) -> None:
        self.count = 0
        self.worst_s = 0.0
        self._buckets = [0] * BUCKETS

    def add(self, duration_s: float) -> None:
        """Count one duration; what is below a microsecond is one."""
        self.count += 1
        self.worst_s = max(self.worst_s, duration_s)
        index = 0
        if duration_s > FINEST_S:
            index = min(BUCKETS - 1, math.ceil(math.log(duration_s / FINEST_S) / math.log(STEP)))
        self._buckets[index] += 1

    def quantile_s(self, share: float) -> float:
        """What ``share`` (0..1) of all durations do not exceed, seconds; 0 without any."""
        wanted = share * self.count
        seen = 0
        for index, number in enumerate(self._buckets):
            seen += number
            if number and seen >= wanted:
                return min(self.worst_s, FINEST_S * STEP**index)
        return self.worst_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """How well the rate was kept.

    Attributes
    ----------
    rate_hz : float
        As wanted.
    rounds, overruns, skipped : int
        Rounds begun, rounds that worked for longer than a period, and ticks without a round.
    late_p50_s, late_p99_s, late_worst_s : float
        Jitter: how long after its tick a round began.
    work_p50_s, work_p99_s, work_p999_s, work_worst_s : float
        How long a round worked, waiting for plugins included.
    """

    rate_hz: float
    rounds: int
    overruns: int
    skipped: int
    late_p50_s: float
    late_p99_s: float
    late_worst_s: float
    work_p50_s: float
    work_p99_s: float
    work_p999_s: float
    work_worst_s: float


class Pace:
    """Says when to begin the next round."""

    def __init__(self, clock: Clock, rate_hz: float) -> None:
        self.period_s = 1.0 / rate_hz
        self.rounds = 0
        self.overruns = 0
        self.skipped = 0
        self.late = Spread()
        self.work = Spread()
        self._clock = clock
        self._rate_hz = rate_hz
        self._start_s: float | None = None
        self._tick = 0  # the next one, counted from the start: adding periods would drift

    def wait(self) -> float:
        """Wait for the next tick that is not too late; the time then."""
        now_s = self._clock()
        if self._start_s is None:
            self._start_s = now_s
        behind = (now_s - self._start_s) / self.period_s - self._tick
        if behind > LATEST_SHARE:
            missed = math.ceil(behind - LATEST_SHARE)
            self.skipped += missed
            self._tick += missed
        tick_s = self._start_s + self._tick * self.period_s
        self._clock.wait_until(tick_s)
        self._tick += 1
        self.rounds += 1
        now_s = self._clock()
        self.late.add(now_s - tick_s)
        return now_s

    def done(self, begun_s: float) -> None:
        """The round that began at ``begun_s`` is over."""
        work_s = self._clock() - begun_s
        self.work.add(work_s)
        self.overruns += work_s > self.period_s

    @property
    def left_s(self) -> float:
        """Time until the next tick, seconds."""
        return (self._start_s or 0.0) + self._tick * self.period_s - self._clock()

    @property
    def timing(self) -> Timing:
        """What was measured so far."""
        return Timing(
            rate_hz=self._rate_hz,
            rounds=self.rounds,
            overruns=self.overruns,
            skipped=self.skipped,
            late_p50_s=self.late.quantile_s(0.5),
            late_p99_s=self.late.quantile_s(0.99),
            late_worst_s=self.late.worst_s,
            work_p50_s=self.work.quantile_s(0.5),
            work_p99_s=self.work.quantile_s(0.99),
            work_p999_s=self.work.quantile_s(0.999),
            work_worst_s=self.work.worst_s,
        )
