"""Which settings are searched, and between which bounds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from slipguard.config import Config, settings_table

SECTIONS = ("spin", "rolling")
"""Settings of these sections decide when spin, lock and rolling are found."""

WITHIN = 4.0
"""Values are tried from a quarter to four times the rover's own, inside the setting's limits."""


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


def thresholds(config: Config, within: float = WITHIN) -> list[Threshold]:
    """What is searched for this rover, in the order of the settings table."""
    found = []
    for row in settings_table():
        if row.section not in SECTIONS:
            continue
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


def own(found: list[Threshold]) -> dict[str, float]:
    """The rover's own values."""
    return {t.name: t.value for t in found}


def rounded(value: float) -> float:
    """Three digits: what is tried is what is written down."""
    return float(f"{value:.3g}")


def with_values(config: Config, values: Mapping[str, float]) -> Config:
    """The config with these thresholds, validated."""
    return config.with_changes(**values)
