"""Truth -> labelled events, by fixed definitions, never by hand.

wheel_spin
    Slip speed in the rim's direction above 0.15 m/s and slip ratio (slip speed over the
    larger of rim and ground speed) above 0.3, for at least 50 ms; gaps under 100 ms are
    merged; the onset is the first crossing.
wheel_lock
    The mirror image: the rim slower than the ground in the direction of travel.
rolling
    The rover moves faster than 0.02 m/s, for at least 0.1 s and 10 mm, in a direction nobody
    has asked for since it last stood (or passed through standstill). Coasting on after the
    driver lets go is not rolling, nor is braking by asking for the other direction.
sliding
    The rover moves faster than 0.1 m/s for at least 0.1 s while no wheel turns.
link_lost
    The last command is older than the guard's own limit.

Slight events (``slight_events``) are what stays below: a finding of one is no false alarm, since it
is true, and nobody is asked to find it. Spin and lock: slip above 0.15 m/s, whatever the ratio and
however short. Rolling: 2 mm at 0.005 m/s or more, and a rover that coasts and grows faster again by
0.01 m/s, from where it was slowest.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slipguard.reading import WHEELS
from slipguard.recording import Event

Array = NDArray[np.float64]

SLIP_MPS, SLIP_RATIO, SPIN_S, MERGE_S = 0.15, 0.3, 0.05, 0.1
STILL_MPS = 0.02
SLIDE_MPS, SLIDE_S = 0.1, 0.1
ROLL_MPS, ROLL_S, ROLL_M = 0.02, 0.1, 0.010
SLIGHT_ROLL_MPS, SLIGHT_ROLL_M, GROWN_MPS = 0.005, 0.002, 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One event that truly happened; ``travel_m`` is excess rim travel, or distance rolled.

    ``slight``: too short or too small to demand that it is found.
    """

    kind: str
    wheel: str | None
    start_s: float
    end_s: float
    travel_m: float
    slight: bool = False

    @property
    def event(self) -> Event:
        """As it stands in a labels file."""
        return Event(
            kind=self.kind,
            wheel=self.wheel,
            start_s=self.start_s,
            end_s=self.end_s,
            slight=self.slight,
        )


def label_drive(
    t_s: Array,
    *,
    rim_mps: Array,
    ground_mps: Array,
    speed_mps: Array,
    throttle: Array,
    motor_enabled: Array,
    command_age_s: Array,
    link_timeout_s: float = 0.6,
    neutral: float = 0.03,
) -> list[Label]:
    """All events of a drive, in order of their start.

    Parameters
    ----------
    t_s : (n,) array
    rim_mps, ground_mps : (n, 4) arrays
    speed_mps, throttle, command_age_s : (n,) arrays
    motor_enabled : (n,) array
        Zero where the motor is disabled.
    link_timeout_s, neutral : float
        An older command, or a throttle up to this, asks for nothing.
    """
    labels = []
    for kind, wheel, slip, scale in _slips(rim_mps, ground_mps):
        there = (slip > SLIP_MPS) & (slip / scale > SLIP_RATIO)
        for start, end in _merged(t_s, there):
            if t_s[end] - t_s[start] >= SPIN_S:
                travel = _integral(t_s, np.where(there, slip, 0.0), start, end)
                labels.append(label(kind, wheel, t_s, start, end, travel))
    asked = asked_direction(
        throttle, motor_enabled, command_age_s, link_timeout_s=link_timeout_s, neutral=neutral
    )
    for start, end in _unasked(speed_mps, asked, ROLL_MPS):
        travel = abs(_integral(t_s, speed_mps, start, end))
        if t_s[end] - t_s[start] >= ROLL_S and travel >= ROLL_M:
            labels.append(label("rolling", None, t_s, start, end, travel))
    stopped = np.all(np.abs(rim_mps) <= STILL_MPS, axis=1)
    for start, end in _merged(t_s, stopped & (np.abs(speed_mps) > SLIDE_MPS)):
        if t_s[end] - t_s[start] >= SLIDE_S:
            travel = abs(_integral(t_s, speed_mps, start, end))
            labels.append(label("sliding", None, t_s, start, end, travel))
    silent = command_age_s > link_timeout_s
    labels += [label("link_lost", None, t_s, a, b, 0.0) for a, b in stretches(silent)]
    return in_order(labels)


def slight_events(
    t_s: Array,
    labels: Sequence[Label],
    *,
    rim_mps: Array,
    ground_mps: Array,
    speed_mps: Array,
    asked: Array,
) -> list[Label]:
    """What truly happened beside the labels of a drive, too short or too small for one.

    Parameters
    ----------
    t_s : (n,) array
    labels : sequence of Label
        Those of ``label_drive``.
    rim_mps, ground_mps : (n, 4) arrays
    speed_mps, asked : (n,) arrays
        ``asked``: as ``asked_direction``.
    """
    found: list[Label] = []

    def add(kind: str, wheel: str | None, spans: Iterable[tuple[int, int]], value: Array) -> None:
        there = np.zeros(len(t_s), bool)
        for start, end in spans:
            there[start:end] = True
        for one in labels:
            if (one.kind, one.wheel) == (kind, wheel):
                first, after = np.searchsorted(t_s, [one.start_s - 1e-4, one.end_s + 1e-4])
                there[max(first - 1, 0) : after + 1] = False
        for start, end in stretches(there):
            way = np.cumsum(value[start:end] * np.diff(t_s)[start:end])
            if kind != "rolling" or np.max(np.abs(way)) >= SLIGHT_ROLL_M:
                travel = abs(way[-1]) if kind == "rolling" else max(0.0, way[-1])
                found.append(label(kind, wheel, t_s, start, end, travel, slight=True))

    for kind, wheel, slip, _ in _slips(rim_mps, ground_mps):
        # Its travel takes the gaps in, where slip may be the other way: counts that beat with the
        # readings seem to slip to and fro, and end where they began.
        add(kind, wheel, _merged(t_s, slip > SLIP_MPS), slip)
    rolls = [
        (start, end)
        for start, end in _unasked(speed_mps, asked, SLIGHT_ROLL_MPS)
        if abs(_integral(t_s, speed_mps, start, end)) >= SLIGHT_ROLL_M
    ]
    add("rolling", None, [*rolls, *_grown(speed_mps, asked)], speed_mps)
    return found


def asked_direction(
    throttle: Array,
    motor_enabled: Array,
    command_age_s: Array,
    *,
    link_timeout_s: float = 0.6,
    neutral: float = 0.03,
) -> Array:
    """+1 or -1 where the driver asks for motion and could get it, 0 elsewhere: (n,)."""
    asked = np.where(np.abs(throttle) > neutral, np.sign(throttle), 0.0)
    return np.where((motor_enabled != 0) & (command_age_s <= link_timeout_s), asked, 0.0)


def farthest_roll_m(t_s: Array, speed_mps: Array, asked: Array) -> float:
    """The longest way rolled that nobody asked for, however short or slow.

    While nothing is asked for: the farthest from where the rover first stood. While motion is
    asked for: the farthest back from the farthest point reached that way since it stood.
    """
    if not len(t_s):
        return 0.0
    way = np.concatenate(([0.0], np.cumsum(speed_mps[:-1] * np.diff(t_s))))
    changes = np.flatnonzero(np.diff(asked)) + 1
    farthest = 0.0
    before: float | None = None  # where a roll still going on began
    for part in np.split(np.arange(len(t_s)), changes):
        want, speed = asked[part[0]], speed_mps[part]
        if before is None or speed[0] * want > 0:
            stood = (np.abs(speed) < ROLL_MPS) | (speed * want > 0)
            part = part[np.argmax(stood) :] if stood.any() else part[:0]
            if not len(part):
                before = None
                continue
            before = float(way[part[0]])
        along = np.concatenate(([before], way[part]))
        top = np.maximum.accumulate(along * want) if want else along[0]
        back = top - along * want if want else np.abs(along - top)
        farthest = max(farthest, float(np.max(back)))
        rolling = abs(speed[-1]) > ROLL_MPS and speed[-1] * want <= 0
        from_m = float(top[-1]) * want if want else before
        before = from_m if rolling else None
    return farthest


def in_order(labels: Iterable[Label]) -> list[Label]:
    """By start, kind and wheel."""
    return sorted(labels, key=lambda e: (e.start_s, e.kind, e.wheel or ""))


def label(
    kind: str,
    wheel: str | None,
    t: Array,
    start: int,
    end: int,
    travel: float,
    slight: bool = False,
) -> Label:
    return Label(
        kind=kind,
        wheel=wheel,
        start_s=round(float(t[start]), 4),
        end_s=round(float(t[end]), 4),
        travel_m=round(float(travel), 4),
        slight=slight,
    )


def _slips(rim_mps: Array, ground_mps: Array) -> Iterator[tuple[str, str, Array, Array]]:
    """Kind, wheel, slip in the direction of that kind, and what its ratio is taken of."""
    for i, wheel in enumerate(WHEELS):
        rim, ground = rim_mps[:, i], ground_mps[:, i]
        # A wheel that turns against its travel spins, unless it hardly turns: then it is locked.
        turns = np.abs(rim) > STILL_MPS
        spin = np.where(turns, (rim - ground) * np.sign(rim), 0.0)
        lock = np.where(turns & (rim * ground < 0), 0.0, (ground - rim) * np.sign(ground))
        scale = np.maximum(np.maximum(np.abs(rim), np.abs(ground)), 1e-9)
        yield "wheel_spin", wheel, spin, scale
        yield "wheel_lock", wheel, lock, scale


def _integral(t: Array, value: Array, start: int, end: int) -> float:
    return float(np.sum(value[start:end] * np.diff(t)[start:end]))


def stretches(there: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one-past-last index (the last of all at most) of each stretch."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], there, [False])).astype(int)))
    ends = np.minimum(edges[1::2], len(there) - 1)
    return list(zip(edges[::2].tolist(), ends.tolist(), strict=True))


def _merged(t: Array, there: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """The same, stretches closer than MERGE_S joined."""
    start: int | None = None
    end = 0
    for a, b in stretches(there):
        if start is not None and t[a] - t[end] >= MERGE_S:
            yield start, end
            start = None
        if start is None:
            start = a
        end = b
    if start is not None:
        yield start, end


def _grown(speed: Array, asked: Array) -> Iterator[tuple[int, int]]:
    """Stretches of coasting from where the rover was slowest, if it grew faster after that."""
    way = np.sign(speed)
    for part in np.split(np.arange(len(speed)), np.flatnonzero(np.diff(way)) + 1):
        for start, end in stretches((way[part] != 0.0) & (asked[part] != way[part])):
            fast = np.abs(speed[part[start] : part[end] + 1])
            grown = fast > np.minimum.accumulate(fast) + GROWN_MPS
            if grown.any():
                slowest = int(np.argmin(fast[: int(np.argmax(grown)) + 1]))
                yield int(part[start]) + slowest, int(part[end])


def _unasked(speed: Array, asked: Array, still_mps: float) -> Iterator[tuple[int, int]]:
    """Stretches of motion in a direction that was not asked for since standstill."""
    moving = np.where(np.abs(speed) > still_mps, np.sign(speed), 0.0).tolist()
    wanted: Sequence[float] = asked.tolist()
    # What a drive begins with is not known to have come from rest.
    allowed = moving[0] != 0.0
    begun: int | None = None
    last = 0.0  # direction of the present motion
    for k, (way, want) in enumerate(zip(moving, wanted, strict=True)):
        if way != last:
            if begun is not None:
                yield begun, k - 1 if way else k  # reversed at once, the next begins at k
                begun = None
            if k:
                allowed = False
            last = way
        if way and want == way:
            if begun is not None:
                yield begun, k
                begun = None
            allowed = True
        if way and not allowed and begun is None:
            begun = k
    if begun is not None:
        yield begun, len(moving) - 1
