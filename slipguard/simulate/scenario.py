"""A scenario: a world, and a driver who does something in it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from slipguard.simulate.faults import Fault
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import World

Operator = Callable[[float, Truth], tuple[float, float]]
"""Throttle and steer, each -1..1, that the driver asks for at a time, seeing the rover."""


def always(t_s: float) -> bool:
    """True at any time."""
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """What is driven, where, for how long. Build one by a function of a seed and copy that.

    Attributes
    ----------
    name : str
    notes : str
        What happens, in one sentence.
    world : World
    duration_s : float
    operator : callable
        ``operator(t_s, truth) -> (throttle, steer)``. It keeps no memory, so that a scenario
        can be run any number of times.
    motor_enabled, link : callable
        By time: whether the motor may turn; whether the operator's commands arrive.
    blocked_until_s : float
        Chocks lie before all wheels until then.
    x_m, y_m, heading_deg : float
        Where the rover stands at the start.
    goal_x_m : float or None
        Reaching this place along x counts as getting across.
    faults : sequence of Fault
    """

    name: str
    notes: str
    world: World
    duration_s: float
    operator: Operator
    motor_enabled: Callable[[float], bool] = always
    link: Callable[[float], bool] = always
    blocked_until_s: float = 0.0
    x_m: float = 0.0
    y_m: float = 0.0
    heading_deg: float = 0.0
    goal_x_m: float | None = None
    faults: Sequence[Fault] = ()


# ---------------------------------------------------------------- how a driver drives


def track(*points: tuple[float, float]) -> Callable[[float], float]:
    """A value over time through (time, value) points, straight lines between, held outside."""
    times = [p[0] for p in points]
    values = [p[1] for p in points]

    def value(t_s: float) -> float:
        if t_s <= times[0]:
            return values[0]
        for i in range(1, len(times)):
            if t_s < times[i]:
                share = (t_s - times[i - 1]) / (times[i] - times[i - 1])
                return values[i - 1] + share * (values[i] - values[i - 1])
        return values[-1]

    return value


def keep_line(truth: Truth, y_m: float = 0.0, heading_rad: float = 0.0) -> float:
    """Steer that a driver gives to stay on the line y = ``y_m`` (driving along x)."""
    backwards = -1.0 if truth.speed_mps < -0.05 else 1.0
    off = truth.heading_rad - heading_rad
    off = math.atan2(math.sin(off), math.cos(off))
    return max(-1.0, min(1.0, -backwards * 2.0 * off - 1.5 * (truth.y_m - y_m)))
