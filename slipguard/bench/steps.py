"""What one step costs, live and over a whole drive, beside baselines of the same run."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from slipguard.bench.baselines import calls_of, on_batch_filter, on_filterpy, on_numpy, operations
from slipguard.bench.drives import as_one, plain_drive, repeated, seconds
from slipguard.bench.in_c import recursion_in_c
from slipguard.config import Config
from slipguard.guard import Engine, Guard
from slipguard.reading import Reading

BARE, LOOP = "bare filterpy calls", "the same algebra as a numpy loop"
BATCH, IN_C = "filterpy's batch_filter", "the same algebra in C"
READ, ARITHMETIC = (
    "reading the arrays once",
    "its arithmetic alone, as in a matrix product",
)
WHOLE = "a whole drive, engine compiled"
WHOLE_ROWS = 60_000
"""Rows of the drive that is taken in one call: five minutes."""
MATRIX = 512


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
class Tail:
    """Single steps of an engine with the making of their Readings, by the clock on the wall.

    Attributes
    ----------
    median_us, most_us : float
        Half of the steps and 99.9 % of them take no longer.
    quiet_most_us : float
        The latter with the garbage collector off, as in the live loop.
    exponent : float
        Of processor time over drive length: 1 is linear.
    """

    engine: Engine
    median_us: float
    most_us: float
    quiet_most_us: float
    exponent: float


def step_name(engine: Engine) -> str:
    """How a figure of single steps is called."""
    return f"Guard.step, engine {engine}"


def drive(config: Config, engine: Engine, readings: Sequence[Reading]) -> None:
    """A guard over a drive."""
    step = Guard(config, engine).step
    for reading in readings:
        step(reading)


def measure_steps(
    config: Config, readings: Sequence[Reading], rounds: int, engines: Sequence[Engine]
) -> list[Figure]:
    """Each figure, ``rounds`` times over, one after the other in each round."""
    calls, rows = calls_of(config, readings), len(readings)
    work: dict[str, Callable[[], object]] = {
        BARE: partial(on_filterpy, calls),
        LOOP: partial(on_numpy, calls),
        BATCH: partial(on_batch_filter, calls),
    }
    of_rows = dict.fromkeys(work, rows)
    in_c = recursion_in_c(calls)
    if in_c is not None:
        work[IN_C], of_rows[IN_C] = in_c, rows
    long = as_one(plain_drive(readings, WHOLE_ROWS))
    work[READ], of_rows[READ] = long.max, len(long)
    square = np.ones((MATRIX, MATRIX))
    share = operations(calls) / (2 * MATRIX**3)  # of a matrix product, that the algebra is
    work[ARITHMETIC], of_rows[ARITHMETIC] = partial(np.matmul, square, square), rows
    for engine in engines:
        name = step_name(engine)
        work[name], of_rows[name] = partial(drive, config, engine, readings), rows
    if "compiled" in engines:
        from slipguard.compiled import CompiledDrive

        work[WHOLE], of_rows[WHOLE] = partial(CompiledDrive(config).run, long), len(long)
    took: dict[str, list[float]] = {name: [] for name in work}
    for one in work.values():
        one()  # what is loaded or compiled on first use
    for _ in range(rounds):
        for name, one in work.items():
            a_row = seconds(one) / of_rows[name]
            took[name].append(a_row * share if name == ARITHMETIC else a_row)

    def figure(name: str, baseline: str) -> Figure:
        ratios = [a / b for a, b in zip(took[name], took[baseline], strict=True)]
        return Figure(
            name, 1e6 * statistics.median(took[name]), baseline, statistics.median(ratios)
        )

    figures = [figure(name, BARE) for name in work if name != WHOLE]
    if WHOLE in work:
        others = (*map(step_name, engines), LOOP, BATCH, IN_C, ARITHMETIC, READ)
        figures.append(figure(step_name("compiled"), step_name("filterpy")))
        figures += [figure(WHOLE, other) for other in others if other in work]
    return figures


def measure_tail(config: Config, engine: Engine, readings: Sequence[Reading], rounds: int) -> Tail:
    """Median over the rounds, of each number."""
    usual, quiet, growth = [], [], []
    long = list(repeated(readings, 4))
    for _ in range(rounds):
        usual.append(_steps_us(config, engine, readings))
        gc.collect()
        gc.disable()
        try:
            quiet.append(_steps_us(config, engine, readings))
        finally:
            gc.enable()
        short_s = seconds(partial(drive, config, engine, readings))
        growth.append(np.log(seconds(partial(drive, config, engine, long)) / short_s) / np.log(4))
    return Tail(
        engine=engine,
        median_us=statistics.median(float(np.median(us)) for us in usual),
        most_us=statistics.median(float(np.percentile(us, 99.9)) for us in usual),
        quiet_most_us=statistics.median(float(np.percentile(us, 99.9)) for us in quiet),
        exponent=statistics.median(growth),
    )


def _steps_us(config: Config, engine: Engine, readings: Sequence[Reading]) -> list[float]:
    guard = Guard(config, engine)
    fields = [{name: getattr(r, name) for name in Reading.__slots__} for r in readings]
    clock, took = time.perf_counter_ns, []
    for values in fields:
        start = clock()
        guard.step(Reading(**values))
        took.append((clock() - start) / 1e3)
    return took
