"""How a drive ended, in the numbers a driver cares about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slipguard.simulate.drive import Drive
from slipguard.simulate.labels import farthest_roll_m

BRAKE_ON = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One drive summed up.

    Attributes
    ----------
    across_s : float or None
        When the rover reached the goal; None: stuck, or the scenario has no goal.
    farthest_m : float
        The farthest it got along x.
    rolled_m : float
        The longest way it rolled that nobody asked for, however short or slow.
    rolled_after_event_m : float
        The same from the scenario's event on (all of it, where it has none).
    brake_wheel_s : float
        Seconds of brake, all wheels together, while the driver asked for motion.
    top_speed_mps : float
        Highest true speed, either direction.
    """

    across_s: float | None
    farthest_m: float
    rolled_m: float
    rolled_after_event_m: float
    brake_wheel_s: float
    top_speed_mps: float


def summarise(drive: Drive) -> Outcome:
    """Sum a drive up from its truth."""
    x_m, t_s = drive.truth_column("x_m"), drive.truth_column("t_s")
    goal = drive.scenario.goal_x_m
    there = np.flatnonzero(x_m >= (np.inf if goal is None else goal))
    asked, speed = drive.asked(), drive.truth_column("speed_mps")
    late = t_s >= (drive.scenario.event_s or 0.0)
    braked = (drive.truth_column("brakes") > BRAKE_ON).sum(axis=1)
    return Outcome(
        across_s=float(t_s[there[0]]) if len(there) else None,
        farthest_m=float(x_m.max()),
        rolled_m=farthest_roll_m(t_s, speed, asked),
        rolled_after_event_m=farthest_roll_m(t_s[late], speed[late], asked[late]),
        brake_wheel_s=float((braked * (asked != 0)).sum() / drive.config.imu.rate_hz),
        top_speed_mps=float(np.abs(speed).max()),
    )
