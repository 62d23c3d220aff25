"""How time and memory grow: with the length of a drive, with drives, and with threshold sets."""

from __future__ import annotations

import resource
import statistics
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import TYPE_CHECKING

import numpy as np

from slipguard.bench.drives import as_one, plain_drive, seconds, wall_seconds
from slipguard.config import Config
from slipguard.detect.found import Found
from slipguard.detect.motion import UnaskedMotion
from slipguard.detect.wheels import WheelSlip
from slipguard.estimate import Estimate
from slipguard.fuse.model import Array
from slipguard.guard import Guard
from slipguard.reading import Reading
from slipguard.settings import Rolling, Spin

if TYPE_CHECKING:
    from slipguard.compiled import CompiledDrive

MINUTE_ROWS = 12_000
LENGTHS_MIN, FULL_LENGTHS_MIN = (1, 10, 60), (1, 10, 60, 360, 1440)
DRIVES, FULL_DRIVES = (1, 4, 16), (1, 4, 16, 64)
SETS, FULL_SETS = 20, 1000
SETS_MIN, FULL_SETS_MIN = 5, 60


@dataclass(frozen=True, slots=True)
class Length:
    """A drive of so many minutes at 200 Hz, compiled, in blocks of one recorded drive.

    ``grown_mb``: by how much more memory the process then had needed at its height.
    """

    minutes: int
    rows_per_s: float
    grown_mb: float


@dataclass(frozen=True, slots=True)
class Drives:
    """So many drives of a minute, compiled, by the clock on the wall: rows a second."""

    drives: int
    on_one_core: float
    on_two_cores: float


@dataclass(frozen=True, slots=True)
class Sets:
    """Threshold sets a second over a fused drive of so many rows, by the clock on the wall.

    ``stepped``: the detectors of one set stepped in Python, for as many rows.
    """

    rows: int
    sets: int
    on_one_core: float
    on_two_cores: float
    stepped: float


@dataclass(frozen=True, slots=True)
class Scaling:
    """All of it. ``exponent``: of time over length. ``step_blocks``: what 10,000 steps of a
    compiled guard leave behind, in blocks of the interpreter's allocator."""

    lengths: tuple[Length, ...]
    exponent: float
    drives: tuple[Drives, ...]
    sets: Sets
    step_blocks: int


def measure_scaling(
    config: Config, readings: Sequence[Reading], rounds: int, full: bool
) -> Scaling:
    """Measure it; ``full``: up to a day, 64 drives, 1,000 sets over an hour."""
    from slipguard.compiled import CompiledDrive

    drive = CompiledDrive(config)
    lengths, times = [], []
    for minutes in FULL_LENGTHS_MIN if full else LENGTHS_MIN:
        before = _height_mb()
        often = 1 if minutes > 60 else rounds
        took = [seconds(partial(_run_long, drive, readings, minutes)) for _ in range(often)]
        times.append(statistics.median(took))
        rows = minutes * MINUTE_ROWS
        lengths.append(Length(minutes, rows / times[-1], _height_mb() - before))
    minutes_of = [length.minutes for length in lengths]
    exponent = float(np.polyfit(np.log(minutes_of), np.log(times), 1)[0])
    minute = as_one(plain_drive(readings, MINUTE_ROWS))
    drives = tuple(_many(config, minute, n, rounds) for n in (FULL_DRIVES if full else DRIVES))
    sets = _sets(config, readings, FULL_SETS if full else SETS, FULL_SETS_MIN if full else SETS_MIN)
    return Scaling(tuple(lengths), exponent, drives, sets, _left_behind(config, readings))


def _height_mb() -> float:
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def _run_long(drive: CompiledDrive, readings: Sequence[Reading], minutes: int) -> None:
    for block in plain_drive(readings, minutes * MINUTE_ROWS):
        drive.run(block)


def _many(config: Config, plain: Array, drives: int, rounds: int) -> Drives:
    from slipguard.compiled import CompiledDrive

    def one(_: int) -> None:
        CompiledDrive(config).run(plain)

    def on(cores: int) -> float:
        with ThreadPoolExecutor(cores) as pool:
            took = [wall_seconds(lambda: list(pool.map(one, range(drives)))) for _ in range(rounds)]
        return drives * len(plain) / statistics.median(took)

    return Drives(drives, on(1), on(2))


def _sets(config: Config, readings: Sequence[Reading], number: int, minutes: int) -> Sets:
    from slipguard.compiled import CompiledDrive
    from slipguard.tune.fused import Collected, watched
    from slipguard.tune.quick import Quick

    collected = Collected()
    drive = CompiledDrive(config)
    estimates: list[Estimate] = []
    for block in plain_drive(readings, minutes * MINUTE_ROWS):
        for seen in watched(drive.run(block)):
            collected.add(*seen)
            if len(estimates) < len(readings):
                estimates.append(seen[0])
    quick = Quick(collected.fused(), config)
    sets = _any_sets(config, number)
    quick.episodes_of_all(sets[:1])
    one_s = wall_seconds(partial(quick.episodes_of_all, sets))
    two_s = wall_seconds(partial(quick.episodes_of_all, sets, threads=2))
    share = len(estimates) / collected.rows
    stepped_s = wall_seconds(partial(_step_set, config, estimates, *sets[0])) / share
    return Sets(collected.rows, number, number / one_s, number / two_s, 1.0 / stepped_s)


def _any_sets(config: Config, number: int) -> list[tuple[Spin, Rolling]]:
    """Thresholds around the rover's own: from half to twice as much."""
    random = Random(0)
    sets = []
    for _ in range(number):
        by = [2.0 ** random.uniform(-1.0, 1.0) for _ in range(4)]
        changed = config.with_changes(
            spin__slip_speed_mps=by[0] * config.spin.slip_speed_mps,
            spin__excess_travel_mm=by[1] * config.spin.excess_travel_mm,
            rolling__travel_mm=by[2] * config.rolling.travel_mm,
            rolling__speed_mps=by[3] * config.rolling.speed_mps,
        )
        sets.append((changed.spin, changed.rolling))
    return sets


def _step_set(config: Config, estimates: Sequence[Estimate], spin: Spin, rolling: Rolling) -> None:
    slip, motion, found = (
        WheelSlip(spin),
        UnaskedMotion(rolling, config.count_m, config.encoders.directed),
        Found(),
    )
    may_lock, broken = (True,) * 4, (False,) * 4
    for estimate in estimates:
        slip.step(estimate, 0.005, may_lock, broken, found)
        motion.step(estimate, 1, found)


def _left_behind(config: Config, readings: Sequence[Reading]) -> int:
    """Blocks of memory more after 10,000 steps than before, once warm."""
    step = Guard(config, "compiled").step
    for reading in readings[:1000]:
        step(reading)
    before = sys.getallocatedblocks()
    for k in range(10_000):
        step(readings[k % len(readings)])
    return sys.getallocatedblocks() - before
