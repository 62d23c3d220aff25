"""What is known about a recorded drive: the ``NAME.yaml`` beside ``NAME.csv``."""

from __future__ import annotations

import difflib
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, get_args

from slipguard.errors import RecordingError, unwritable
from slipguard.finding import Kind
from slipguard.reading import WHEELS
from slipguard.section import Section, dump_yaml, load_section, read_text, show, suggest
from slipguard.settings import setting

KINDS: tuple[str, ...] = get_args(Kind)
ONE_WHEEL = ("wheel_spin", "wheel_lock")
CLOSE = 0.8
"""Alike enough to be a key misspelt, in difflib's measure: evnts is (0.91). Judgement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened in a drive, by someone who knows.

    Attributes
    ----------
    kind : str
        As ``Finding.kind``.
    wheel : str or None
        ``'fl'``, ``'fr'``, ``'rl'``, ``'rr'``, or None when it concerns the whole rover.
    start_s, end_s : float
        Times in the drive, as its ``t_s``.
    slight : bool
        It happened, but was too short or too small to demand that it is found: who finds it raises
        no false alarm, who does not has missed nothing.
    """

    kind: str = setting(choices=KINDS, doc="what happened")
    wheel: str | None = setting(None, choices=WHEELS, doc="which wheel")
    start_s: float = setting(unit="s", doc="when it began")
    end_s: float = setting(unit="s", doc="when it was over")
    slight: bool = setting(False, doc="true: neither to be found nor a false alarm")

    def __post_init__(self) -> None:
        if self.end_s < self.start_s:
            raise ValueError(f"end_s: found {self.end_s:g} s, before start_s {self.start_s:g} s")
        if self.wheel is None and self.kind in ONE_WHEEL:
            raise ValueError(f"wheel: missing; {self.kind} needs one of {', '.join(WHEELS)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Labels:
    """The labels of a drive.

    Attributes
    ----------
    vehicle, source, notes : str
        In words.
    events : tuple of Event, or None
        Everything that happened, by start; empty: nothing did; None: not labelled.
    proposed : bool
        The events were proposed by a program and nobody has confirmed them.
    """

    vehicle: str = ""
    source: str = ""
    notes: str = ""
    events: tuple[Event, ...] | None = None
    proposed: bool = False


def labels_path(drive: str | os.PathLike[str]) -> Path:
    """Where the labels of a drive are: ``NAME.yaml`` beside ``NAME.csv``, ``NAME.csv.gz`` or
    ``NAME.parquet``, however these are capitalised."""
    drive = Path(drive)
    name = drive.name
    for suffix in (".parquet", ".gz", ".csv"):
        if name.lower().endswith(suffix):
            name = name[: -len(suffix)]
    return drive.parent / f"{name}.yaml"


def event_keys(event: Event) -> dict[str, Any]:
    """An event as it stands in a labels file."""
    keys = asdict(event)
    if not event.slight:
        del keys["slight"]
    return keys


def load_labels(path: str | os.PathLike[str]) -> Labels:
    """Read a labels file.

    Keys other than those of ``Labels`` are ignored; one that is nearly ``events`` or ``proposed``,
    which is not there, is refused: without these the file says something else.

    Raises
    ------
    RecordingError
        File, line and field; what was found and what was expected.
    """
    return parse_labels(read_text(path, "labels", RecordingError), str(path))


def parse_labels(text: str, source: str) -> Labels:
    """``load_labels`` of a text; ``source`` names it in errors.

    Raises
    ------
    RecordingError
        As ``load_labels``.
    """
    return _labels(load_section(text, source, RecordingError))


def save_labels(labels: Labels, path: str | os.PathLike[str]) -> None:
    """Write a labels file that ``load_labels`` reads back as it was."""
    content: dict[str, Any] = {
        "vehicle": labels.vehicle,
        "source": labels.source,
        "notes": labels.notes,
    }
    if labels.proposed:
        content["proposed"] = True
    if labels.events is not None:
        content["events"] = [event_keys(event) for event in labels.events]
    # PyYAML writes rare line separators (U+0085, U+2028) so that they read back as spaces,
    # unless it may write ASCII only.
    words = (labels.vehicle + labels.source + labels.notes).replace("\n", "")
    text = dump_yaml(content, allow_unicode=words.isprintable(), width=96)
    try:
        Path(path).write_text(text, encoding="utf-8", newline="\n")
    except (OSError, ValueError) as err:
        raise unwritable(path, err, "the labels") from err


def _labels(top: Section) -> Labels:
    for word in ("events", "proposed"):
        if word not in top:
            for key in top:
                if difflib.get_close_matches(str(key).lower(), [word], 1, CLOSE):
                    raise top.error(key, f"unknown key{suggest(str(key).lower(), [word])}")
    return Labels(
        vehicle=_words(top, "vehicle"),
        source=_words(top, "source"),
        notes=_words(top, "notes"),
        events=_events(top) if top.get("events") is not None else None,
        proposed=_yes(top, "proposed"),
    )


def _events(top: Section) -> tuple[Event, ...]:
    items = top["events"]
    if not isinstance(items, list):
        raise top.error("events", f"found {show(items)}, expected a list of events")
    events = []
    for item in items:
        if not isinstance(item, Section):
            expected = "an event {kind, wheel, start_s, end_s}"
            raise top.error("events", f"found {show(item)}, expected {expected}")
        events.append((item.read(Event), item))
    events.sort(key=lambda pair: (pair[0].start_s, pair[0].end_s))
    _check_overlap(events)
    return tuple(event for event, _ in events)


def _yes(top: Section, key: str) -> bool:
    value = top.get(key)
    if value is not None and not isinstance(value, bool):
        raise top.error(key, f"found {show(value)}, expected true or false")
    return bool(value)


def _words(top: Section, key: str) -> str:
    """A text, or a list of them, as some people write their notes."""
    value = top.get(key)
    return "\n".join(str(v) for v in value) if isinstance(value, list) else str(value or "")


def _check_overlap(events: Sequence[tuple[Event, Section]]) -> None:
    last: dict[tuple[str, str | None], Event] = {}
    for event, item in events:
        before = last.get((event.kind, event.wheel))
        if before is not None and event.start_s <= before.end_s:
            where = f"{event.kind} {event.wheel}" if event.wheel else event.kind
            raise item.error(
                "start_s",
                f"found {event.start_s:g} s, but another {where} lasts from {before.start_s:g} "
                f"to {before.end_s:g} s; two of one kind and wheel may not overlap",
            )
        last[event.kind, event.wheel] = event
