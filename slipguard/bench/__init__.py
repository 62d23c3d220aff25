"""How fast it is, as ratios: every figure beside a baseline measured in the same run.

A time says as much about the machine and about who else uses it as about the code; so each round
measures all candidates one after the other, and what is reported is the median over rounds of
the ratio within a round.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from slipguard.bench.scaling import Scaling, measure_scaling
from slipguard.bench.steps import Figure, Tail, measure_steps, measure_tail
from slipguard.config import Config
from slipguard.engines import engines
from slipguard.reading import Reading

__all__ = ["Figure", "Report", "Scaling", "Tail", "engines", "machine", "measure"]


@dataclass(frozen=True, slots=True)
class Report:
    """What was measured, on what. ``scaling`` is None without the compiled engine."""

    machine: str
    rows: int
    rounds: int
    figures: tuple[Figure, ...]
    tails: tuple[Tail, ...]
    scaling: Scaling | None


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


def measure(
    config: Config, readings: Sequence[Reading], rounds: int = 5, full: bool = False
) -> Report:
    """Measure everything, ``rounds`` times over.

    ``readings``: a drive, a few thousand of them; counts, not speeds. ``full``: drives of up to a
    day, up to 64 of them, and 1,000 threshold sets over an hour.
    """
    installed = engines()
    return Report(
        machine=machine(),
        rows=len(readings),
        rounds=rounds,
        figures=tuple(measure_steps(config, readings, rounds, installed)),
        tails=tuple(measure_tail(config, e, readings, rounds) for e in installed),
        scaling=(
            measure_scaling(config, readings, rounds, full) if "compiled" in installed else None
        ),
    )
