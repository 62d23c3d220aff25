"""The simulated rover against hand calculation.

If the plant were wrong, the guard would be tuned to a vehicle that does not exist.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import QUIET, last, play, rover

from slipguard.simulate import Patch, Plant, World
from slipguard.simulate.vehicle import GRAVITY_MPS2, steer_angles_rad
from slipguard.simulate.world import Surface, axle_twister, height_field, kerb, ramp

G = GRAVITY_MPS2
MASS, RADIUS = 5.0, 0.075
WHEEL_INERTIA = 0.7 * (0.05 * MASS) * RADIUS**2  # between disc and ring, as vehicle.py says
MOTOR_INERTIA, STALL_NM, FREE_MPS = 0.002, 4.0, 3.5
ROLLING = 0.018
BEARING_N = 4 * 0.002 / RADIUS
INERTIA_KG = MASS + (4 * WHEEL_INERTIA + MOTOR_INERTIA) / RADIUS**2
"""Mass that has to be sped up: turning parts count with I / r2 (engineering mechanics)."""


def test_friction_that_holds_is_the_tangent_of_the_slope():
    """A held rover slides where tan(slope) exceeds friction and nowhere else.

    Coulomb: tan(theta) = mu; 20.81 degrees for 0.38 (wet cobble, Burckhardt's table, checked
    there as atan 0.38).
    """
    for slope_deg, moves in ((20.81 - 0.6, False), (20.81 + 0.6, True)):
        plant = Plant(rover(), World(slope_deg=slope_deg, mu=0.38), 1)
        list(play(plant, 1.0, brakes=(1, 1, 1, 1), blocked=True))
        start = plant.truth().x_m
        end = last(play(plant, 2.0, brakes=(1, 1, 1, 1))).x_m
        assert (abs(end - start) > 0.02) == moves


@pytest.mark.parametrize(("brakes", "mu"), [((0, 0, 1, 1), 0.3571), ((1, 1, 0, 0), 0.4545)])
def test_holding_on_one_axle_needs_more_friction(brakes, mu):
    """Load moves to the lower axle, so holding uphill by the rear needs 0.357, by the front 0.455.

    10 kg, wheelbase 0.5 m, centre of mass 0.15 m high in the middle, on 20 %: moments about
    the wheel contacts give 42.3 N in front and 53.9 N behind, to hold 19.2 N.
    """
    heavy = rover(
        chassis="mass_kg: 10, wheelbase_m: 0.5, track_m: 0.4, wheel_radius_m: 0.075, "
        "cog_height_m: 0.15",
        sim=QUIET + ", rolling_resistance: 0, suspension_sag_m: 0.002",
        more="brakes: {max_torque_nm: 3}",
    )
    for share, moves in ((1.04, False), (0.96, True)):
        slope_deg = math.degrees(math.atan(0.2))
        plant = Plant(heavy, World(slope_deg=slope_deg, mu=mu * share), 1)
        list(play(plant, 1.0, brakes=brakes, blocked=True))
        load = plant.truth().load_n
        assert load[0] + load[1] == pytest.approx(42.3, rel=0.02)
        assert load[2] + load[3] == pytest.approx(53.9, rel=0.02)
        start = plant.truth().x_m
        assert (start - last(play(plant, 2.0, brakes=brakes)).x_m > 0.02) == moves


@pytest.mark.parametrize("slope_deg", [5.0, 15.0, 20.0])
def test_a_held_rover_creeps_less_than_a_millimetre(slope_deg):
    """Friction in an engine is soft; a hill hold could not be judged on a plant that creeps."""
    plant = Plant(rover(), World(slope_deg=slope_deg), 1)
    list(play(plant, 1.0, brakes=(1, 1, 1, 1), blocked=True))
    start = plant.truth().x_m
    assert abs(last(play(plant, 10.0, brakes=(1, 1, 1, 1))).x_m - start) < 0.001


def test_free_rolling_downhill():
    """A rover with its motor off rolls away at g sin(slope), less for what has to turn.

    Engineering mechanics: a = (m g sin - bearings) / (m + sum I / r2).
    """
    free = rover(sim=QUIET + ", rolling_resistance: 0, overrun_drag: 0")
    plant = Plant(free, World(slope_deg=10), 1)
    list(play(plant, 0.5))
    before = plant.truth().speed_mps
    after = last(play(plant, 1.0)).speed_mps
    pull = MASS * G * math.sin(math.radians(10)) - BEARING_N
    assert before - after == pytest.approx(pull / INERTIA_KG, rel=0.005)


def test_coasting_on_the_flat():
    """Let go, the rover slows by its rolling resistance alone: it has no parking brake."""
    plant = Plant(rover(sim=QUIET + ", overrun_drag: 0"), World(), 1)
    list(play(plant, 1.5, throttle=0.4))
    list(play(plant, 0.3))
    before = plant.truth().speed_mps
    after = last(play(plant, 1.0)).speed_mps
    drag = ROLLING * MASS * G + BEARING_N
    assert before - after == pytest.approx(drag / INERTIA_KG, rel=0.01)


def test_braking():
    """Four brakes at 0.2 slow the rover by their torque over the wheel radius."""
    plant = Plant(rover(sim=QUIET + ", overrun_drag: 0"), World(), 1)
    list(play(plant, 2.5, throttle=0.6))
    list(play(plant, 0.35, brakes=(0.2,) * 4))
    before = plant.truth().speed_mps
    after = last(play(plant, 0.25, brakes=(0.2,) * 4)).speed_mps
    torque = (0.2 - 0.03) / (1 - 0.03) * 0.8  # dead band 0.03
    slow = (4 * torque / RADIUS + ROLLING * MASS * G + BEARING_N) / INERTIA_KG
    assert (before - after) / 0.25 == pytest.approx(slow, rel=0.02)


def test_steady_speed_of_a_linear_motor():
    """Full torque at a stall, none at free speed: v = v0 (throttle - drag r / stall torque)."""
    plant = Plant(rover(), World(), 1)
    drag = ROLLING * MASS * G + BEARING_N
    expected = FREE_MPS * (0.4 - drag * RADIUS / STALL_NM)
    assert last(play(plant, 4.0, throttle=0.4)).speed_mps == pytest.approx(expected, rel=0.005)


def spinning_thrust(brake: float) -> tuple[float, float]:
    """Thrust (balanced by a push from ahead) and spin ratio with the front left wheel on ice."""
    ice = Patch(mu=0.05, y_m=(0.0, math.inf), x_m=(0.0, math.inf))
    quiet = QUIET + ", rolling_resistance: 0, sliding_grip: 1, suspension_sag_m: 0.002"
    weak = rover(sim=quiet + ", brake_dead_band: 0", more="motor: {stall_torque_nm: 6}")
    plant = Plant(weak, World(mu=0.8, patches=(ice,)), 1)
    push, speed, ratios = 0.0, [], []
    for _ in range(600):
        plant.step(0.5, 0.0, (brake, 0, 0, 0), push_n=(-push, 0.0, 0.0))
        truth = plant.truth()
        # The push follows until the rover stands still against it.
        push += 0.05 * (40.0 * truth.speed_mps + 8.0 * truth.accel_mps2 * 0.1)
        push = max(0.0, push)
        speed.append(truth.speed_mps)
        ratios.append(truth.rim_mps[0] / RADIUS / plant.motor_speed_radps)
    assert abs(speed[-1]) < 0.02
    return push, ratios[-1]


def test_open_differentials_share_torque():
    """One wheel on ice limits all four; a brake on it gives the others three times its torque.

    Ideal open differentials hand every wheel a quarter of the torque (T_L = T_R = T_case / 2,
    textbook vehicle dynamics): thrust is 4 mu N without a brake, 4 mu N + 3 T_b / r with one.
    With the other three standing, the spinning wheel turns four times as fast as the shaft.
    """
    load = MASS * G / 4
    thrust, ratio = spinning_thrust(0.0)
    assert thrust == pytest.approx(4 * 0.05 * load, rel=0.10)
    assert ratio == pytest.approx(4.0, rel=0.03)
    thrust, _ = spinning_thrust(0.5)
    assert thrust == pytest.approx(4 * 0.05 * load + 3 * 0.4 / RADIUS, rel=0.05)


def test_creep_of_a_gripping_tyre():
    """Uphill each tyre slips by force over load over stiffness: tan(slope) / 12, at any speed.

    Linear range of a tyre curve (slope at the origin B C D of Pacejka's formula; 12 is the
    default of ``sim.tyre_slip_stiffness``).
    """
    for throttle in (0.6, 0.9):
        plant = Plant(rover(), World(slope_deg=10), 1)
        list(play(plant, 0.2, throttle=throttle, blocked=True))
        end = last(play(plant, 2.0, throttle=throttle))
        ratio = np.array(end.slip_mps) / end.speed_mps
        drive = math.tan(math.radians(10)) + end.accel_mps2 / G
        assert ratio == pytest.approx(np.full(4, drive / 12), rel=0.06)


def test_steer_angles_against_a_worked_turn():
    """Rigid-body turn, wheelbase 0.5, track 0.4, radius 1.5 m: inner 21.04, outer 16.39 degrees.

    All wheel axes meet in one point (Ackermann): tan(d) = 0.5 / (1.5 -+ 0.2), centre 18.43.
    """
    chassis = "mass_kg: 5, wheelbase_m: 0.5, track_m: 0.4, wheel_radius_m: 0.075"
    steer = math.degrees(math.atan(0.5 / 1.5)) / 25
    angles = np.degrees(steer_angles_rad(rover(chassis=chassis), steer))
    assert angles == pytest.approx([21.04, 16.39, 0, 0], abs=0.01)
    rear = np.degrees(steer_angles_rad(rover(chassis=chassis, steered="rear"), steer))
    assert rear == pytest.approx([0, 0, -21.04, -16.39], abs=0.01)


@pytest.mark.parametrize(
    ("steered", "expected"),
    [("front", (0.9286, 1.1813, 0.8667, 1.1333)), ("rear", (0.8667, 1.1333, 0.9286, 1.1813))],
)
def test_wheel_speeds_of_a_turn(steered, expected):
    """At 1 m/s on a radius of 1.5 m the wheels turn at 0.93, 1.18, 0.87 and 1.13 m/s.

    Worked example of a rigid turn (wheelbase 0.5, track 0.4); yaw rate v / R = 0.667 rad/s.
    """
    chassis = "mass_kg: 5, wheelbase_m: 0.5, track_m: 0.4, wheel_radius_m: 0.075"
    plant = Plant(rover(chassis=chassis, steered=steered), World(mu=0.9), 1)
    steer = math.degrees(math.atan(0.5 / 1.5)) / 25
    end = last(play(plant, 4.0, throttle=0.3, steer=steer))
    unsteered = np.mean(end.rim_mps[2:] if steered == "front" else end.rim_mps[:2])
    assert np.array(end.rim_mps) / unsteered == pytest.approx(expected, rel=0.01)
    assert end.yaw_rate_radps / unsteered == pytest.approx(0.6667, rel=0.01)
    assert np.abs(end.slip_mps).max() < 0.01


def test_both_axles_and_skid_steering_turn_left():
    """Positive steer turns left whatever steers; both axles turn on half the radius."""
    steer = 0.6
    both = last(play(Plant(rover(steered="both"), World(), 1), 3.0, 0.3, steer))
    expected = 0.18 / math.tan(math.radians(25 * steer))  # half the wheelbase each
    assert both.speed_mps / both.yaw_rate_radps == pytest.approx(expected, rel=0.02)
    skid = last(play(Plant(rover(steered="skid", drive="locked"), World(), 1), 2.0, 0.3, 0.8))
    assert skid.yaw_rate_radps > 0.3
    assert skid.rim_mps[0] == pytest.approx(skid.rim_mps[2], abs=0.01)  # a side turns as one


def test_locked_differentials_turn_all_wheels_together():
    """The yardstick rover: on one wheel of ice nothing spins away."""
    ice = Patch(mu=0.05, y_m=(0.0, math.inf), x_m=(0.0, math.inf))
    plant = Plant(rover(drive="locked"), World(patches=(ice,)), 1)
    end = last(play(plant, 0.3, throttle=0.4))
    assert np.ptp(end.rim_mps) < 0.01


def test_twister_leaves_a_wheel_in_the_air():
    """The scenario a rover with open differentials strands on needs a hanging wheel."""
    ridges = axle_twister(0.0, 9, 0.075, 0.55, 0.36)
    plant = Plant(rover(), World(features=(ridges,)), 1, x_m=0.18 + 0.72)
    list(play(plant, 1.0, brakes=(1, 1, 1, 1)))
    load = sorted(plant.truth().load_n)
    assert load[0] == 0.0
    assert load[2] > 0.25 * MASS * G


def test_wheel_on_a_slope_and_at_a_kerb():
    """The wheel's centre moves where geometry says: r / cos above a slope, on an arc at a kerb."""
    slope = Surface(World(slope_deg=20), RADIUS)
    height, rise, _ = slope.at(1.0, 0.3)
    assert rise == pytest.approx(math.tan(math.radians(20)))
    assert height == pytest.approx(rise * 1.0 + RADIUS / math.cos(math.radians(20)))
    step = Surface(World(features=(kerb(0.8999, 0.03),)), RADIUS)
    for before in (0.015, 0.03, 0.045):
        height, rise, _ = step.at(0.9 - before, 0.0)
        assert height == pytest.approx(0.03 + math.sqrt(RADIUS**2 - before**2), abs=0.001)
        assert rise == pytest.approx(before / math.sqrt(RADIUS**2 - before**2), abs=0.12)
    assert step.at(0.5, 0.0)[0] == pytest.approx(RADIUS, abs=1e-9)


def test_height_field_and_ramp():
    """Ground from a table is straight between its points and level outside; so is a ramp."""
    table = np.array([[0.0, 0.0], [0.1, 0.3]])
    world = World(features=(height_field(table, 0.5, x_m=1.0),))
    x, y = np.array([0.0, 1.25, 1.5, 1.25, 9.0]), np.array([0.0, 0.0, 0.0, 0.25, 0.5])
    assert world.height(x, y) == pytest.approx([0.0, 0.05, 0.1, 0.1, 0.3])
    slope = World(features=(ramp(1.0, 3.0, 10.0),))
    expected = math.tan(math.radians(10)) * np.array([0.0, 0.0, 1.0, 2.0, 2.0])
    assert slope.height(np.arange(5.0), np.zeros(5)) == pytest.approx(expected)


def test_friction_by_place():
    """The last patch that holds a wheel counts."""
    world = World(mu=0.8, patches=(Patch(mu=0.3, x_m=(1, 3)), Patch(mu=0.1, x_m=(2, 4))))
    assert [world.friction(x, 0.0) for x in (0.5, 1.5, 2.5, 3.5, 4.5)] == [0.8, 0.3, 0.1, 0.1, 0.8]
