"""What changes between two configs: events gained, lost, earlier and later on the same drives.

Two events are the same when kind, wheel and sensor agree and they overlap, give or take
``NEAR_S``. Each is paired once, in the order of time.
"""

from __future__ import annotations

import math
import os
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from slipguard.config import Config
from slipguard.errors import RecordingError
from slipguard.recording import open_recording
from slipguard.recording.find import check_inside
from slipguard.replay import replay_rows
from slipguard.score import MERGE_GAP_S, Episode, EpisodeLog, Label, Score, score

__all__ = ["Change", "Scored", "Shift", "compare_drive"]

NEAR_S = MERGE_GAP_S
SAME_S = 1e-9
"""Starts that differ by less are the same: they come from the same row."""
LATER_S = 0.05
"""A delay that grows by more than this counts as a regression."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """An event that both configs find, but not from the same moment.

    Attributes
    ----------
    before, after : Episode
    by_s : float
        How much later it begins; negative: earlier.
    """

    before: Episode
    after: Episode

    @property
    def by_s(self) -> float:
        return self.after.start_s - self.before.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """All kinds of one drive against its labels, summed."""

    missed: int
    false_alarms: int
    found: int
    """Labels with a delay: those a finding began for."""
    delays_s: float
    """Sum of their delays, seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What changes on one drive from config A to config B.

    Attributes
    ----------
    drive : Path
    start_s : float
        Time of its first row: the sentences count from there.
    same : int
        Events that begin at the same moment.
    gained, lost : tuple of Episode
        Events only B finds, and only A.
    earlier, later : tuple of Shift
    before, after : Scored or None
        Against the labels; None: the drive is not labelled.
    regressions : tuple of str
        What is worse with B, a sentence each; empty: nothing.
    """

    drive: Path
    start_s: float
    same: int
    gained: tuple[Episode, ...]
    lost: tuple[Episode, ...]
    earlier: tuple[Shift, ...]
    later: tuple[Shift, ...]
    before: Scored | None
    after: Scored | None
    regressions: tuple[str, ...]


def compare_drive(
    drive: str | os.PathLike[str], a: Config, b: Config, *, later_s: float = LATER_S
) -> Change:
    """Replay one drive through both configs and say what changes from A to B.

    A regression is, on a labelled drive, a label that A finds and B does not, a kind with more
    false alarms than before, or a label found more than ``later_s`` later. On a drive without
    labels nobody knows which events were true: an event lost or more than ``later_s`` later
    counts, one gained does not.

    Raises
    ------
    RecordingError
        The drive or its labels cannot be read, or a label lies outside the drive.
    """
    path = Path(drive)
    recording = open_recording(path)
    times, old = _episodes(path, a)
    _, new = _episodes(path, b)
    first_s = times[0]
    same, pairs, gained, lost = _pair(old, new)
    earlier = tuple(p for p in pairs if p.by_s < -SAME_S)
    later = tuple(p for p in pairs if p.by_s > SAME_S)
    before = after = None
    if recording.labels.events is None:
        worse = [f"lost {_named(e, first_s)}" for e in lost]
        worse += [
            f"{_named(p.before, first_s)} found {_ms(p.by_s)} later"
            for p in later
            if p.by_s > later_s
        ]
    else:
        labels = check_inside(path, recording.labels.events, *times[1:])
        scores_a, scores_b = score(old, labels), score(new, labels)
        before, after = _sum(scores_a), _sum(scores_b)
        worse = _worse(scores_a, scores_b, old, new, labels, later_s, first_s)
    return Change(
        drive=path,
        start_s=first_s,
        same=same,
        gained=tuple(gained),
        lost=tuple(lost),
        earlier=earlier,
        later=later,
        before=before,
        after=after,
        regressions=tuple(worse),
    )


def _episodes(path: Path, config: Config) -> tuple[tuple[float, float, float], list[Episode]]:
    """First, smallest and largest time of a drive, and what a config finds in it."""
    log, first_s, start_s, end_s = EpisodeLog(), math.nan, math.inf, -math.inf
    for _, decision in replay_rows(open_recording(path), config):
        first_s = decision.t_s if start_s > end_s else first_s
        start_s, end_s = min(start_s, decision.t_s), max(end_s, decision.t_s)
        log.add(decision.t_s, decision.findings)
    if start_s > end_s:
        raise RecordingError(f"{path}: the drive holds no rows")
    return (first_s, start_s, end_s), log.episodes()


def _pair(
    old: Sequence[Episode], new: Sequence[Episode]
) -> tuple[int, list[Shift], list[Episode], list[Episode]]:
    """Events of both that are the same one: how many did not move, those that did, the rest."""
    waiting: dict[tuple[str | None, ...], list[Episode]] = defaultdict(list)
    for episode in old:
        waiting[episode.kind, episode.wheel, episode.sensor].append(episode)
    same, pairs, gained = 0, [], []
    for episode in new:
        queue = waiting[episode.kind, episode.wheel, episode.sensor]
        match = next((e for e in queue if _near(e, episode)), None)
        if match is None:
            gained.append(episode)
            continue
        queue.remove(match)
        pair = Shift(before=match, after=episode)
        if abs(pair.by_s) <= SAME_S:
            same += 1
        else:
            pairs.append(pair)
    lost = sorted((e for queue in waiting.values() for e in queue), key=lambda e: e.start_s)
    return same, pairs, gained, lost


def _near(a: Episode, b: Episode) -> bool:
    return a.start_s <= b.end_s + NEAR_S and b.start_s <= a.end_s + NEAR_S


def _worse(
    scores_a: dict[str, Score],
    scores_b: dict[str, Score],
    old: Sequence[Episode],
    new: Sequence[Episode],
    labels: Sequence[Label],
    later_s: float,
    first_s: float,
) -> list[str]:
    """What B does worse against the labels."""
    worse = []
    for kind in sorted(scores_a.keys() | scores_b.keys()):
        a, b = scores_a.get(kind, Score()), scores_b.get(kind, Score())
        for label in b.missed:
            if label in a.found:
                worse.append(f"missed {_named(label, first_s)}, found before")
        more = len(b.false_alarms) - len(a.false_alarms)
        if more > 0:
            words = "false alarm" if more == 1 else "false alarms"
            worse.append(f"{more} more {words} of {kind.replace('_', ' ')}")
    for label in labels:
        was, now = _delay_s(old, label), _delay_s(new, label)
        if was is not None and now is not None and now - was > later_s:
            worse.append(f"{_named(label, first_s)} found {_ms(now - was)} later than before")
    return worse


def _delay_s(episodes: Iterable[Episode], label: Label) -> float | None:
    """The delay of one label by itself; None where it has none."""
    mine = [e for e in episodes if (e.kind, e.wheel) == (label.kind, label.wheel)]
    delays = score(mine, [label])[label.kind].delays_s
    return delays[0] if delays else None


def _sum(scores: dict[str, Score]) -> Scored:
    total = sum(scores.values(), Score())
    return Scored(
        missed=len(total.missed),
        false_alarms=len(total.false_alarms),
        found=len(total.delays_s),
        delays_s=sum(total.delays_s),
    )


def _named(event: Label | Episode, first_s: float) -> str:
    words = event.kind.replace("_", " ") + (f" {event.wheel}" if event.wheel else "")
    return f"{words} at {event.start_s - first_s:.2f} s"


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:.0f} ms"
