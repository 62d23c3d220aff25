"""What a rover did, seen afterwards: speed and slip far better known than while it drove."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.detect.detectors import Detectors
from slipguard.frame import GAP_S
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.fuse.model import V
from slipguard.label.smooth import Recorder, smooth
from slipguard.reading import Reading
from slipguard.respond.respond import Responder

Array = NDArray[np.float64]

KEPT_STEPS, AHEAD_STEPS = 8000, 4000
"""Steps smoothed at a time, and how many of those that follow are looked at for it: 40 s and
20 s at 200 Hz. Memory stays flat, and what happens later than that says nothing new."""

GRID_S = 0.005
LEAST_HALF_S = 0.02
"""Half the window over which slip speed is a slope, for fine encoders; see ``slip_speed``."""

STEP_MPS = 0.2
"""A window is long enough for one count at this slip speed to fill half of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A drive seen afterwards: n rows.

    Attributes
    ----------
    t_s, speed_mps, speed_sd_mps : (n,) array
    ground_mps, rim_mps : (n, 4) array
        Along each wheel, as ``slipguard.label.define`` wants them.
    throttle, motor_enabled, command_age_s : (n,) array
        What the driver asked for.
    """

    t_s: Array
    speed_mps: Array
    speed_sd_mps: Array
    ground_mps: Array
    rim_mps: Array
    throttle: Array
    motor_enabled: Array
    command_age_s: Array


def look_back(readings: Iterable[Reading], config: Config) -> Reference:
    """Drive forwards through the readings, as the guard does, then backwards."""
    # Backwards, a lateness learnt from the first start would be as sure there as at the end.
    config = config.with_changes(encoders__delay_sd_s=0.0)
    intake, fusion = Intake(config), Fusion(config)
    detectors, responder = Detectors(config), Responder(config)
    recorder = Recorder(fusion.motion.body.engine.x, fusion.motion.body.engine.P)
    fusion.motion.body.engine = recorder
    smoothed = _Smoothed(recorder)
    rows: list[tuple[float, ...]] = []
    travel: list[tuple[float, ...]] = []
    for reading in readings:
        frame = intake.take(reading)
        estimate = fusion.step(frame, responder.brakes, detectors.broken)
        responder.step(frame, estimate, detectors.step(frame, estimate, responder.brakes))
        smoothed.mark()
        age = frame.command_age_s
        rows.append(
            (
                frame.t_s,
                estimate.yaw_rate_radps,
                fusion.motion.body.body_turn_mps,
                0.0 if math.isnan(frame.throttle) else frame.throttle,
                float(frame.motor_enabled),
                0.0 if math.isnan(age) else age,
            )
        )
        travel.append(estimate.wheel_travel_m)
    speed, sd = smoothed.finish()
    table = np.array(rows).reshape(-1, 6)
    t_s = np.maximum.accumulate(table[:, 0])
    ground = np.array(
        [
            [fusion.motion.body.hub_speed(i, v, yaw)[0] for i in range(4)]
            for v, yaw in zip(speed.tolist(), table[:, 1].tolist(), strict=True)
        ]
    ).reshape(-1, 4)
    counted = np.array(travel).reshape(-1, 4)
    late_s = fusion.motion.body.late_s + 0.5 / config.encoders.rate_hz
    gripping = ground - table[:, 2:3]
    slip = np.column_stack(
        [slip_speed(t_s, counted[:, i], gripping[:, i], config.count_m, late_s) for i in range(4)]
    )
    return Reference(
        t_s=t_s,
        speed_mps=speed,
        speed_sd_mps=sd,
        ground_mps=ground,
        rim_mps=ground + slip,
        throttle=table[:, 3],
        motor_enabled=table[:, 4],
        command_age_s=table[:, 5],
    )


def slip_speed(
    t_s: Array, travel_m: Array, gripping_mps: Array, count_m: float, late_s: float
) -> Array:
    """Slip speed of a wheel (n,), from its travel less the travel it had if it gripped.

    A count is an edge that was passed between two samples: there the travel is known to half a
    sample, and between two edges it is taken to be even. The slope of the excess is that of
    the straight line of least squares in a window.

    Parameters
    ----------
    t_s, travel_m : (n,) array
        Travel by the encoder, in steps of ``count_m``.
    gripping_mps : (n,) array
        Speed the encoder would show of a wheel that grips.
    count_m : float
        Zero for wheels that report speeds.
    late_s : float
        How long before it is read an edge was passed, on average.
    """
    if len(t_s) < 2 or t_s[-1] <= t_s[0]:
        return np.zeros(len(t_s))
    # What happened in a gap is not known; a clock that jumps by days must not fill the memory.
    t_s = np.concatenate(([0.0], np.cumsum(np.minimum(np.diff(t_s), GAP_S))))
    changed = np.flatnonzero(np.diff(travel_m)) + 1
    passed_s = np.maximum.accumulate(t_s[changed] - late_s)
    edges = 0.5 * (travel_m[changed - 1] + travel_m[changed] + count_m)
    gripping = np.concatenate(([0.0], np.cumsum(gripping_mps[1:] * np.diff(t_s))))
    # At either end no edge is known: it grips there, as far as it stays within the count. What was
    # passed within late_s of the end never arrived; excess stays there as it was.
    times, places = passed_s, edges
    if not len(edges) or passed_s[0] > t_s[0]:
        near_m = edges[0] if len(edges) else travel_m[0] + 0.5 * count_m
        first_m = near_m - (np.interp(passed_s[0], t_s, gripping) if len(edges) else 0.0)
        times = np.concatenate((t_s[:1], times))
        places = np.concatenate(([_within(first_m, near_m, travel_m[0], count_m)], places))
    known_s = max(t_s[-1] - late_s, times[-1])
    last_m = places[-1] + np.diff(np.interp([times[-1], known_s], t_s, gripping))[0]
    places = np.append(places, _within(last_m, places[-1], travel_m[-1], count_m))
    times = np.append(times, known_s)
    grid = np.arange(t_s[0], t_s[-1] + GRID_S, GRID_S)
    known = np.minimum(grid, known_s)
    excess = np.interp(known, times, places) - np.interp(known, t_s, gripping)
    half = round(max(LEAST_HALF_S, 0.5 * count_m / STEP_MPS) / GRID_S)
    offsets = np.arange(-half, half + 1) * GRID_S
    kernel = offsets[::-1] / np.sum(offsets**2)
    padded = np.pad(excess, half, mode="edge")
    return np.interp(t_s, grid, np.convolve(padded, kernel, mode="valid"))


def _within(place_m: float, edge_m: float, counted_m: float, count_m: float) -> float:
    """A place between an edge and the count beside it: several may pass from one row to another."""
    low, high = min(edge_m, counted_m), max(edge_m, counted_m + count_m)
    return float(np.clip(place_m, low, high))


class _Smoothed:
    """Speed at every mark, smoothed piece by piece."""

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._marks: list[int] = []  # steps before each mark that is not smoothed yet
        self._speed: list[float] = []
        self._sd: list[float] = []

    def mark(self) -> None:
        """The state now is one that is wanted."""
        self._marks.append(len(self._recorder.steps.x))
        if len(self._recorder.steps.x) >= KEPT_STEPS + AHEAD_STEPS:
            self._smooth(KEPT_STEPS)

    def finish(self) -> tuple[Array, Array]:
        """Speed and its standard deviation, at all marks."""
        self._smooth(len(self._recorder.steps.x) + 1)
        return np.array(self._speed), np.array(self._sd)

    def _smooth(self, until: int) -> None:
        recorder = self._recorder
        means, covs = smooth(recorder.steps, recorder.x, recorder.P)
        done = [mark for mark in self._marks if mark < until]
        for mark in done:
            self._speed.append(float(means[mark, V]))
            self._sd.append(math.sqrt(max(0.0, float(covs[mark, V, V]))))
        self._marks = [mark - until for mark in self._marks[len(done) :]]
        recorder.forget(until)
