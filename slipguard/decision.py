"""What the rover should do now, and what the driver should be told."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.reading import Quad


class Hold(StrEnum):
    """Phase of the hill hold."""

    OFF = "off"
    STOPPING = "stopping"
    HOLDING = "holding"
    RELEASING = "releasing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """Something the driver should be told, given once, when it changes.

    Attributes
    ----------
    t_s : float
        Time of the reading that caused it.
    level : str
        ``'info'``, ``'warning'`` or ``'critical'``.
    topic : str
        Short machine-readable name, e.g. ``'wheel_spin'``.
    wheel : str or None
    message : str
        One sentence for the driver.
    """

    t_s: float
    level: Literal["info", "warning", "critical"]
    topic: str
    wheel: str | None
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """Outputs of one step.

    Attributes
    ----------
    throttle : float
        What the motor gets, -1..1.
    throttle_limit : float
        Cap on ``|throttle|``, 0..1.
    brakes : (4,) float
        Brake command per wheel, each 0..1.
    findings : tuple of Finding
        What is true now.
    alerts : tuple of Alert
        What changed and the driver should be told.
    hold : Hold
        Phase of the hill hold.
    estimate : Estimate
    """

    t_s: float
    throttle: float
    throttle_limit: float
    brakes: Quad
    findings: tuple[Finding, ...]
    alerts: tuple[Alert, ...]
    hold: Hold
    estimate: Estimate
