"""Findings against labels: what was found, what was missed, false alarms, delays.

A finding that stays true is one episode. It matches a label of the same kind and wheel when
the two overlap, the label's end extended by a grace, since a detector may need to see a
thing out. It is a false alarm when it did not begin within such a label's window: so neither a
finding that is always on nor one that began long before the label scores well. A label that is
slight need not be found, and a finding of it is no false alarm. Nor is one that only compares with
a limit of the builder's own, where nobody labelled it: it says what was asked for.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from slipguard.finding import Finding

__all__ = ["Episode", "EpisodeLog", "Label", "Score", "score"]

MERGE_GAP_S = 0.2
"""A finding gone for less than this is the same episode: nobody is told twice."""

EARLY_S = 0.5
"""A finding may begin this long before its label: a label begins where truth passes a
threshold, and slip that grows slowly is seen, rightly, at a lower one."""

GRACE_S = 0.5
"""A finding may begin this long after its label's end: slip is over before it is proven."""

OWN_LIMITS = ("overspeed", "tip_over_risk")
"""Kinds that nobody looks for in a drive: what they compare with is not in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """A finding from when it was first reported until it was last reported.

    Attributes
    ----------
    kind : str
    wheel, sensor : str or None
    start_s, end_s : float
        Times of the first and the last decision that reported it.
    peak, threshold : float
        The largest value by size, and what it was compared with then, in ``unit``.
    reason : str
        The finding at its peak, in one sentence.
    """

    kind: str
    wheel: str | None
    start_s: float
    end_s: float
    peak: float
    threshold: float
    unit: str
    reason: str
    sensor: str | None = None


class EpisodeLog:
    """Merges the findings of successive decisions into episodes. Memory: the episodes."""

    def __init__(self, merge_gap_s: float = MERGE_GAP_S) -> None:
        self._gap_s = merge_gap_s
        self._open: dict[tuple[str | None, ...], tuple[float, float, Finding]] = {}
        self._closed: list[Episode] = []

    def add(self, t_s: float, findings: Iterable[Finding]) -> None:
        """Take in what one decision found."""
        for finding in findings:
            key = (finding.kind, finding.wheel, finding.sensor)
            start_s, end_s, peak = self._open.get(key, (t_s, t_s, finding))
            if t_s - end_s > self._gap_s:
                self._closed.append(_episode(start_s, end_s, peak))
                start_s, end_s, peak = t_s, t_s, finding
            if abs(finding.value) > abs(peak.value):
                peak = finding
            self._open[key] = (start_s, max(end_s, t_s), peak)

    def episodes(self) -> list[Episode]:
        """All episodes so far, by start."""
        running = [_episode(*parts) for parts in self._open.values()]
        return sorted(self._closed + running, key=lambda e: (e.start_s, e.kind, e.wheel or ""))


def _episode(start_s: float, end_s: float, peak: Finding) -> Episode:
    return Episode(
        kind=peak.kind,
        wheel=peak.wheel,
        sensor=peak.sensor,
        start_s=start_s,
        end_s=end_s,
        peak=peak.value,
        threshold=peak.threshold,
        unit=peak.unit,
        reason=peak.reason,
    )


class Label(Protocol):
    """What a label must have; ``slipguard.recording.Event`` has it."""

    @property
    def kind(self) -> str: ...
    @property
    def wheel(self) -> str | None: ...
    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...
    @property
    def slight(self) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How the findings of one kind compare with its labels. Add scores of several drives.

    Attributes
    ----------
    found, missed : tuple of Label
        Labels with and without a matching finding, those that are slight left out.
    slight : tuple of Label
        Those.
    false_alarms : tuple of Episode
        Findings that did not begin in the window of a label.
    delays_s : tuple of float
        For each label in whose window a finding began: start of the first such finding
        after the label's start. One that began up to ``early_s`` before it counts as 0.
    false_alarm_s : float
        Seconds of finding outside all windows, matched findings that outlast theirs too.
    """

    found: tuple[Label, ...] = ()
    missed: tuple[Label, ...] = ()
    slight: tuple[Label, ...] = ()
    false_alarms: tuple[Episode, ...] = ()
    delays_s: tuple[float, ...] = ()
    false_alarm_s: float = 0.0

    def __add__(self, other: Score) -> Score:
        return Score(
            found=self.found + other.found,
            missed=self.missed + other.missed,
            slight=self.slight + other.slight,
            false_alarms=self.false_alarms + other.false_alarms,
            delays_s=self.delays_s + other.delays_s,
            false_alarm_s=self.false_alarm_s + other.false_alarm_s,
        )

    @property
    def labelled(self) -> int:
        """Number of labels."""
        return len(self.found) + len(self.missed)

    @property
    def says_nothing(self) -> bool:
        """Nothing was to be found, and nothing was invented."""
        return not (self.labelled or self.false_alarms)

    @property
    def recall(self) -> float | None:
        """Part of the labels found, 0..1; None without labels."""
        return len(self.found) / self.labelled if self.labelled else None

    def delay_s(self, percent: float) -> float | None:
        """Percentile of the delays; None without any.

        Linear interpolation between order statistics: definition 7 of Hyndman and Fan,
        "Sample quantiles in statistical packages", The American Statistician 50(4), 1996.
        """
        return float(np.percentile(self.delays_s, percent)) if self.delays_s else None


def score(
    episodes: Iterable[Episode],
    labels: Iterable[Label],
    *,
    early_s: float = EARLY_S,
    grace_s: float = GRACE_S,
) -> dict[str, Score]:
    """Compare episodes with labels, kind by kind, in alphabetical order.

    The labels are taken to be complete: a kind without a label did not happen. Those of
    ``OWN_LIMITS`` are left out then.

    Parameters
    ----------
    episodes : iterable of Episode
    labels : iterable of Label
        Those of one kind and wheel must not overlap.
    early_s, grace_s : float
        How far a label's window reaches before its start and beyond its end.
    """
    found_of: dict[tuple[str, str | None], list[Episode]] = defaultdict(list)
    labels_of: dict[tuple[str, str | None], list[Label]] = defaultdict(list)
    for label in labels:
        labels_of[label.kind, label.wheel].append(label)
    labelled = {kind for kind, _ in labels_of}
    for episode in episodes:
        if episode.kind not in OWN_LIMITS or episode.kind in labelled:
            found_of[episode.kind, episode.wheel].append(episode)
    scores: dict[str, Score] = {}
    for key in sorted(found_of.keys() | labels_of.keys(), key=lambda k: (k[0], k[1] or "")):
        one = _score_one(found_of[key], labels_of[key], early_s, grace_s)
        scores[key[0]] = scores.get(key[0], Score()) + one
    return scores


def _score_one(
    episodes: list[Episode], labels: list[Label], early_s: float, grace_s: float
) -> Score:
    """Score the episodes and labels of one kind and wheel."""
    labels.sort(key=lambda label: label.start_s)
    opens = [label.start_s - early_s for label in labels]
    closes = [label.end_s + grace_s for label in labels]
    seen = [False] * len(labels)
    onset: dict[int, float] = {}
    false_alarms = []
    outside_s = 0.0
    for episode in sorted(episodes, key=lambda e: e.start_s):
        # Windows are sorted, so those the episode overlaps are neighbours.
        first = bisect_left(closes, episode.start_s)
        end = bisect_right(opens, episode.end_s)
        # A finding that was over before the label began did not find it.
        lasted = [i for i in range(first, end) if episode.end_s >= labels[i].start_s]
        for i in lasted:
            seen[i] = True
        began_in = [i for i in range(first, end) if opens[i] <= episode.start_s]
        if not began_in:
            false_alarms.append(episode)
        for i in lasted:
            if opens[i] > episode.start_s:
                continue
            onset.setdefault(i, max(0.0, episode.start_s - labels[i].start_s))
        outside_s += episode.end_s - episode.start_s - _covered(episode, opens, closes, first, end)
    wanted = [(label, hit) for label, hit in zip(labels, seen, strict=True) if not label.slight]
    return Score(
        found=tuple(label for label, hit in wanted if hit),
        missed=tuple(label for label, hit in wanted if not hit),
        slight=tuple(label for label in labels if label.slight),
        false_alarms=tuple(false_alarms),
        delays_s=tuple(onset[i] for i in sorted(onset) if not labels[i].slight),
        false_alarm_s=outside_s,
    )


def _covered(
    episode: Episode, opens: Sequence[float], closes: Sequence[float], first: int, end: int
) -> float:
    """Seconds of the episode inside windows; neighbouring windows may overlap."""
    total, done_s = 0.0, episode.start_s
    for i in range(first, end):
        stop_s = min(closes[i], episode.end_s)
        total += max(0.0, stop_s - max(opens[i], done_s))
        done_s = max(done_s, stop_s)
    return total
