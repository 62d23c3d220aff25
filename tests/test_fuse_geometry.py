"""Where each hub goes when the rover turns, against textbook geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from synthetic import rover, wheel_speeds

from slipguard.fuse import geometry

CHASSIS = "mass_kg: 5.0, wheelbase_m: 0.5, track_m: 0.4, wheel_radius_m: 0.075"


def hubs(config, speed, yaw):
    """Hub speed of the four wheels by the project's own functions."""
    where = geometry.wheel_positions_m(config.rover)
    still_x = geometry.no_side_slip_x_m(config.rover)
    front, rear = geometry.steers(config.rover)
    steered = (front, front, rear, rear)
    return [
        geometry.hub_speed(speed, yaw, x, y, still_x, s)[0]
        for (x, y), s in zip(where, steered, strict=True)
    ]


def test_wheel_speeds_of_a_rigid_turn():
    """Wheelbase 0.5 m, track 0.4 m, 1 m/s round a circle of 1.5 m at the rear axle, to the left.

    Ackermann geometry, any vehicle dynamics handbook; values computed by hand: yaw rate
    0.6667 rad/s, RL 0.8667, RR 1.1333, FL 0.9286, FR 1.1813 m/s, steer 18.43 degrees.
    """
    config = rover(chassis=CHASSIS)
    fl, fr, rl, rr = hubs(config, 1.0, 1.0 / 1.5)
    assert (rl, rr) == pytest.approx((0.8667, 1.1333), abs=5e-5)
    assert (fl, fr) == pytest.approx((0.9286, 1.1813), abs=5e-5)
    assert max(fl, fr, rl, rr) / min(fl, fr, rl, rr) == pytest.approx(1.363, abs=5e-4)
    assert (fl + fr) / (rl + rr) == pytest.approx(1.0549, abs=5e-5)
    steer = math.atan(0.5 / 1.5)
    assert math.degrees(steer) == pytest.approx(18.43, abs=0.01)
    arm_m = geometry.turn_arm_m(config.rover)
    assert geometry.yaw_from_steer(1.0, steer, arm_m) == pytest.approx(0.6667, abs=5e-5)


@pytest.mark.parametrize("steered", ["front", "rear", "both", "skid"])
@given(speed=st.floats(0.2, 5.0), turn=st.floats(-1.5, 1.5), backwards=st.booleans())
def test_hub_speed_is_that_of_the_wheels_own_ackermann_angle(steered, speed, turn, backwards):
    """Every steering, both directions: the length of the hub's velocity is
    (v - r y) cos d + r l sin d with the wheel's own angle d, the form of handbooks."""
    config = rover(steered=steered)
    speed = -speed if backwards else speed
    yaw = speed * turn
    expected = wheel_speeds(np.array([speed]), np.array([yaw]), config)[0]
    assert hubs(config, speed, yaw) == pytest.approx(expected.tolist(), abs=1e-9)


@given(st.floats(-3.0, 3.0), st.floats(-2.0, 2.0), st.booleans())
def test_derivative_by_speed_is_right(speed, yaw, steered):
    """The filter's F and H use it: compared with a central difference."""
    x, y, still_x = 0.18, 0.15, -0.18
    h = 1e-6
    assume(math.hypot(speed - yaw * y, yaw * (x - still_x)) > 2 * geometry.SLOW_MPS)
    assume(abs(speed - yaw * y) > 1e-3)  # where the wheel turns round there is no derivative
    after, before = (geometry.hub_speed(speed + d, yaw, x, y, still_x, steered)[0] for d in (h, -h))
    gain = geometry.hub_speed(speed, yaw, x, y, still_x, steered)[1]
    assert gain == pytest.approx((after - before) / (2 * h), abs=1e-5)


@pytest.mark.parametrize(("steered", "sign"), [("front", 1), ("rear", -1), ("both", 1)])
def test_steering_left_turns_as_the_steered_axle_says(steered, sign):
    """Front wheels to the left turn left; rear wheels to the left turn right; reversing the
    other way round. Two steered axles turn twice as tight."""
    config = rover(steered=steered)
    arm_m = geometry.turn_arm_m(config.rover)
    yaw = geometry.yaw_from_steer(1.0, 0.2, arm_m)
    assert yaw * sign > 0.0
    assert geometry.yaw_from_steer(-1.0, 0.2, arm_m) == -yaw
    share = 2.0 if steered == "both" else 1.0
    assert abs(yaw) == pytest.approx(share * math.tan(0.2) / config.rover.wheelbase_m)


def test_skid_steering_has_no_steer_angle():
    """Without a gyro nothing is known of its turning: none is made up."""
    arm_m = geometry.turn_arm_m(rover(steered="skid").rover)
    assert geometry.yaw_from_steer(1.0, 0.3, arm_m) == 0.0


@pytest.mark.parametrize("steered", ["front", "rear", "both", "skid"])
def test_driving_straight_all_hubs_agree(steered):
    """No turn, no difference, whatever steers."""
    assert hubs(rover(steered=steered), 0.7, 0.0) == pytest.approx([0.7] * 4)
