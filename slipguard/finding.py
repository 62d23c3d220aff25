"""A thing that is true now, with the number it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "wheel_spin",
    "wheel_lock",
    "rolling",
    "sliding",
    "sensor_fault",
    "link_lost",
    "overspeed",
    "tip_over_risk",
]


NEVER_S = 1e6
"""So many seconds, or more, a finding says of what never came: its numbers are finite."""


def is_never(value: float, unit: str) -> bool:
    """Whether a number of a finding says that something never came."""
    return unit == "s" and value >= NEVER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found true at this moment.

    Attributes
    ----------
    kind : str
        What it is, see ``Kind``.
    wheel : str or None
        ``'fl'``, ``'fr'``, ``'rl'``, ``'rr'``, or None when it concerns the whole rover.
    since_s : float
        Time of the reading at which it became true.
    value, threshold : float
        The number compared and what it was compared with, in ``unit``; an empty unit marks
        what is simply so or not (1 against 0).
    detail : str
        What was seen, in words.
    sensor : str or None
        For ``sensor_fault``: which one, e.g. ``'imu'``, ``'encoder'``, ``'clock'``.
    """

    kind: Kind
    wheel: str | None
    since_s: float
    value: float
    threshold: float
    unit: str
    detail: str
    sensor: str | None = None

    @property
    def reason(self) -> str:
        """Why it was found, in one sentence with the numbers."""
        where = f" {self.wheel}" if self.wheel else ""
        what = self.kind.replace("_", " ")
        if not self.unit:  # true or not: there is no number to compare
            return f"{what}{where}: {self.detail}"
        value = "never" if is_never(self.value, self.unit) else f"{self.value:.4g} {self.unit}"
        numbers = f"{value}, limit {self.threshold:.4g} {self.unit}"
        return f"{what}{where}: {self.detail} ({numbers})"
