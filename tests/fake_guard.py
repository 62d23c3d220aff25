"""A guard that decides by a table, so that tests of what is around it know the answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

from slipguard import Alert, Decision, Estimate, Finding, Hold, Reading

ZEROS = {"float": 0.0, "bool": False, "Quad": (0.0, 0.0, 0.0, 0.0)}


def estimate(**values: Any) -> Estimate:
    zeros = {f.name: ZEROS[str(f.type)] for f in fields(Estimate)}
    return Estimate(**{**zeros, **values})


def finding(kind: str = "wheel_spin", wheel: str | None = "fl", value: float = 20.0, **more: Any):
    values = {"since_s": 0.0, "threshold": 12.0, "unit": "mm", "detail": "seen", **more}
    return Finding(kind=kind, wheel=wheel, value=value, **values)


def decision(
    t_s: float,
    *,
    findings: tuple[Finding, ...] = (),
    alerts: tuple[Alert, ...] = (),
    hold: Hold = Hold.OFF,
    brakes: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
    throttle_limit: float = 1.0,
    **motion: Any,
) -> Decision:
    return Decision(
        t_s=t_s,
        throttle=0.0,
        throttle_limit=throttle_limit,
        brakes=brakes,
        findings=findings,
        alerts=alerts,
        hold=hold,
        estimate=estimate(t_s=t_s, **motion),
    )


class FakeGuard:
    """Steps by a function, and remembers what it was given."""

    def __init__(self, decide: Callable[[Reading], Decision] | None = None) -> None:
        self.decide = decide or (lambda reading: decision(reading.t_s))
        self.readings: list[Reading] = []

    def step(self, reading: Reading) -> Decision:
        self.readings.append(reading)
        return self.decide(reading)
