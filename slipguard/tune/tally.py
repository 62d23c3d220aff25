"""How good a set of thresholds is on a drive: missed events, false alarms, delay."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.errors import RecordingError
from slipguard.recording import Event, labels_path, open_recording
from slipguard.recording.find import check_inside, check_match
from slipguard.replay import replay_rows
from slipguard.score import Episode, EpisodeLog, score
from slipguard.tune import cache
from slipguard.tune.fused import recorded_h
from slipguard.tune.quick import KINDS
from slipguard.tune.thresholds import with_values

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """One set of thresholds on one or more drives; add them.

    Attributes
    ----------
    hours : float
        How long was recorded.
    labelled, missed, false_alarms : int
        Labels of spin, lock and rolling that are not slight; those not found; findings without
        any label.
    delays : int
        Labels that have a delay.
    delays_s : float
        Sum of their delays. A label that is missed counts with its whole length: it cannot have
        been found any later, and missing the hard ones must not look quick.
    """

    hours: float = 0.0
    labelled: int = 0
    missed: int = 0
    false_alarms: int = 0
    delays: int = 0
    delays_s: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            hours=self.hours + other.hours,
            labelled=self.labelled + other.labelled,
            missed=self.missed + other.missed,
            false_alarms=self.false_alarms + other.false_alarms,
            delays=self.delays + other.delays,
            delays_s=self.delays_s + other.delays_s,
        )

    @property
    def false_per_h(self) -> float:
        """False alarms an hour."""
        return self.false_alarms / self.hours if self.hours else 0.0

    @property
    def delay_ms(self) -> float:
        """Mean delay; 0 without any."""
        return 1e3 * self.delays_s / self.delays if self.delays else 0.0

    @property
    def objectives(self) -> tuple[float, float, float]:
        """What is made small: missed events, false alarms an hour, delay in ms."""
        return (float(self.missed), self.false_per_h, self.delay_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledDrive:
    """A drive to tune on.

    Attributes
    ----------
    path : Path
    key : str
        What its fused form is kept under, see ``cache.content_key``.
    labels : tuple of Event
        Those of spin, lock and rolling.
    """

    path: Path
    key: str
    labels: tuple[Event, ...]


def labelled_drive(path: Path, config: Config) -> LabelledDrive:
    """Open a drive and its labels.

    Raises
    ------
    RecordingError
        The drive or its labels cannot be read, or it has none.
    ConfigError
        It cannot be of this rover.
    """
    recording = open_recording(path)
    check_match(config, "the rover", recording)
    events = recording.labels.events
    if events is None:
        raise RecordingError(
            f"{labels_path(path)}: no labels of the drive {path.name}; write down what happened "
            "in it (events: [] where nothing did), or leave the drive out"
        )
    mine = tuple(event for event in events if event.kind in KINDS)
    return LabelledDrive(path=path, key=cache.content_key(path, config), labels=mine)


def prepare(drive: LabelledDrive, config: Config, folder: Path) -> float:
    """Fuse a drive, if that has not been done before, and check its labels; its hours.

    Raises
    ------
    RecordingError
        The drive cannot be read, or a label lies outside it.
    """
    fused = cache.fused(drive.path, config, folder, drive.key)
    check_inside(drive.path, drive.labels, float(fused.t_s.min()), float(fused.t_s.max()))
    return fused.hours


def tally_sets(
    drive: LabelledDrive, config: Config, folder: Path, sets: Sequence[Values], threads: int = 1
) -> list[Tally]:
    """How good each set of thresholds is on a drive that is fused once, brakes held fixed."""
    quick = cache.quick(drive.path, config, folder, drive.key)
    changed = [with_values(config, values) for values in sets]
    found = quick.episodes_of_all([(c.spin, c.rolling) for c in changed], threads)
    return [_tally(episodes, drive.labels, quick.hours) for episodes in found]


def tally_replay(drive: LabelledDrive, config: Config) -> Tally:
    """How good a config is on a drive that is replayed whole, as on the rover."""
    episodes, t_s = replayed_episodes(drive.path, config)
    return _tally(episodes, drive.labels, recorded_h(t_s))


def replayed_episodes(drive: Path, config: Config) -> tuple[list[Episode], NDArray[np.float64]]:
    """What a whole replay finds of spin, lock and rolling; and the times of its rows (n,)."""
    log, times = EpisodeLog(), array("d")
    for _, decision in replay_rows(open_recording(drive), config):
        times.append(decision.t_s)
        log.add(decision.t_s, (f for f in decision.findings if f.kind in KINDS))
    return log.episodes(), np.array(times)


DELAY_WORDS = (
    "Delay: the mean of all labels; a missed event counts with its own length. So it is more than "
    "what slipguard compare shows, the mean of those found."
)


def _tally(episodes: Iterable[Episode], labels: Sequence[Event], hours: float) -> Tally:
    scores = score(episodes, labels).values()
    delays = [delay for one in scores for delay in one.delays_s]
    delays += [label.end_s - label.start_s for one in scores for label in one.missed]
    return Tally(
        hours=hours,
        labelled=sum(not label.slight for label in labels),
        missed=sum(len(one.missed) for one in scores),
        false_alarms=sum(len(one.false_alarms) for one in scores),
        delays=len(delays),
        delays_s=sum(delays),
    )


def tally_all(
    drives: Sequence[LabelledDrive],
    config: Config,
    folder: Path,
    sets: Sequence[Values],
    executor: Executor | None,
) -> list[list[Tally]]:
    """For each set of thresholds, its tally on each drive.

    One task a drive with all sets, so that a drive is read once however many are tried.
    """
    work = partial(tally_sets, config=config, folder=folder, sets=sets)
    each = list(map(work, drives) if executor is None else executor.map(work, drives))
    return [list(tallies) for tallies in zip(*each, strict=True)]


def total(tallies: Iterable[Tally]) -> Tally:
    """All of them together."""
    return sum(tallies, Tally())
