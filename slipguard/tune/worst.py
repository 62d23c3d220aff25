"""The drive that went worst, with the rover's own settings and with the recommended ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.recording import Event, open_recording
from slipguard.score import Episode
from slipguard.tune.closed_loop import GOALS, LoopDrive, LoopTuned, simulated
from slipguard.tune.quick import KINDS
from slipguard.tune.search import DriveResult, Tuned
from slipguard.tune.tally import replayed_episodes
from slipguard.tune.thresholds import with_values

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAfter:
    """A recorded drive: what is labelled in it, and what is found with either set."""

    name: str
    start_s: float
    end_s: float
    labels: tuple[Event, ...]
    before: tuple[Episode, ...]
    after: tuple[Episode, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopBeforeAfter:
    """A simulated drive with either set: lines by name with unit, each of (n,) values."""

    name: str
    t_s: Array
    before: Mapping[str, Array]
    after: Mapping[str, Array]


def worst_drive(tuned: Tuned, config: Config) -> BeforeAfter:
    """The recorded drive with most missed and invented before and after; of equals the slowest."""

    def bad(drive: DriveResult) -> tuple[float, float]:
        both = (drive.before, drive.after)
        return sum(t.missed + t.false_alarms for t in both), sum(t.delay_ms for t in both)

    drive = max(tuned.drives, key=bad).drive
    before, t_s = replayed_episodes(drive, config)
    after, _ = replayed_episodes(drive, with_values(config, tuned.changed))
    events = open_recording(drive).labels.events or ()
    return BeforeAfter(
        name=drive.name,
        start_s=float(t_s.min()),
        end_s=float(t_s.max()),
        labels=tuple(event for event in events if event.kind in KINDS),
        before=tuple(before),
        after=tuple(after),
    )


def worst_loop_drive(tuned: LoopTuned, config: Config) -> LoopBeforeAfter:
    """The judged drive that is worst in all goals together, driven again."""
    mean = {d.goal.name: max(d.before, d.goal.least) for d in tuned.differences}

    def bad(drive: LoopDrive) -> float:
        values = zip(GOALS, drive.objectives, strict=True)
        return sum(v / mean[goal.name] for goal, v in values if v is not None)

    worst, _ = max(tuned.judged, key=lambda pair: sum(map(bad, pair)))
    lines = []
    t_s = np.zeros(0)
    for values in ({}, tuned.changed):
        drive = simulated((worst.scenario, worst.seed, values), config)
        t_s = drive.truth_column("t_s")
        decisions = drive.decisions
        lines.append(
            {
                "Speed, m/s": drive.truth_column("speed_mps"),
                "Way along x, m": drive.truth_column("x_m"),
                "Brakes, mean of four": np.array([sum(d.brakes) / 4.0 for d in decisions]),
                "Throttle to the motor": np.array([d.throttle for d in decisions]),
            }
        )
    name = f"{worst.scenario}, seed {worst.seed}"
    return LoopBeforeAfter(name=name, t_s=t_s, before=lines[0], after=lines[1])
