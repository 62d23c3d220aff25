"""Scenarios to use, copy and change.

Each is a function ``name(seed, config) -> Scenario``. The seed varies timings, friction,
heights and places; sizes follow the rover's wheels and wheelbase, throttles its weight and
motor. The motor is enabled and the stick neutral for at least the first 0.8 s.
"""

from __future__ import annotations

import runpy
from collections.abc import Callable
from pathlib import Path

from slipguard.config import Config
from slipguard.section import suggest
from slipguard.simulate.scenario import DEMO_ROVER, Scenario
from slipguard.simulate.scenarios import driving, slopes, traction
from slipguard.simulate.scenarios.variants import (
    ENCODER_FAULTS,
    ENCODERS,
    IMU_FAULTS,
    MISMATCHES,
    backwards,
    in_reverse,
    with_fault,
)

_ALL = (
    driving.tight_turns,
    driving.rough_crawl,
    driving.mixed_drive,
    driving.long_standing,
    driving.knocks_standing,
    driving.stop_and_go,
    driving.ramp_over,
    traction.twister,
    traction.clay_uphill,
    traction.all_on_ice,
    traction.ice_patch,
    traction.kerb_climb,
    slopes.parking_motor_cut,
    slopes.parking_held,
    slopes.parking_link_lost,
    slopes.hill_start,
    slopes.turning_on_slope,
    slopes.side_slope,
    slopes.stranded_roll_back,
    slopes.link_lost_driving,
)

SCENARIOS: dict[str, Callable[..., Scenario]] = {f.__name__: f for f in _ALL}
SCENARIOS |= {
    f"{f.__name__}_reverse": in_reverse(f)
    for f in (
        driving.rough_crawl,
        traction.twister,
        traction.clay_uphill,
        traction.all_on_ice,
        slopes.parking_motor_cut,
        slopes.parking_held,
        slopes.hill_start,
        slopes.stranded_roll_back,
    )
}
"""Every scenario by name; the ``_reverse`` ones are driven backwards."""


def make(name: str, seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Build a scenario by name.

    Raises
    ------
    KeyError
        Unknown name; the message lists the known ones.
    """
    if name not in SCENARIOS:
        raise KeyError(f"scenario {name!r}: expected one of {', '.join(sorted(SCENARIOS))}")
    return SCENARIOS[name](seed, config)


class ScenarioError(ValueError):
    """There is no such scenario; the message says what was expected."""


def find(name: str, seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Build a scenario by name, or by ``FILE.py:FUNCTION`` for one of your own.

    Raises
    ------
    ScenarioError
        There is none of that name, or the function gives something else.
    """
    file, colon, function = name.rpartition(":")
    if not colon:
        if name not in SCENARIOS:
            near = suggest(name, sorted(SCENARIOS))
            raise ScenarioError(f"scenario {name!r}: there is none of that name{near}")
        return SCENARIOS[name](seed, config)
    if not Path(file).is_file():
        raise ScenarioError(f"scenario {name!r}: there is no file {file!r}")
    build = runpy.run_path(file).get(function)
    if not callable(build):
        raise ScenarioError(f"scenario {name!r}: {file} has no function {function!r}")
    built = build(seed, config)
    if not isinstance(built, Scenario):
        raise ScenarioError(
            f"scenario {name!r}: {function} returned a {type(built).__name__}, expected a Scenario"
        )
    return built


__all__ = [
    "ENCODERS",
    "ENCODER_FAULTS",
    "IMU_FAULTS",
    "MISMATCHES",
    "SCENARIOS",
    "ScenarioError",
    "backwards",
    "find",
    "in_reverse",
    "make",
    "with_fault",
]
