"""What a page shows of a drive, gathered in one pass: a number a row for every line."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.errors import RecordingError
from slipguard.reading import WHEELS
from slipguard.recording import Recording, Row
from slipguard.recording.find import check_inside
from slipguard.replay import replay_rows
from slipguard.score import Score, score
from slipguard.summary import LONGEST_STEP_S, DriveSummary

Array = NDArray[np.float64]

ALIGNED_M = 1.0

TRUTH = {
    "true_speed": ("true_speed_mps", lambda v: v),
    "true_grade": ("true_grade_rad", lambda v: 100.0 * math.tan(v)),
    **{f"true_slip_{w}": (f"true_{w}_slip_mps", lambda v: v) for w in WHEELS},
}
"""Channels that come from truth columns, where a drive has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A replayed drive, ready to be drawn.

    Attributes
    ----------
    name, vehicle, source, notes : str
        The file's name, and what its labels file says.
    start_s : float
        Time of the first row in the recording.
    t_s : (n,) array
        Seconds of each row from there; where the clock went back, the latest before it.
    clock_went_back : bool
    channels : mapping of str to (n,) float32 array
        One for each line that may be drawn; NaN where there is no value.
    path_m, true_path_m : (n, 2) array, or None
        Where the rover went, from estimated speed and turn rate, and in truth.
    summary : DriveSummary
    scores : mapping of str to Score, or None
        None: the drive has no labels.
    config : Config
    """

    name: str
    vehicle: str
    source: str
    notes: str
    truncated: str | None
    start_s: float
    t_s: Array
    clock_went_back: bool
    channels: Mapping[str, NDArray[np.float32]]
    path_m: Array
    true_path_m: Array | None
    summary: DriveSummary
    scores: Mapping[str, Score] | None
    config: Config


def report_drive(recording: Recording, config: Config, rows: Iterable[Row] | None = None) -> Report:
    """Replay a drive and keep what a page shows.

    Parameters
    ----------
    recording : Recording
    config : Config
        The rover it was driven with.
    rows : iterable of Row, optional
        The rows of ``recording``, e.g. behind a progress bar.

    Raises
    ------
    RecordingError
        The drive or its labels cannot be read, a label lies outside the drive, or there are no
        rows.
    """
    labels = recording.labels
    summary = DriveSummary()
    lines = _Lines(config, recording.columns)
    for row, decision in replay_rows(recording if rows is None else rows, config):
        summary.add(row, decision)
        lines.add(row, decision)
    if not summary.rows:
        note = f"; {recording.truncated}" if recording.truncated else ""
        raise RecordingError(f"{recording.path}: the drive holds no rows{note}")
    clock_s = lines.column("t_s")
    t_s = np.maximum.accumulate(clock_s)
    scores = None
    if labels.events is not None:
        check_inside(recording.path, labels.events, summary.start_s, summary.end_s)
        scores = score(summary.episodes.episodes(), labels.events)
    path, true = dead_reckoning(clock_s, lines.column("v"), lines.column("yaw")), lines.true_path()
    return Report(
        name=recording.path.name,
        vehicle=labels.vehicle,
        source=labels.source,
        notes=labels.notes,
        truncated=recording.truncated,
        start_s=summary.first_s,
        t_s=t_s - summary.first_s,
        clock_went_back=bool(np.any(clock_s < t_s)),
        channels=lines.channels(),
        path_m=path,
        true_path_m=None if true is None else from_one_start(true, path),
        summary=summary,
        scores=scores,
        config=config,
    )


def dead_reckoning(t_s: Array, speed_mps: Array, yaw_radps: Array) -> Array:
    """Positions (n, 2) in metres, from (0, 0) and heading along x. Drifts, as any such path."""
    step_s = np.clip(np.diff(t_s, prepend=t_s[:1]), 0.0, LONGEST_STEP_S)
    heading = np.cumsum(yaw_radps * step_s)
    way = speed_mps * step_s
    return np.column_stack((np.cumsum(way * np.cos(heading)), np.cumsum(way * np.sin(heading))))


def from_one_start(true_m: Array, path_m: Array) -> Array:
    """True positions (n, 2) seen from where and how the rover stood at the start of ``path_m``.

    Truth has axes of its own. The turn between the two is that of least squares over the first
    ``ALIGNED_M`` of the way, in which dead reckoning has not drifted yet (of complex numbers: the
    angle of the sum of one times the other's conjugate).
    """
    true, path = (xy[:, 0] + 1j * xy[:, 1] for xy in (true_m, path_m))
    known = np.flatnonzero(np.isfinite(true))
    start = known[0]
    true, path = true - true[start], path - path[start]
    far = np.abs(true[known]) > ALIGNED_M
    near = known[: np.argmax(far) + 1] if far.any() else known
    turn = np.angle(np.sum(true[near] * np.conj(path[near])))
    seen = true * np.exp(-1j * turn) + path_m[start, 0] + 1j * path_m[start, 1]
    return np.column_stack((seen.real, seen.imag))


class _Lines:
    """Columns that grow by a row at a time."""

    def __init__(self, config: Config, columns: Iterable[str]) -> None:
        self._spin = config.spin
        there = set(columns)
        self._truth: list[tuple[str, str, Callable[[float], float]]] = [
            (name, column, change) for name, (column, change) in TRUTH.items() if column in there
        ]
        self._has_path = {"true_x_m", "true_y_m"} <= there
        self._exact = {name: array("d") for name in ("t_s", "v", "yaw", "x", "y")}
        self._columns: dict[str, array[float]] = {}
        self._request = math.nan

    def add(self, row: Row, decision: Decision) -> None:
        """Take in one row and what was decided on it."""
        estimate, exact = decision.estimate, self._exact
        exact["t_s"].append(decision.t_s)
        exact["v"].append(estimate.speed_mps)
        exact["yaw"].append(estimate.yaw_rate_radps)
        if self._has_path:
            exact["x"].append(_or_nan(row.number("true_x_m")))
            exact["y"].append(_or_nan(row.number("true_y_m")))
        for name, value in self._values(row, decision):
            column = self._columns.get(name)
            if column is None:
                column = self._columns[name] = array("f")
            column.append(value)

    def _values(self, row: Row, decision: Decision) -> Iterable[tuple[str, float]]:
        estimate, spin = decision.estimate, self._spin
        band = 2.0 * estimate.speed_sd_mps
        yield "speed", estimate.speed_mps
        yield "speed_low", estimate.speed_mps - band
        yield "speed_high", estimate.speed_mps + band
        yield "grade", _percent(estimate.grade_rad)
        yield "grade_low", _percent(estimate.grade_rad - 2.0 * estimate.grade_sd_rad)
        yield "grade_high", _percent(estimate.grade_rad + 2.0 * estimate.grade_sd_rad)
        for i, wheel in enumerate(WHEELS):
            yield f"rim_{wheel}", estimate.wheel_speed_mps[i]
            yield f"slip_{wheel}", estimate.slip_mps[i]
            limit = spin.slip_speed_mps + spin.slip_sd * estimate.slip_sd_mps[i]
            yield f"slip_limit_{wheel}", limit
            yield f"slip_limit_back_{wheel}", -limit
            yield f"excess_{wheel}", 1e3 * estimate.excess_travel_m[i]
            yield f"brake_{wheel}", decision.brakes[i]
        excess_sd_mm = 1e3 * min(estimate.excess_sd_m)
        yield "excess_limit", spin.excess_travel_mm + spin.excess_sd * excess_sd_mm
        yield "excess_limit_back", -spin.excess_travel_mm - spin.excess_sd * excess_sd_mm
        if row.reading.throttle is not None:
            self._request = row.reading.throttle
        yield "request", self._request
        yield "throttle", decision.throttle
        yield "limit", decision.throttle_limit
        yield "limit_back", -decision.throttle_limit
        for name, column, change in self._truth:
            value = row.number(column)
            yield name, math.nan if value is None else change(value)

    def column(self, name: str) -> Array:
        """One of the exact columns: t_s, v, yaw."""
        return np.array(self._exact[name])

    def channels(self) -> dict[str, NDArray[np.float32]]:
        """All lines."""
        return {name: np.array(column) for name, column in self._columns.items()}

    def true_path(self) -> Array | None:
        """True positions (n, 2), where the drive has them."""
        if not self._has_path:
            return None
        path = np.column_stack((self._exact["x"], self._exact["y"]))
        return path if np.isfinite(path).any() else None


def _percent(grade_rad: float) -> float:
    """Grade in per cent; a band of a grade not known yet stays on the page."""
    return 100.0 * math.tan(max(-1.0, min(1.0, grade_rad)))


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value
