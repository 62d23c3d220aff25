"""Which way a wheel turns whose encoder counts up either way."""

from __future__ import annotations

import numpy as np
import pytest
from synthetic import drive, rover, run, speed_error

from slipguard import WHEELS
from slipguard.frame import Frame
from slipguard.fuse.body import Body
from slipguard.fuse.direction import Direction
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.model import P0, V
from slipguard.fuse.wheel_track import WheelTrack
from slipguard.simulate import DEMO_ROVER, SCENARIOS
from slipguard.simulate import run as simulate

CONFIG = rover(direction="unsigned")


def standing(speed_mps: float, drive_now: float = 0.0, before: float = 0.0):
    """Direction and Body of a rover whose speed is known well, driven for 0.25 s so and before
    that so."""
    body = Body(CONFIG, FilterpyEngine)
    body.engine.x[V], body.engine.P[V, V] = speed_mps, 0.01**2
    for i in range(4):
        body.hub_mps[i] = speed_mps
    direction = Direction(CONFIG)
    for k in range(150):
        frame = Frame(dt_s=0.005, drive=drive_now if k >= 100 else before)
        direction.watch(frame)
    return direction, body


def rim(speed_mps: float, gripping: bool = False) -> WheelTrack:
    wheel = WheelTrack(CONFIG.count_m)
    wheel.rim_mps, wheel.gripping = speed_mps, gripping
    return wheel


@pytest.mark.parametrize("way", [1, -1])
def test_a_rim_that_keeps_mirroring_the_ground_turns_with_it(way):
    """Taken to spin at -1.75 m/s while the ground goes by at 1.75: it grips. Not before a rim that
    only passes by would be gone."""
    direction, body = standing(way * 1.75, drive_now=way * 0.5, before=-way * 0.5)
    wheel = rim(-way * 1.75)
    for _ in range(5):
        direction.turn_over(0, wheel, body, 0.01)
    assert wheel.rim_mps == -way * 1.75
    for _ in range(5):
        direction.turn_over(0, wheel, body, 0.01)
    assert wheel.rim_mps == way * 1.75


@pytest.mark.parametrize(
    ("drive_now", "before", "ground_mps", "turned"),
    [
        (0.5, 0.5, 0.0, True),  # nothing turns it backward
        (0.5, -0.5, 0.0, False),  # a moment ago the motor did
        (-0.5, -0.5, 0.0, False),  # it does
        (0.5, 0.5, -0.8, False),  # the ground does
        (0.5, 0.5, -0.3, True),  # not as fast
        (0.0, 0.0, 0.0, True),
    ],
)
def test_a_rim_turns_as_motor_or_ground_turn_it(drive_now, before, ground_mps, turned):
    """A wheel taken to spin backward at 1 m/s, by what can have turned it so."""
    direction, body = standing(ground_mps, drive_now, before)
    wheel = rim(-1.0)
    direction.turn_over(2, wheel, body, 0.01)
    assert (wheel.rim_mps > 0.0) == turned


@pytest.mark.parametrize("way", [1, -1])
def test_an_edge_passed_again_counts_back(way):
    """A wheel that stands just past an edge, driven onward: the next count so soon is that edge
    again. In the middle between two it is the next one."""
    direction, body = standing(0.0)
    body.engine.P[P0, P0] = 0.0003**2
    wheel = rim(0.0, gripping=True)
    ahead, behind = way > 0, way < 0
    q = CONFIG.count_m
    body.engine.x[P0] = 0.1 * q if way > 0 else 0.9 * q
    assert direction.signed(0, 1.0, wheel, body, ahead, behind, False) == -way
    body.engine.x[P0] = 0.5 * q
    assert direction.signed(0, 1.0, wheel, body, ahead, behind, False) == way


def test_a_rover_switched_on_while_it_rolls_is_righted_by_the_motor():
    """Nothing says which way it rolls as it is switched on, gravity is not known yet. Once driven
    and faster, it goes the way it is driven, and the accelerometer is not accused for it."""
    truth = drive(
        CONFIG,
        [(0, 0.4), (1.5, 0.4), (2.5, 1.4), (4, 1.4)],
        throttle=[(0, 0), (1.45, 0), (1.5, 0.5), (4, 0.5)],
        slope_rad=-0.1,
        accel_bias_mps2=0.3,
    )
    decisions = run(CONFIG, truth.readings)
    assert np.abs(speed_error(decisions, truth))[400:].max() < 0.1
    assert decisions[-1].estimate.speed_mps == pytest.approx(1.4, abs=0.05)


@pytest.mark.large
@pytest.mark.parametrize(("scenario", "most"), [("ice_patch", 0.04), ("stranded_roll_back", 0.01)])
def test_wheels_that_slip_both_ways_are_taken_the_right_way(scenario, most):
    """Wheels that slip on ice, spin while the rover rolls back, stop and turn round: share of time
    in which a wheel is taken the wrong way."""
    config = DEMO_ROVER.with_changes(encoders__direction="unsigned")
    made = simulate(SCENARIOS[scenario](25, config), config, 25)
    taken = np.array([d.estimate.wheel_speed_mps for d in run(config, made.readings)])
    truth = made.truth_column("slip_mps") + made.truth_column("ground_mps")
    assert truth.shape == (len(taken), len(WHEELS))
    wrong = (taken * truth < 0.0) & (np.minimum(np.abs(taken), np.abs(truth)) > 0.3)
    assert wrong.mean() < most
