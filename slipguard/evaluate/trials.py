"""Simulated drives for evaluation: open loop for detection, closed loop for what comes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slipguard.config import Config
from slipguard.engines import quickest
from slipguard.evaluate.measures import Array, Measures, measure
from slipguard.guard import Guard
from slipguard.reading import WHEELS
from slipguard.simulate import SCENARIOS, Drive, run, summarise
from slipguard.simulate.settings import SimSettings
from slipguard.simulate.yardstick import TrueGuard

HELPERS = ("nobody", "guard", "truth", "locked")
"""Nobody helps; the guard; the guard's response fed with the truth; a rover whose differentials
are locked, and nobody helps."""
GRIP_S = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of one closed-loop drive.

    Attributes
    ----------
    scenario, helper : str
    seed : int
    across_s : float or None
        When the goal was reached; None: not, or no goal.
    goal : bool
        Whether there was one.
    rolled_m : float
        Longest way rolled that nobody asked for, from the moment the scenario is about.
    brake_wheel_s : float
        Seconds of brake, all wheels together, while the driver asked for motion.
    pulled_m : float
        Distance in the 5 s after the driver first asked for motion.
    leap_mps : float
        Most speed above the driver's request within 1.5 s after a spinning wheel gripped.
    """

    scenario: str
    helper: str
    seed: int
    across_s: float | None
    goal: bool
    rolled_m: float
    brake_wheel_s: float
    pulled_m: float
    leap_mps: float


def truth_arrays(drive: Drive) -> dict[str, Array]:
    """The truth columns of a simulated drive, under the names a recording has."""
    out = {"t_s": drive.truth_column("t_s"), "true_speed_mps": drive.truth_column("speed_mps")}
    for name in ("slip_mps", "ground_mps"):
        values = drive.truth_column(name)
        for i, wheel in enumerate(WHEELS):
            out[f"true_{wheel}_{name}"] = values[:, i]
    return out


def open_loop(
    scenario: str, seed: int, config: Config, plant_config: Config | None = None
) -> Measures:
    """Nobody helps the rover; the guard watches what its sensors say."""
    drive = run(SCENARIOS[scenario](seed, config), config, seed, plant_config=plant_config)
    name = f"{scenario} {seed}"
    return measure(drive.readings, truth_arrays(drive), drive.labels(), config, name=name)


def trial(
    scenario: str, seed: int, helper: str, config: Config, plant_config: Config | None = None
) -> Trial:
    """Drive one scenario in closed loop with one of ``HELPERS``."""
    if helper == "locked":
        config = config.with_changes(rover__drive="locked")
    played = SCENARIOS[scenario](seed, config)
    if helper == "guard":
        drive = run(played, config, seed, Guard(config, quickest()), plant_config=plant_config)
    elif helper == "truth":
        true = TrueGuard(config)
        drive = run(played, config, seed, true, plant_config=plant_config, watch=true.watch)
    else:
        drive = run(played, config, seed, plant_config=plant_config)
    return trial_of(drive, helper)


def trial_of(drive: Drive, helper: str) -> Trial:
    """What came of a drive that was driven with one of ``HELPERS``."""
    outcome, played = summarise(drive), drive.scenario
    return Trial(
        scenario=played.name,
        helper=helper,
        seed=drive.seed,
        across_s=outcome.across_s,
        goal=played.goal_x_m is not None,
        rolled_m=outcome.rolled_after_event_m,
        brake_wheel_s=outcome.brake_wheel_s,
        pulled_m=_pulled_m(drive),
        leap_mps=_leap_mps(drive),
    )


def _pulled_m(drive: Drive) -> float:
    x = drive.truth_column("x_m")
    asked = np.flatnonzero(drive.asked() != 0)
    if not len(asked):
        return 0.0
    first = int(asked[0])
    last = min(first + round(5.0 * drive.config.imu.rate_hz), len(x) - 1)
    return abs(float(x[last] - x[first]))


def _leap_mps(drive: Drive) -> float:
    """Speed above the request, or above what it was at the moment of grip where that is more."""
    free = SimSettings.read(drive.config.sim).free_speed_mps
    t = drive.truth_column("t_s")
    speed = np.abs(drive.truth_column("speed_mps"))
    request = np.abs(drive.command_column("throttle")) * free
    most = 0.0
    for label in drive.labels():
        if label.kind == "wheel_spin":
            after = (t >= label.end_s) & (t <= label.end_s + GRIP_S)
            if after.any():
                # What the driver asked for since, or the speed at which the wheel gripped.
                asked = np.maximum.accumulate(request[after])
                bar = np.maximum(asked, speed[after][0])
                most = max(most, float((speed[after] - bar).max()))
    return most
