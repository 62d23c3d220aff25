"""Labels proposed for a drive: from truth where it has it, else from looking back at it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.frame import GAP_S
from slipguard.label.define import (
    SLIP_MPS,
    Label,
    asked_direction,
    in_order,
    label_drive,
    slight_events,
)
from slipguard.label.reference import Reference, look_back
from slipguard.reading import WHEELS, Reading
from slipguard.recording import Event, Recording, Row
from slipguard.recording import columns as col
from slipguard.recording.labels import KINDS, ONE_WHEEL

Array = NDArray[np.float64]

LEAST_COUNTS = 1.5
"""Excess travel below so many counts may be the encoder's steps: it is not proposed."""

LEAST_MEAN_MPS = 0.9 * SLIP_MPS
"""A slight event must slip by as much in the mean, its gaps taken in. Counts at nearly the rate of
the readings beat with it, which looks like slip and none in turn for as long as it drives; and at
speed a rim that drags a little passes the threshold now and then by its noise."""

MARKED_S = 2.0
"""A marker belongs to an event within this time of it: people press late."""

MARKER_BEFORE_S = 1.0
"""A marker that belongs to none becomes an event of this length that ends with it."""

COMMANDS = ("throttle", "motor_enabled", "command_age_s")
TRUTH = ("true_speed_mps", *(f"true_{w}_{what}_mps" for what in ("ground", "slip") for w in WHEELS))


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed label.

    Attributes
    ----------
    event : Event
    origin : str
        ``'truth'``, ``'look back'`` or ``'marker'``.
    travel_m : float
        Excess rim travel, or distance rolled; 0 where there is none.
    marker : str
        What was noted near it.
    """

    event: Event
    origin: str
    travel_m: float = 0.0
    marker: str = ""


@dataclass(frozen=True, slots=True)
class Proposals:
    """All of a drive, by start; and the markers that name no kind of event, as (time, text).

    ``no_truth`` says why truth columns there are were not used; empty otherwise.
    """

    proposals: tuple[Proposal, ...]
    other_markers: tuple[tuple[float, str], ...]
    start_s: float
    end_s: float
    no_truth: str = ""

    @property
    def events(self) -> tuple[Event, ...]:
        """The labels alone."""
        return tuple(proposal.event for proposal in self.proposals)


def propose(
    recording: Recording,
    config: Config,
    rows: Iterable[Row] | None = None,
    *,
    use_truth: bool = True,
) -> Proposals:
    """Propose labels for a drive. Faults of sensors are not among them: nobody saw them happen.

    Parameters
    ----------
    recording : Recording
    config : Config
        The rover it was driven with.
    rows : iterable of Row, optional
        The rows of ``recording``, e.g. behind a progress bar.
    use_truth : bool
        False: as if there were no truth columns, e.g. to see how good proposals are.

    Raises
    ------
    RecordingError
        The drive cannot be read.
    """
    missing = [name for name in TRUTH if name not in recording.columns]
    no_truth = ""
    if use_truth and 0 < len(missing) < len(TRUTH):
        no_truth = f"the drive has no {', '.join(missing)}"
    wanted = TRUTH if use_truth and not missing else ()
    kept = _Kept(wanted)
    reference = look_back(kept.readings(recording if rows is None else rows), config)
    if not len(reference.t_s):
        return Proposals((), (), 0.0, 0.0)
    gaps, true = kept.truth() if wanted else ([], None)
    if gaps:
        no_truth = f"a row has a gap in {', '.join(gaps)}"
    if true is not None:
        speed, ground, rim = true
        labels, origin = _label(reference, config, speed, ground, rim), "truth"
    else:
        labels, origin = labels_from(reference, config), "look back"
    proposals = [Proposal(e.event, origin, e.travel_m) for e in labels]
    start_s, end_s = float(reference.t_s[0]), float(reference.t_s[-1])
    # What slipguard said while it drove is no witness of what happened: labels judge it.
    markers = () if col.SENT_THROTTLE in recording.columns else kept.markers
    marked, others = with_markers(proposals, markers, start_s)
    return Proposals(tuple(marked), tuple(others), start_s, end_s, no_truth)


def labels_from(reference: Reference, config: Config) -> list[Label]:
    """The labels of a drive that was looked back at."""
    found = _label(reference, config, reference.speed_mps, reference.ground_mps, None)
    return [e for e in found if e.kind not in ONE_WHEEL or _is_slip(e, config.count_m)]


def _is_slip(found: Label, count_m: float) -> bool:
    """Whether a spin or lock is more than the encoder's steps, or what is left of creep."""
    least_m = LEAST_COUNTS * count_m
    if found.slight:
        least_m = max(least_m, LEAST_MEAN_MPS * (found.end_s - found.start_s))
    return found.travel_m >= least_m


def with_markers(
    proposals: Sequence[Proposal], markers: Iterable[tuple[float, str]], start_s: float
) -> tuple[list[Proposal], list[tuple[float, str]]]:
    """Give each marker that names a kind (and wheel) to an event near it, or one of its own."""
    result, others = list(proposals), []
    for t_s, text in markers:
        named = _named(text)
        if named is None:
            others.append((t_s, text))
            continue
        kind, wheel = named
        near = [
            i
            for i, p in enumerate(result)
            if p.event.kind == kind
            and (wheel is None or p.event.wheel == wheel)
            and p.event.start_s - MARKED_S <= t_s <= p.event.end_s + MARKED_S
        ]
        for i in near:
            old = result[i]
            result[i] = Proposal(old.event, old.origin, old.travel_m, text)
        if near:
            continue
        if wheel is None and kind in ONE_WHEEL:
            others.append((t_s, text))  # which wheel is not said, and no event says it
            continue
        begin_s = max(start_s, t_s - MARKER_BEFORE_S)
        event = Event(kind=kind, wheel=wheel, start_s=begin_s, end_s=max(begin_s, t_s))
        result.append(Proposal(event, "marker", 0.0, text))
    result.sort(key=lambda p: (p.event.start_s, p.event.kind, p.event.wheel or ""))
    return result, others


def _named(text: str) -> tuple[str, str | None] | None:
    """Kind and wheel a marker names: ``wheel spin fl``, ``ROLLING``."""
    words = re.sub(r"[\s_-]+", " ", text.lower())
    for kind in KINDS:
        if re.search(rf"\b{kind.replace('_', ' ')}\b", words):
            wheel = re.search(rf"\b({'|'.join(WHEELS)})\b", words)
            return kind, wheel[1] if wheel else None
    return None


def _label(
    reference: Reference, config: Config, speed: Array, ground: Array, rim: Array | None
) -> list[Label]:
    t_s = reference.t_s
    columns = {
        "rim_mps": reference.rim_mps if rim is None else rim,
        "ground_mps": ground,
        "speed_mps": speed,
        "throttle": reference.throttle,
        "motor_enabled": reference.motor_enabled,
        "command_age_s": reference.command_age_s,
    }
    limits: dict[str, Any] = {
        "link_timeout_s": config.limits.link_timeout_s,
        "neutral": config.limits.throttle_dead_band,
    }
    found: list[Label] = []
    # What happened in a gap is not known: what follows it is a drive of its own.
    for part in np.split(np.arange(len(t_s)), np.flatnonzero(np.diff(t_s) > GAP_S) + 1):
        here: dict[str, Any] = {name: column[part] for name, column in columns.items()}
        labels = label_drive(t_s[part], **here, **limits)
        commands: dict[str, Any] = {name: here.pop(name) for name in COMMANDS}
        asked = asked_direction(**commands, **limits)
        found += labels + slight_events(t_s[part], labels, **here, asked=asked)
    return in_order(found)


class _Kept:
    """What is kept of the rows while their readings are looked at: markers and truth."""

    def __init__(self, truth: Sequence[str]) -> None:
        self._names = truth
        self._truth: list[tuple[float, ...]] = []
        self.markers: list[tuple[float, str]] = []

    def readings(self, rows: Iterable[Row]) -> Iterable[Reading]:
        for row in rows:
            if row.marker:
                self.markers.append((row.reading.t_s, row.marker))
            if self._names:
                values = (row.number(name) for name in self._names)
                self._truth.append(tuple(np.nan if v is None else v for v in values))
            yield row.reading

    def truth(self) -> tuple[list[str], tuple[Array, Array, Array] | None]:
        """Columns with a gap; and without any true speed (n,), ground and rim speeds (n, 4)."""
        table = np.array(self._truth)
        whole = np.isfinite(table).all(axis=0)
        if not whole.all():
            return [name for name, good in zip(self._names, whole, strict=True) if not good], None
        return [], (table[:, 0], table[:, 1:5], table[:, 1:5] + table[:, 5:9])
