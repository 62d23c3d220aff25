"""Drives to measure on, and a clock."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from slipguard.fuse.model import Array
from slipguard.fuse.plain import N_PLAIN, plain_row
from slipguard.reading import Reading

PERIOD_S = 0.005


def repeated(readings: Sequence[Reading], times: int) -> Iterator[Reading]:
    """A drive of counts ``times`` over without a gap: time and counts go on."""
    first, last = readings[0], readings[-1]
    period_s = last.t_s - first.t_s + PERIOD_S
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


def plain_drive(readings: Sequence[Reading], rows: int) -> Iterator[Array]:
    """A drive of ``rows`` plain rows, the readings over and over, in blocks: (n, ``N_PLAIN``)."""
    block = np.array([plain_row(r, True) for r in readings], dtype=np.float64)
    counts = block[:, 7:11]
    given = np.abs(counts) < 1e15
    ends = [counts[given[:, i], i] for i in range(4)]
    steps = np.array([e[-1] - e[0] if len(e) else 0.0 for e in ends])
    period_s = block[-1, 0] - block[0, 0] + PERIOD_S
    done = 0
    while done < rows:
        yield block[: rows - done].copy()
        done += len(block)
        block[:, 0] += period_s
        counts += np.where(given, steps, 0.0)


def as_one(blocks: Iterator[Array]) -> Array:
    """All blocks in one array, (n, ``N_PLAIN``)."""
    return np.concatenate([np.empty((0, N_PLAIN)), *blocks])


def seconds(work: Callable[[], object]) -> float:
    """Processor time it takes once: other programs on the machine do not count."""
    start = time.process_time()
    work()
    return time.process_time() - start


def wall_seconds(work: Callable[[], object]) -> float:
    """Time by the clock on the wall it takes once: for work that several cores share."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
