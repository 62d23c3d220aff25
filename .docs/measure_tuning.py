"""What tuning costs, for an hour's drive at 200 Hz: ``python .docs/measure_tuning.py [MINUTES]``.

The drive is chained from demo drives: quiet ones, and all of them, full of spin and rolling.
Processor time, so that other programs on the machine change little; nothing is waited for.
"""

from __future__ import annotations

import gzip
import os
import platform
import random
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from time import perf_counter, process_time
from typing import Any
from unittest import mock

from slipguard import Config, Reading
from slipguard.recording import Writer, open_recording
from slipguard.recording.convert import convert
from slipguard.tune import fused as fusing
from slipguard.tune import thresholds
from slipguard.tune.fused import Fused, fuse, load, save
from slipguard.tune.quick import Quick
from slipguard.tune.thresholds import with_values

REPLAY = Path(__file__).parent.parent / "replay"
QUIET = ("headland_turns", "rough_lane")
ALL = (
    *QUIET,
    "root_ridges",
    "wet_clay_uphill",
    "hill_start",
    "frozen_puddle",
    "reverse_off_the_clay",
)
SETS = 200


def chained(names: Sequence[str], seconds: float) -> Iterator[Reading]:
    """Demo drives one after another: time and counts go on where the last one ended."""
    drives = [[row.reading for row in open_recording(REPLAY / f"{n}.csv.gz")] for n in names]
    t_s, counts = 0.0, [0.0] * 4
    while t_s < seconds:
        for drive in drives:
            first_s, first = drive[0].t_s, next(r.counts for r in drive if r.counts)
            start_s, start = t_s + 0.005, list(counts)
            for reading in drive:
                t_s = start_s + reading.t_s - first_s
                if reading.counts is not None:
                    pairs = zip(reading.counts, first, start, strict=True)
                    counts = [c - f + s for c, f, s in pairs]
                yield replace(
                    reading, t_s=t_s, counts=None if reading.counts is None else tuple(counts)
                )
                if t_s >= seconds:
                    return


def timed(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """What it gives, processor seconds, seconds by the clock."""
    cpu, wall = process_time(), perf_counter()
    result = work()
    return result, process_time() - cpu, perf_counter() - wall


def any_sets(config: Config, count: int) -> list[Any]:
    """Thresholds as a search tries them, at random inside its bounds."""
    rng = random.Random(1)
    made = []
    for _ in range(count):
        values = {t.name: rng.uniform(t.low, t.high) for t in thresholds(config)}
        changed = with_values(config, values)
        made.append((changed.spin, changed.rolling))
    return made


def tell_reading(what: str, path: Path) -> None:
    """A format's size, and the time to read it."""
    rows, cpu, _ = timed(lambda: sum(1 for _ in open_recording(path)))
    size = path.stat().st_size / 1e6
    print(f"{what}: {path.suffix} {size:.1f} MB, {rows} rows read in {cpu:.1f} s")


def tell_cache(what: str, fused: Fused, path: Path) -> None:
    """A fused drive on disk and in memory."""
    with path.open("wb") as file:
        _, written, _ = timed(lambda: save(fused, file))
    _, read, _ = timed(lambda: load(path))
    memory = sum(getattr(fused, n).nbytes for n in Fused.__dataclass_fields__) / 1e6
    print(
        f"{what}: cache {path.stat().st_size / 1e6:.1f} MB, written in {written:.1f} s, read in "
        f"{read:.2f} s, {memory:.0f} MB in memory"
    )


def tell_sets(what: str, fused: Fused, config: Config) -> None:
    """Processor time of a set, on one thread and on one for each core."""
    quick, sets = Quick(fused, config), any_sets(config, SETS)
    quick.episodes_of_all(sets[:2])
    for threads in (1, os.cpu_count() or 1):
        _, cpu, wall = timed(partial(quick.episodes_of_all, sets, threads))
        hours = SETS * fused.hours
        print(
            f"{what}, {threads} threads: {1e3 * cpu / hours:.1f} ms of a processor for a set and "
            f"hour, {hours / wall:.0f} sets an hour long a second by the clock"
        )


def main(minutes: float = 60.0) -> None:
    """Print all of it."""
    config, cores = Config.load(REPLAY / "rover.yaml"), os.cpu_count()
    print(f"{platform.machine()}, {cores} cores, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as folder:
        plain, packed = Path(folder) / "drive.csv", Path(folder) / "drive.csv.gz"
        table = Path(folder) / "drive.parquet"
        for name, names in (("quiet", QUIET), ("all", ALL)):
            with Writer(plain) as file:
                for reading in chained(names, 60.0 * minutes):
                    file.write(reading)
            with plain.open("rb") as source, gzip.open(packed, "wb", 6) as target:
                target.write(source.read())
            table.unlink(missing_ok=True)
            convert(plain, table)
            for path in (plain, packed, table):
                tell_reading(name, path)
            fused, cpu, _ = timed(partial(fuse, table, config))
            print(f"{name}: read and fused, compiled, {cpu:.1f} s")
            tell_cache(name, fused, Path(folder) / "kept.npz")
            tell_sets(name, fused, config)
        with Writer(plain) as file:  # a tenth: it grows with the length of the drive
            for reading in chained(ALL, 6.0 * minutes):
                file.write(reading)
        with mock.patch.object(fusing, "engine_for", lambda rows: ("filterpy", rows)):
            _, cpu, _ = timed(partial(fuse, plain, config))
        print(f"all: read and fused, filterpy, 10 times {cpu:.1f} s")


if __name__ == "__main__":
    main(*(float(word) for word in sys.argv[1:2]))
