"""How fast it is, as ratios: every figure beside a baseline measured in the same run.

A time says as much about the machine and about who else uses it as about the code; so each round
measures all candidates one after the other, and what is reported is the median over rounds of
the ratio within a round.
"""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from slipguard.config import Config
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.fusion import Motion
from slipguard.fuse.intake import Intake
from slipguard.fuse.model import N_STATE, Array
from slipguard.guard import Engine, Guard
from slipguard.reading import Reading

STILL = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Call:
    """One predict (``H`` is None) or update, as the fusion asked its filter for it."""

    vector: Array
    F: Array
    Q: Array
    H: Array | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table: median over the rounds.

    Attributes
    ----------
    name, baseline : str
        What was measured, and what it is a ratio to.
    us_per_row : float
        Microseconds for each reading.
    ratio : float
        Time over the time of the baseline in the same round.
    """

    name: str
    us_per_row: float
    baseline: str
    ratio: float


@dataclass(frozen=True, slots=True)
class Report:
    """What was measured, on what."""

    machine: str
    rows: int
    rounds: int
    figures: tuple[Figure, ...]
    tails_us: dict[str, tuple[float, float]]
    """Median and 99.9th percentile of a single step, for each engine."""
    exponent: dict[str, float]
    """Of time over drive length, for each engine: 1 is linear."""


def engines() -> tuple[Engine, ...]:
    """The engines that are installed."""
    return ("filterpy", "compiled") if find_spec("numba") else ("filterpy",)


def machine() -> str:
    """Processor, cores, interpreter."""
    name = platform.processor() or platform.machine()
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                name = line.split(":", 1)[1].strip()
                break
    except OSError:
        pass  # not a Linux: the shorter name
    python = f"{platform.python_implementation()} {platform.python_version()}"
    return f"{name}, {os.cpu_count()} cores, {python}, numpy {np.__version__}"


def repeated(readings: Sequence[Reading], times: int) -> Iterator[Reading]:
    """A drive of counts ``times`` over without a gap: time and counts go on."""
    first, last = readings[0], readings[-1]
    period_s = last.t_s - first.t_s + 0.005
    ends = [r.counts for r in readings if r.counts is not None and None not in r.counts]
    step = [b - a for a, b in zip(ends[0], ends[-1], strict=True)] if ends else []  # type: ignore[operator]
    for k in range(times):
        for reading in readings:
            counts = reading.counts
            if counts is not None:
                counts = [
                    None if c is None else c + k * s for c, s in zip(counts, step, strict=True)
                ]
            yield replace(reading, t_s=reading.t_s + k * period_s, counts=counts)


def calls_of(config: Config, readings: Sequence[Reading]) -> list[Call]:
    """Every predict and update the fusion asks its filter for on this drive."""
    calls: list[Call] = []

    class Noting(FilterpyEngine):
        def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
            calls.append(Call(np.array(moved), F.copy(), Q.copy()))
            super().predict(moved, F, Q)

        def update(self, innovation: Array, H: Array, R: Array) -> Array:
            calls.append(Call(innovation.copy(), R.copy(), R.copy(), H.copy()))
            return super().update(innovation, H, R)

    intake, motion = Intake(config), Motion(config, Noting)
    for reading in readings:
        motion.step(intake.take(reading), STILL)
    return calls


def on_filterpy(calls: Sequence[Call]) -> None:
    """The bare calls, nothing else: predict and update of filterpy with these matrices."""
    from filterpy.kalman import KalmanFilter

    kf = KalmanFilter(dim_x=N_STATE, dim_z=1)
    kf.x, kf.P, eye = np.zeros(N_STATE), np.eye(N_STATE), np.eye(N_STATE)
    for call in calls:
        if call.H is None:
            kf.predict(u=call.vector, B=eye, F=call.F, Q=call.Q)
        else:
            kf.update(call.vector, R=call.Q, H=call.H)


def on_numpy(calls: Sequence[Call]) -> None:
    """The same algebra as a loop of numpy calls, as one would write it by hand."""
    x, P, eye = np.zeros(N_STATE), np.eye(N_STATE), np.eye(N_STATE)
    for call in calls:
        if call.H is None:
            x = call.F @ x + call.vector
            P = call.F @ P @ call.F.T + call.Q
        else:
            H, R = call.H, call.Q
            PHT = P @ H.T
            K = PHT @ np.linalg.inv(H @ PHT + R)
            x = x + K @ (call.vector - H @ x)
            rest = eye - K @ H
            P = rest @ P @ rest.T + K @ R @ K.T


def on_batch_filter(calls: Sequence[Call]) -> None:
    """filterpy's own loop over a drive. It takes one kind of measurement: that of the counts."""
    from filterpy.kalman import KalmanFilter

    predicts = [k for k, call in enumerate(calls) if call.H is None]
    zs: list[Any] = []
    blank = next((c for c in calls if c.H is not None and len(c.vector) == 4), None)
    H = np.zeros((4, N_STATE)) if blank is None or blank.H is None else blank.H
    R = np.eye(4) if blank is None else blank.Q
    for k in predicts:
        after = calls[k + 1] if k + 1 < len(calls) else calls[k]
        zs.append(after.vector if after.H is not None and len(after.vector) == 4 else None)
    kf = KalmanFilter(dim_x=N_STATE, dim_z=4)
    kf.x, kf.P = np.zeros(N_STATE), np.eye(N_STATE)
    kf.batch_filter(
        zs,
        Fs=[calls[k].F for k in predicts],
        Qs=[calls[k].Q for k in predicts],
        Hs=[H] * len(zs),
        Rs=[R] * len(zs),
    )


def as_arrays(readings: Sequence[Reading]) -> Array:
    """The numbers of a drive in one array, (n, 13)."""
    none = (np.nan,) * 4
    rows = [
        (r.t_s, r.throttle, r.steer, r.accel_mps2 or none[:3], r.gyro_radps or none[:3], r.counts)
        for r in readings
    ]
    return np.array([(*r[:3], *r[3], *r[4], *(r[5] or none)) for r in rows], dtype=float)


def seconds(work: Callable[[], object]) -> float:
    """Processor time it takes once: other programs on the machine do not count."""
    start = time.process_time()
    work()
    return time.process_time() - start


def drive(config: Config, engine: Engine, readings: Sequence[Reading]) -> None:
    """A guard over a drive."""
    step = Guard(config, engine).step
    for reading in readings:
        step(reading)


def tail_us(config: Config, engine: Engine, readings: Sequence[Reading]) -> tuple[float, float]:
    """Median and 99.9th percentile of one step with the making of its Reading, microseconds.

    By the clock on the wall: what a control loop waits for.
    """
    guard = Guard(config, engine)
    fields = [{name: getattr(r, name) for name in Reading.__slots__} for r in readings]
    clock, took = time.perf_counter_ns, []
    for values in fields:
        start = clock()
        guard.step(Reading(**values))
        took.append(clock() - start)
    return float(np.median(took)) / 1e3, float(np.percentile(took, 99.9)) / 1e3


def measure(config: Config, readings: Sequence[Reading], rounds: int = 5) -> Report:
    """Measure everything, ``rounds`` times over.

    ``readings``: a drive, a few thousand of them; counts, not speeds.
    """
    calls, arrays, rows = calls_of(config, readings), as_arrays(readings), len(readings)
    bare, loop = "bare filterpy calls of the same model", "the same algebra as a numpy loop"
    batch, floor = "filterpy's batch_filter", "reading the arrays once"
    work: dict[str, Callable[[], object]] = {
        bare: lambda: on_filterpy(calls),
        loop: lambda: on_numpy(calls),
        batch: lambda: on_batch_filter(calls),
        floor: arrays.sum,
    }
    names: dict[Engine, str] = {e: f"Guard.step, engine {e}" for e in engines()}
    for engine, name in names.items():
        work[name] = lambda engine=engine: drive(config, engine, readings)  # type: ignore[misc]
    took: dict[str, list[float]] = {name: [] for name in work}
    tails: dict[Engine, list[tuple[float, float]]] = {e: [] for e in names}
    growth: dict[Engine, list[float]] = {e: [] for e in names}
    for one in work.values():
        one()  # what is loaded or compiled on first use
    long = list(repeated(readings, 4))
    for _ in range(rounds):
        for name, one in work.items():
            took[name].append(seconds(one))
        for engine in names:
            tails[engine].append(tail_us(config, engine, readings))
            short_s = seconds(lambda engine=engine: drive(config, engine, readings))  # type: ignore[misc]
            long_s = seconds(lambda engine=engine: drive(config, engine, long))  # type: ignore[misc]
            growth[engine].append(np.log(long_s / short_s) / np.log(4.0))

    def figure(name: str, baseline: str) -> Figure:
        ratios = [a / b for a, b in zip(took[name], took[baseline], strict=True)]
        return Figure(
            name,
            1e6 * statistics.median(took[name]) / rows,
            baseline,
            statistics.median(ratios),
        )

    figures = [figure(bare, bare), figure(loop, bare), figure(batch, bare), figure(floor, bare)]
    for engine, name in names.items():
        figures.append(figure(name, bare))
        if engine == "compiled":
            figures += [figure(name, other) for other in (names["filterpy"], loop, batch, floor)]
    return Report(
        machine=machine(),
        rows=rows,
        rounds=rounds,
        figures=tuple(figures),
        tails_us={
            e: (statistics.median(t[0] for t in ts), statistics.median(t[1] for t in ts))
            for e, ts in tails.items()
        },
        exponent={e: statistics.median(g) for e, g in growth.items()},
    )
