"""Which plots a page has and which lines are in them: the one list that all else follows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from slipguard.reading import WHEELS

DASH = {
    "fl": "solid",
    "fr": "dashed",
    "rl": "dashdot",
    "rr": "dotted",
    "estimate": "solid",
    "truth": "dashed",
    "limit": "dotted",
    "request": "dashed",
}
"""Line style of each role: no line is told from another by its colour alone."""

NAMES = {"fl": "front left", "fr": "front right", "rl": "rear left", "rr": "rear right"}


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its channel, its name in the legend, and its role, which styles it.

    A mirror is drawn as well, without an entry in the legend: a limit that counts both ways.
    The y axis does not reach for a line that is not ``ranged``: a limit as wide as the estimate
    is unsure would flatten everything else.
    """

    channel: str
    label: str
    role: str
    mirror: str | None = None
    ranged: bool = True


@dataclass(frozen=True, slots=True)
class Panel:
    """One plot over time.

    Attributes
    ----------
    key, title, unit : str
    lines : tuple of Line
    band : (low, high) channels, or None
        Drawn as an area: two standard deviations to either side.
    kinds : tuple of str
        Findings shaded in it.
    wheel : str or None
        Only those of this wheel.
    height : int
        Pixels.
    least : float
        Its y axis spans at least this much: noise must not look like an event.
    digits : int
        Decimals of values under the pointer.
    measure : str or None
        A channel: the y axis ends at ``REACH`` times what it mostly is.
    """

    key: str
    title: str
    unit: str
    lines: tuple[Line, ...]
    band: tuple[str, str] | None = None
    kinds: tuple[str, ...] = ()
    wheel: str | None = None
    height: int = 150
    least: float = 0.1
    digits: int = 3
    measure: str | None = None


def _wheels(channel: str) -> tuple[Line, ...]:
    return tuple(Line(f"{channel}_{w}", w, w) for w in WHEELS)


ROVER = ("rolling", "sliding", "overspeed", "tip_over_risk", "link_lost")

PANELS = (
    Panel(
        "speed",
        "Speed",
        "m/s",
        (Line("speed", "estimate", "estimate"), Line("true_speed", "truth", "truth")),
        band=("speed_low", "speed_high"),
        kinds=ROVER,
        height=210,
        least=0.2,
    ),
    Panel("rim", "Wheel speeds", "m/s", _wheels("rim"), kinds=("sensor_fault",), least=0.2),
    *(
        Panel(
            f"slip_{w}",
            f"Slip, {NAMES[w]}",
            "m/s",
            (
                Line(f"slip_{w}", w, w),
                Line(f"true_slip_{w}", "truth", "truth"),
                Line(
                    f"slip_limit_{w}",
                    "limit, widened by sigma",
                    "limit",
                    f"slip_limit_back_{w}",
                    False,
                ),
            ),
            kinds=("wheel_spin", "wheel_lock"),
            wheel=w,
            height=120,
            least=0.5,
        )
        for w in WHEELS
    ),
    Panel(
        "excess",
        "Excess travel",
        "mm",
        (
            *_wheels("excess"),
            Line(
                "excess_limit", "least limit, widened by sigma", "limit", "excess_limit_back", False
            ),
        ),
        least=14.0,
        digits=1,
        measure="excess_limit",
    ),
    Panel(
        "grade",
        "Grade",
        "%",
        (Line("grade", "estimate", "estimate"), Line("true_grade", "truth", "truth")),
        band=("grade_low", "grade_high"),
        least=16.0,
        digits=1,
    ),
    Panel("brake", "Brakes", "0..1", _wheels("brake"), height=120, least=1.05, digits=2),
    Panel(
        "throttle",
        "Throttle",
        "-1..1",
        (
            Line("request", "asked for", "request"),
            Line("throttle", "to the motor", "estimate"),
            Line("limit", "limit", "limit", "limit_back"),
        ),
        kinds=("link_lost",),
        height=140,
        least=0.2,
        digits=2,
    ),
)


REACH = 10.0
"""A wheel that spins for a while gets metres ahead, which would flatten all that happens at the
limit. Judgement."""


def axis_end(panel: Panel, channels: Mapping[str, NDArray[np.float32]]) -> float | None:
    """Where the y axis of a panel ends, either way; None: where its lines do."""
    measure = channels.get(panel.measure) if panel.measure is not None else None
    if measure is None or not np.isfinite(measure).any():
        return None
    end = float(f"{REACH * np.median(measure[np.isfinite(measure)]):.2g}")
    lines = [channels[line.channel] for line in panel.lines if line.ranged]
    beyond = any(bool(np.any(np.abs(values) > end)) for values in lines)
    return end if beyond and end >= panel.least else None


def panels_for(channels: Iterable[str]) -> list[Panel]:
    """The plots of a drive, without the lines it has no numbers for."""
    there = set(channels)
    return [
        replace(panel, lines=tuple(line for line in panel.lines if line.channel in there))
        for panel in PANELS
    ]
