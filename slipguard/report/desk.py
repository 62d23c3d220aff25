"""The labels of one drive while a person edits them in its page: what is there, and saving it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from html import escape
from pathlib import Path
from typing import Any

from slipguard.errors import RecordingError
from slipguard.reading import WHEELS
from slipguard.recording import Event, labels_path
from slipguard.recording.find import check_inside
from slipguard.recording.labels import KINDS, ONE_WHEEL, event_keys, parse_labels
from slipguard.recording.relabel import keep_old, relabelled
from slipguard.recording.whole import part_of
from slipguard.report.figures import LEFT_PX, RIGHT_PX
from slipguard.report.gather import Report
from slipguard.report.page import embedded, page, part
from slipguard.score import score
from slipguard.section import read_text


class ChangedMeanwhileError(RecordingError):
    """The labels file is not what the page was made of."""


class LabelDesk:
    """Reads the labels file anew for each page; writes it when told to.

    Parameters
    ----------
    report : Report
    drive : Path
    proposed : sequence of Event
        What to start from where the drive has no labels yet.
    """

    def __init__(self, report: Report, drive: Path, proposed: Sequence[Event] = ()) -> None:
        self._report, self._drive, self._proposed = report, drive, tuple(proposed)
        self.path = labels_path(drive)
        self._wrote: str | None = None

    def page(self) -> str:
        """The page of the drive, with the editor, as the labels are now.

        Raises
        ------
        RecordingError
            The labels file cannot be read.
        """
        text = self._text()
        labels = parse_labels(text, str(self.path))
        episodes = self._report.summary.episodes.episodes()
        report = replace(
            self._report,
            notes=labels.notes,
            scores=None if labels.events is None else score(episodes, labels.events),
        )
        events = self._proposed if labels.events is None else labels.events
        about = {
            "file": str(self.path.absolute()),
            "name": self.path.name,
            "version": _version(text),
            "saved": labels.events is not None,
            "confirmed": labels.events is not None and not labels.proposed,
            "events": [event_keys(event) for event in events],
            "kinds": list(KINDS),
            "wheels": list(WHEELS),
            "one_wheel": list(ONE_WHEEL),
            "start_s": report.start_s,
            "end_s": report.start_s + float(report.t_s[-1]),
        }
        style = f":root {{ --left-px: {LEFT_PX}px; --right-px: {RIGHT_PX}px; }}\n"
        return page(
            report,
            before=part("editor.html").replace("$file", escape(self.path.name)),
            after=f"<style>\n{style}{part('editor.css')}</style>\n"
            f'<script type="application/json" id="editing">{embedded(about)}</script>\n'
            f"<script>\n{part('editor.js')}</script>\n",
        )

    def save(self, wanted: object) -> dict[str, str]:
        """Write the events of ``wanted`` (``version``, ``events``, ``confirmed``), all or nothing.

        What the file held before is kept beside it unless it was written here.

        Raises
        ------
        ChangedMeanwhileError
            Somebody wrote the file since that version.
        RecordingError
            The events are no labels of this drive, or cannot be written.
        """
        version, events, confirmed = _request(wanted)
        before = self._text()
        if version != _version(before):
            raise ChangedMeanwhileError(
                f"{self.path}: was changed since this page read it; nothing was written. Reload "
                "the page: your edits stay, and you can save or discard them"
            )
        text = relabelled(before, events, proposed=not confirmed, source=str(self.path))
        checked = parse_labels(text, str(self.path)).events or ()
        summary = self._report.summary
        check_inside(self._drive, checked, summary.start_s, summary.end_s)
        kept = self._keep(before)
        with part_of(self.path) as part_path:
            part_path.write_text(text, encoding="utf-8", newline="\n")
            os.replace(part_path, self.path)
        self._wrote = text
        return {"version": _version(text), "kept": kept}

    def _text(self) -> str:
        return read_text(self.path, "labels", RecordingError) if self.path.exists() else ""

    def _keep(self, before: str) -> str:
        """Copy what somebody else wrote to the first free name; that name, or nothing."""
        if not before or before == self._wrote:
            return ""
        return keep_old(self.path, before).name


def _version(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


def _request(wanted: object) -> tuple[str, list[Mapping[str, Any]], bool]:
    """What the page sent, of the right shape; what is in the events is checked with the file."""
    if isinstance(wanted, dict):
        version, events = wanted.get("version"), wanted.get("events")
        confirmed = wanted.get("confirmed")
        if isinstance(version, str) and isinstance(events, list) and isinstance(confirmed, bool):
            plain = (str, int, float, type(None))
            if all(
                isinstance(e, dict) and all(isinstance(v, plain) for v in e.values())
                for e in events
            ):
                return version, events, confirmed
    raise RecordingError("found something else, expected {version, events: [...], confirmed}")
