"""The events of a page: what was found, and what the labels say, in one list."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from slipguard.finding import is_never
from slipguard.report.gather import Report

NEW, FOUND, MISSED, SLIGHT = "not labelled", "labelled", "missed", "slight"


@dataclass(frozen=True, slots=True, kw_only=True)
class PageEvent:
    """A finding (``found``) or a label.

    Attributes
    ----------
    kind : str
    where : str
        Wheel or sensor; empty: the whole rover.
    start_s, end_s : float
        From the first row.
    found : bool
    peak, limit : str
        Numbers in the same unit, which stands with the first; empty for a label.
    verdict : str
        Against the labels; empty where the drive has none.
    reason : str
        In one sentence.
    """

    kind: str
    where: str
    start_s: float
    end_s: float
    found: bool
    peak: str = ""
    limit: str = ""
    verdict: str = ""
    reason: str = ""

    @property
    def lane(self) -> str:
        """Name of its row among the events, short enough for the axis."""
        return f"{SHORT.get(self.kind, self.kind)} {self.where}".strip()

    @property
    def listed(self) -> bool:
        """Whether it has a row in the table: a label that was found is the finding's."""
        return self.found or self.verdict == MISSED

    def concerns(self, wheel: str | None) -> bool:
        """Whether it belongs into a plot of this wheel; None: into one of the rover."""
        return wheel is None or self.where == wheel


SHORT = {
    "wheel_spin": "spin",
    "wheel_lock": "lock",
    "sensor_fault": "fault",
    "link_lost": "link lost",
    "tip_over_risk": "tip-over",
}


def events_of(report: Report) -> list[PageEvent]:
    """All events of a drive, by start."""
    return sorted(_all(report), key=lambda e: (e.start_s, not e.found, e.kind, e.where))


def _all(report: Report) -> Iterator[PageEvent]:
    scores, first_s = report.scores, report.start_s
    wrong = {e for s in (scores or {}).values() for e in s.false_alarms}
    for episode in report.summary.episodes.episodes():
        verdict = ""
        if scores is not None:
            verdict = NEW if episode in wrong else FOUND
        never = is_never(episode.peak, episode.unit)
        peak = "never" if never else f"{episode.peak:.3g} {episode.unit}"
        yield PageEvent(
            kind=episode.kind,
            where=episode.wheel or episode.sensor or "",
            start_s=episode.start_s - first_s,
            end_s=episode.end_s - first_s,
            found=True,
            peak=peak if episode.unit else "",
            limit=f"{episode.threshold:.3g}" if episode.unit else "",
            verdict=verdict,
            reason=episode.reason,
        )
    for one in (scores or {}).values():
        for labels, verdict in ((one.found, FOUND), (one.missed, MISSED), (one.slight, SLIGHT)):
            for label in labels:
                yield PageEvent(
                    kind=label.kind,
                    where=label.wheel or "",
                    start_s=label.start_s - first_s,
                    end_s=label.end_s - first_s,
                    found=False,
                    verdict=verdict,
                    reason=f"{label.kind.replace('_', ' ')} in the labels"
                    + (", too slight to have to be found" if label.slight else ""),
                )
