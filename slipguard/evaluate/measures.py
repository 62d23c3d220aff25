"""One drive with truth, measured: what was found, missed, invented, and how true the speed was.

Definitions
-----------
A *label* is an event in truth. A spin counts for recall from the excess rim travel on that
detection is meant for (12 mm, or 35 mm where a count is longer than 12 mm), rolling from one count
of travel on, before which no encoder need have moved; shorter ones are counted apart. A finding
*matches* a label of its kind and wheel when they overlap, give or take ``NEAR_S``, and later by as
much as the wheel data come late. One without a label is *slight* when truth or a slight label
shows the same thing at that time, too short or too small to demand that it is found, and *false*
when it does not.

The error of speed is told apart by how many wheels spin, or did ``AFTER_SPIN_S`` ago, as labelled:
none (``ordinary``), some (``spinning``), or all four (``all_spinning``), when no wheel is left that
tells how fast the ground goes by.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.engines import quickest
from slipguard.frame import GAP_S
from slipguard.guard import Guard
from slipguard.reading import WHEELS, Reading
from slipguard.score import Episode, EpisodeLog, Label

Array = NDArray[np.float64]

NEAR_S = 0.1
MERGE_GAP_S = 0.05
START_S = 0.3
MOVING_MPS = 0.03
AFTER_SPIN_S = 0.1
SLIP_MPS = 0.15
ROLL_M = 0.002
COUNTED = ("wheel_spin", "rolling")
UNASKED = "unasked_mps"
SPEED_PARTS = ("ordinary", "spinning", "all_spinning")


@dataclass(slots=True)
class Measures:
    """Sums over drives; add them. Delays in seconds, travel in metres."""

    drives: int = 0
    hours: float = 0.0
    found: dict[str, int] = field(default_factory=dict)
    missed: dict[str, int] = field(default_factory=dict)
    short_found: dict[str, int] = field(default_factory=dict)
    short_missed: dict[str, int] = field(default_factory=dict)
    delays_s: dict[str, list[float]] = field(default_factory=dict)
    roll_travel_m: list[float] = field(default_factory=list)
    matched: dict[str, int] = field(default_factory=dict)
    slight: dict[str, int] = field(default_factory=dict)
    false: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    ordinary: list[float] = field(default_factory=lambda: [0.0, 0.0])  # n, sum of squares
    spinning: list[float] = field(default_factory=lambda: [0.0, 0.0])
    all_spinning: list[float] = field(default_factory=lambda: [0.0, 0.0])
    moving: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0, 0.0])
    """n, truth inside two sigma, sum of sigma, sum of squared errors, while moving."""

    def __iadd__(self, other: Measures) -> Measures:
        self.drives += other.drives
        self.hours += other.hours
        of_kinds = ("found", "missed", "short_found", "short_missed", "matched", "slight", "false")
        for name in of_kinds:
            mine = getattr(self, name)
            for kind, n in getattr(other, name).items():
                mine[kind] = mine.get(kind, 0) + n
        for kind, delays in other.delays_s.items():
            self.delays_s.setdefault(kind, []).extend(delays)
        self.roll_travel_m += other.roll_travel_m
        self.notes += other.notes
        for name in (*SPEED_PARTS, "moving"):
            mine = getattr(self, name)
            for i, n in enumerate(getattr(other, name)):
                mine[i] += n
        return self

    def rmse_mps(self, part: str) -> float | None:
        """Root mean square speed error in one of ``SPEED_PARTS``; None without any."""
        n, squares = getattr(self, part)
        return math.sqrt(squares / n) if n else None

    @property
    def coverage(self) -> float | None:
        """Share of time, while moving, that truth was inside two sigma."""
        return self.moving[1] / self.moving[0] if self.moving[0] else None

    @property
    def sigma_over_rmse(self) -> float | None:
        """Mean sigma over RMSE while moving; an honest filter is near 1."""
        n, _, sigma, squares = self.moving
        return (sigma / n) / math.sqrt(squares / n) if n and squares else None


def measure(
    readings: Iterable[Reading],
    truth: Mapping[str, Array],
    labels: Sequence[Label],
    config: Config,
    *,
    name: str = "",
    decisions: Iterable[Decision] | None = None,
    late_s: float = 0.0,
) -> Measures:
    """Measure one drive.

    Parameters
    ----------
    readings : iterable of Reading
    truth : mapping of (n,) arrays
        ``t_s`` and the truth columns of a recording (``true_speed_mps``,
        ``true_fl_slip_mps``, ``true_fl_ground_mps``, ...), one value a reading.
    labels : sequence of Label
    config : Config
    name : str
        How notes call the drive.
    decisions : iterable of Decision, optional
        Those of a closed loop; None: the readings go through a new Guard.
    late_s : float
        How much later than the motion the wheel data come: so much later a finding may come and
        still be of its label. Delays are from the label, this included.
    """
    readings = list(readings)
    if decisions is None:
        guard = Guard(config, quickest())
        decisions = map(guard.step, readings)
    log = EpisodeLog(merge_gap_s=MERGE_GAP_S)
    speed, sd = [], []
    for decision in decisions:
        log.add(decision.t_s, decision.findings)
        speed.append(decision.estimate.speed_mps)
        sd.append(decision.estimate.speed_sd_mps)
    out = Measures(drives=1)
    out.hours = float(_steps_s(truth).sum()) / 3600.0
    _speed_errors(out, truth, labels, np.array(speed), np.array(sd))
    episodes = log.episodes()
    _found(out, episodes, labels, truth, config, name, late_s)
    shown = {**truth, UNASKED: _unasked_mps(truth["true_speed_mps"], readings, config)}
    _invented(out, episodes, labels, shown, name, late_s)
    return out


def _unasked_mps(speed: Array, readings: Sequence[Reading], config: Config) -> Array:
    """True speed (n,), but 0 where the rover goes the way its driver asks for."""
    wanted = []
    throttle, enabled, age_s = 0.0, True, 0.0
    for r in readings:
        throttle = throttle if r.throttle is None else r.throttle
        enabled = enabled if r.motor_enabled is None else bool(r.motor_enabled)
        age_s = age_s if r.command_age_s is None else r.command_age_s
        heard = enabled and age_s <= config.limits.link_timeout_s
        wanted.append(throttle if heard and abs(throttle) > config.limits.throttle_dead_band else 0)
    return np.where(speed * np.array(wanted) > 0.0, 0.0, speed) if wanted else speed


def _speed_errors(
    out: Measures, truth: Mapping[str, Array], labels: Sequence[Label], speed: Array, sd: Array
) -> None:
    t, true = truth["t_s"], truth["true_speed_mps"]
    good = np.isfinite(true) & (t > t[0] + START_S)
    spins = {wheel: np.zeros(len(t), bool) for wheel in WHEELS}
    for label in labels:
        if label.kind == "wheel_spin" and not label.slight and label.wheel is not None:
            spins[label.wheel] |= (t >= label.start_s) & (t <= label.end_s + AFTER_SPIN_S)
    spinning = sum(spins.values())
    error = speed - true
    parts = (spinning == 0, (spinning > 0) & (spinning < len(WHEELS)), spinning == len(WHEELS))
    for part, where in zip(SPEED_PARTS, (good & part for part in parts), strict=True):
        setattr(out, part, [float(where.sum()), float((error[where] ** 2).sum())])
    moving = good & (np.abs(true) > MOVING_MPS)
    inside = np.abs(error[moving]) <= 2.0 * sd[moving]
    out.moving = [
        float(moving.sum()),
        float(inside.sum()),
        float(sd[moving].sum()),
        float((error[moving] ** 2).sum()),
    ]


def _matches(episode: Episode, label: Label, late_s: float) -> bool:
    return (
        episode.kind == label.kind
        and episode.wheel == label.wheel
        and episode.end_s >= label.start_s - NEAR_S
        and episode.start_s <= label.end_s + NEAR_S + late_s
    )


def _is_short(label: Label, truth: Mapping[str, Array], config: Config) -> bool:
    """Whether it need not be found. Where there is no truth of it, it must be."""
    if label.kind == "wheel_spin":
        bar_m = 0.012 if config.count_m <= 0.012 else 0.035
        return _excess_m(truth, label.wheel, label.start_s, label.end_s) < bar_m
    if label.kind == "rolling":
        return 0.0 < _distance_m(truth, label.start_s, label.end_s) < config.count_m
    return False


def _found(
    out: Measures,
    episodes: Sequence[Episode],
    labels: Sequence[Label],
    truth: Mapping[str, Array],
    config: Config,
    name: str,
    late_s: float,
) -> None:
    for label in labels:
        if label.slight or label.kind not in (*COUNTED, "sensor_fault"):
            continue
        hits = [e for e in episodes if _matches(e, label, late_s)]
        if _is_short(label, truth, config):
            of = out.short_found if hits else out.short_missed
            of[label.kind] = of.get(label.kind, 0) + 1
            continue
        if not hits:
            out.missed[label.kind] = out.missed.get(label.kind, 0) + 1
            where = f"{label.kind} {label.wheel or ''} {label.start_s:.2f}-{label.end_s:.2f} s"
            out.notes.append(f"{name}: missed {where}")
            continue
        out.found[label.kind] = out.found.get(label.kind, 0) + 1
        first = min(e.start_s for e in hits)
        out.delays_s.setdefault(label.kind, []).append(max(0.0, first - label.start_s))
        if label.kind == "rolling":
            out.roll_travel_m.append(_distance_m(truth, label.start_s, first))


def _invented(
    out: Measures,
    episodes: Sequence[Episode],
    labels: Sequence[Label],
    truth: Mapping[str, Array],
    name: str,
    late_s: float,
) -> None:
    for e in episodes:
        if e.kind in ("link_lost", "overspeed", "tip_over_risk"):
            continue  # statements about the command and the pose, not about slip
        matched = [label for label in labels if _matches(e, label, late_s)]
        if not all(label.slight for label in matched):
            kind = out.matched
        elif matched or _slight(e, truth, late_s):
            kind = out.slight
        else:
            kind = out.false
            where = f"{e.kind} {e.wheel or e.sensor or ''} {e.start_s:.2f}-{e.end_s:.2f} s"
            out.notes.append(f"{name}: false {where}, peak {e.peak:.3g} {e.unit}")
        kind[e.kind] = kind.get(e.kind, 0) + 1


def _slight(e: Episode, truth: Mapping[str, Array], late_s: float) -> bool:
    """Whether truth shows the same thing around then, too slight for a label."""
    t = truth["t_s"]
    near = (t >= e.start_s - 0.15 - late_s) & (t <= e.end_s + 0.05)
    if not near.any():
        return False
    if e.kind in ("wheel_spin", "wheel_lock"):
        slip = truth[f"true_{e.wheel}_slip_mps"][near]
        ground = truth[f"true_{e.wheel}_ground_mps"][near]
        rim = slip + ground
        along = slip * np.sign(rim) if e.kind == "wheel_spin" else -slip * np.sign(ground)
        return bool((along > SLIP_MPS).any())
    if e.kind == "rolling":
        return _distance_m(truth, e.start_s - 0.5 - late_s, e.end_s + 0.05, UNASKED) > ROLL_M
    if e.kind == "sliding":
        rims = [truth[f"true_{w}_slip_mps"] + truth[f"true_{w}_ground_mps"] for w in WHEELS]
        stopped = np.max(np.abs(np.array(rims)), axis=0) < 0.1
        return bool((stopped & near & (np.abs(truth["true_speed_mps"]) > 0.1)).any())
    return False


def _steps_s(truth: Mapping[str, Array]) -> Array:
    """Seconds from row to row (n,): none over a gap, or where the clock goes back."""
    steps = np.diff(truth["t_s"], prepend=truth["t_s"][:1])
    return np.where((steps >= 0.0) & (steps <= GAP_S), steps, 0.0)


def _excess_m(truth: Mapping[str, Array], wheel: str | None, start_s: float, end_s: float) -> float:
    t = truth["t_s"]
    where = (t >= start_s) & (t <= end_s)
    slip = np.abs(truth[f"true_{wheel}_slip_mps"][where])
    if np.isnan(slip).all():
        return math.inf
    return float(np.nansum(slip * _steps_s(truth)[where]))


def _distance_m(
    truth: Mapping[str, Array], start_s: float, end_s: float, speed: str = "true_speed_mps"
) -> float:
    t = truth["t_s"]
    where = (t >= start_s) & (t <= end_s)
    way = np.cumsum((np.nan_to_num(truth[speed]) * _steps_s(truth))[where])
    return float(way.max() - way.min()) if len(way) else 0.0
