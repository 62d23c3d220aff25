"""What a replayed drive showed, gathered in one pass. Memory: the findings, not the rows."""

from __future__ import annotations

import math
from dataclasses import dataclass

from slipguard.decision import Alert, Decision, Hold
from slipguard.reading import WHEELS
from slipguard.recording import Row
from slipguard.score import EpisodeLog

__all__ = ["DriveSummary"]

TRUE_SPEED = "true_speed_mps"
LONGEST_STEP_S = 0.5
"""A gap between rows counts for no more than this, so that a jump of the clock by hours does
not become hours of braking."""


def times_note(first_s: float) -> str:
    """How the times of a drive are told to a person; nothing where they are those recorded."""
    if first_s == 0.0:
        return ""
    return f"times: seconds from the first row, at {first_s:.3f} s in the recording"


@dataclass(slots=True)
class Span:
    """A stretch of time in one phase of the hill hold."""

    phase: Hold
    start_s: float
    end_s: float


class SpeedError:
    """Estimated speed against the truth column.

    Attributes
    ----------
    rows : int
        Rows with truth.
    worst_mps : float
        Largest error by size.
    """

    def __init__(self) -> None:
        self.rows = 0
        self.worst_mps = 0.0
        self._squares = 0.0
        self._inside = 0

    def add(self, decision: Decision, true_speed_mps: float | None) -> None:
        """Take in one row; without finite truth it does not count."""
        if true_speed_mps is None or not math.isfinite(true_speed_mps):
            return
        error = abs(decision.estimate.speed_mps - true_speed_mps)
        self.rows += 1
        self._squares += error * error
        self._inside += error <= 2.0 * decision.estimate.speed_sd_mps
        self.worst_mps = max(self.worst_mps, error)

    @property
    def rmse_mps(self) -> float:
        """Root mean square of the error."""
        return math.sqrt(self._squares / self.rows) if self.rows else math.nan

    @property
    def inside_2_sigma(self) -> float:
        """Share of rows whose truth lay within two of the estimate's standard deviations."""
        return self._inside / self.rows if self.rows else math.nan


class DriveSummary:
    """Feed it every row of a drive with its decision.

    Attributes
    ----------
    rows : int
    first_s : float
        Time of the first row: what a person reads counts from there.
    start_s, end_s : float
        The smallest and the largest time of any row: those of the first and the last, unless
        time goes back.
    times_back : int
        Rows whose time lies before that of the row before.
    first_back : int or None
        Line of the first of them.
    distance_m : float
        Net distance of the estimate, reverse counted negative.
    top_speed_mps : float
        Highest estimated speed by size.
    speed_error : SpeedError
    episodes : EpisodeLog
        Findings over time.
    alerts : list of Alert
    holds : list of Span
        Phases of the hill hold other than off.
    brake_s : list of 4 float
        Seconds for which each wheel's brake was pressed.
    brake_full_s : list of 4 float
        The same weighted by the command: seconds at full brake.
    limited_s : float
        Seconds with the throttle limited.
    """

    def __init__(self) -> None:
        self.rows = 0
        self.first_s = math.nan
        self.start_s = math.nan
        self.end_s = math.nan
        self.times_back = 0
        self.first_back: int | None = None
        self.distance_m = 0.0
        self.top_speed_mps = 0.0
        self.speed_error = SpeedError()
        self.episodes = EpisodeLog()
        self.alerts: list[Alert] = []
        self.holds: list[Span] = []
        self.brake_s = [0.0] * len(WHEELS)
        self.brake_full_s = [0.0] * len(WHEELS)
        self.limited_s = 0.0
        self._last: Decision | None = None

    @property
    def duration_s(self) -> float:
        """From the smallest time to the largest."""
        return self.end_s - self.start_s

    def add(self, row: Row, decision: Decision) -> None:
        """Take in one row and what was decided on it."""
        t_s = decision.t_s
        if self.rows == 0:
            self.first_s = self.start_s = self.end_s = t_s
        self.rows += 1
        self.start_s = min(self.start_s, t_s)
        self.end_s = max(self.end_s, t_s)
        if self._last is not None and t_s < self._last.t_s:
            self.times_back += 1
            self.first_back = self.first_back or row.line
        self.distance_m = decision.estimate.distance_m
        self.top_speed_mps = max(self.top_speed_mps, abs(decision.estimate.speed_mps))
        self.speed_error.add(decision, row.number(TRUE_SPEED))
        self.episodes.add(t_s, decision.findings)
        self.alerts.extend(decision.alerts)
        self._add_hold(decision)
        if self._last is not None:
            self._add_use(self._last, min(max(t_s - self._last.t_s, 0.0), LONGEST_STEP_S))
        self._last = decision

    def _add_use(self, decision: Decision, step_s: float) -> None:
        """A decision lasts until the next one."""
        for i, brake in enumerate(decision.brakes):
            if brake > 0.0:
                self.brake_s[i] += step_s
                self.brake_full_s[i] += brake * step_s
        if decision.throttle_limit < 1.0:
            self.limited_s += step_s

    def _add_hold(self, decision: Decision) -> None:
        if self.holds and self._last is not None and self._last.hold != Hold.OFF:
            self.holds[-1].end_s = max(self.holds[-1].start_s, decision.t_s)
        new = self._last is None or self._last.hold != decision.hold
        if new and decision.hold != Hold.OFF:
            self.holds.append(Span(decision.hold, decision.t_s, decision.t_s))
