"""Which settings are searched, and between which bounds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from slipguard.config import Config, SettingDoc, settings_table

Measured = TypeVar("Measured")
DETECTION = ("spin", "rolling")
"""Settings of these sections decide when spin, lock and rolling are found."""

RESPONSE = (
    "hold.brake",
    "hold.margin",
    "hold.press_per_mm",
    "hold.release_s",
    "limits.traction_brake_per_mps",
    "limits.slip_target_mps",
    "limits.throttle_cut_per_s",
    "limits.throttle_restore_per_s",
)
"""How hard and how fast the rover is held, braked and throttled. Not what its builder wishes, as
the grade from which it is held, or for safety, as the speed above which no wheel is braked."""

WITHIN = 4.0
"""Values are tried from a quarter to four times the rover's own, inside the setting's limits."""

NUDGE = 1.25
"""How far a setting is moved, alone, to see what it does: by this factor either way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One setting that is searched.

    Attributes
    ----------
    section, key, unit : str
    value : float
        The rover's own.
    low, high : float
        Bounds of the search.
    """

    section: str
    key: str
    unit: str
    value: float
    low: float
    high: float

    @property
    def name(self) -> str:
        """As ``Config.with_changes`` calls it."""
        return f"{self.section}__{self.key}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity(Generic[Measured]):
    """What one setting does, moved alone from the recommended set.

    Attributes
    ----------
    threshold : Threshold
    value : float
        In the recommended set.
    lower, higher : float
        Where it was moved to; the same as ``value`` where its bounds allow no more.
    at, at_lower, at_higher : Tally, or tuple of float
        On recorded drives, or in the simulator: what came of it.
    """

    threshold: Threshold
    value: float
    lower: float
    higher: float
    at: Measured
    at_lower: Measured
    at_higher: Measured


def thresholds(config: Config, within: float = WITHIN) -> list[Threshold]:
    """What is searched on recorded drives, in the order of the settings table."""
    return _searched(config, within, lambda row: row.section in DETECTION)


def response_settings(config: Config, within: float = WITHIN) -> list[Threshold]:
    """What is searched in closed loop, in the order of the settings table."""
    return _searched(config, within, lambda row: f"{row.section}.{row.key}" in RESPONSE)


def _searched(
    config: Config, within: float, wanted: Callable[[SettingDoc], bool]
) -> list[Threshold]:
    found = []
    for row in filter(wanted, settings_table()):
        value = float(getattr(getattr(config, row.section), row.key))
        # A threshold the rover has switched off is searched around the usual value.
        middle = value if value > 0.0 else float(row.default)
        lowest = 0.0 if row.low is None else row.low
        highest = math.inf if row.high is None else row.high
        found.append(
            Threshold(
                section=row.section,
                key=row.key,
                unit=row.unit,
                value=value,
                low=min(value, max(rounded(middle / within), lowest)),
                high=max(value, min(rounded(middle * within), highest)),
            )
        )
    return found


def own(found: Iterable[Threshold]) -> dict[str, float]:
    """The rover's own values."""
    return {t.name: t.value for t in found}


def changed(found: Iterable[Threshold], values: Mapping[str, float]) -> dict[str, float]:
    """Those of the values that are not the rover's own."""
    before = own(found)
    return {name: value for name, value in values.items() if value != before[name]}


def partway(
    found: Iterable[Threshold], values: Mapping[str, float], way: float
) -> dict[str, float]:
    """Part of the way (0..1) from the rover's own values to these: half of four times is twice."""

    def between(start: float, end: float) -> float:
        if start > 0.0 and end > 0.0:
            return float(start * (end / start) ** way)
        return start + way * (end - start)

    mine = own(found)
    if way in (0.0, 1.0):
        return {name: (value if way else mine[name]) for name, value in values.items()}
    return {
        name: value if value == mine[name] else rounded(between(mine[name], value))
        for name, value in values.items()
    }


def rounded(value: float) -> float:
    """Three digits: what is tried is what is written down."""
    return float(f"{value:.3g}")


def nudged(t: Threshold, value: float) -> tuple[float, float]:
    """A value moved down and up, inside the bounds of the search."""
    low, high = rounded(value / NUDGE), rounded(value * NUDGE)
    return max(low, min(t.low, value)), min(high, max(t.high, value))


def with_values(config: Config, values: Mapping[str, float]) -> Config:
    """The config with these thresholds, validated."""
    return config.with_changes(**values)
