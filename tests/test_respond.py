"""What the guard does about it, in closed loop with a small plant: wheels, brakes, one motor."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from fake_guard import estimate
from sizes import rest_large
from small_plant import G_MPS2, NO_LOAD_RADPS, Plant, closed_loop
from synthetic import QUICK, drive, kinds, rover, run

from slipguard import WHEELS, Guard, Hold
from slipguard.respond.hold import OFF, PHASES, HillHold
from slipguard.respond.traction import Traction
from slipguard.testing import make_estimate

# --- The plant itself ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mu", "degrees", "holds"),
    [(0.19, 10.0, True), (0.19, 11.5, False), (0.38, 20.0, True), (0.38, 21.5, False)],
)
def test_braked_wheels_hold_up_to_tan_slope_equals_mu(mu, degrees, holds):
    """The friction angle: snow (0.19) holds 10.76 degrees, 19 % and so less than 20 %; wet cobble
    (0.38) 20.81 degrees. Coulomb friction, any statics textbook; coefficients of M. Burckhardt,
    from memory."""
    assert holds == (math.tan(math.radians(degrees)) < mu)
    plant = Plant(rover(), mu=mu, slope_rad=math.radians(degrees), brake=1.0)
    for _ in range(200):
        plant.step(0.0, [1.0] * 4)
    assert (abs(plant.v_mps) < 0.01) == holds


def test_free_rolling_and_coasting_by_hand():
    """On 20 % a free rover gains g sin less rolling resistance: 1.923 - 0.02 g cos = 1.731 m/s2."""
    plant = Plant(rover(), slope_rad=math.atan(0.2))
    for _ in range(100):
        plant.step(0.0, [0.0] * 4)
    inertia = 4 * 0.15 / 5.0  # rims of 0.15 kg have to be turned as well
    assert plant.v_mps / 0.5 == pytest.approx(-(1.9232 - 0.1923) / (1 + inertia), rel=0.02)


def test_brake_transfer_of_one_open_differential():
    """25 N a wheel, mu 0.05 and 0.8, radius 0.06 m: 2.5 N of thrust; with 1.125 N m of brake on the
    spinning side 21.25 N, 8.5 times as much, for 2.4 N m at the case.

    Torque balance of an ideal open differential, any vehicle dynamics handbook: thrust 2 mu_low N
    without, (mu_low + mu_high) N with a brake torque of (mu_high - mu_low) N r."""
    config = rover(
        drive="rear",
        chassis=f"mass_kg: {100 / G_MPS2}, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.06",
        more="brakes: {max_torque_nm: 1.125, lag_s: 0.0}\nmotor: {stall_torque_nm: 4.0}\n",
    )
    thrust = {}
    for brake in (0.0, 1.0):
        plant = Plant(config, mu=[0.0, 0.0, 0.05, 0.8], anchored=True, rolling=0.0)
        assert plant.load_n == pytest.approx(25.0)
        for _ in range(400):
            plant.step(0.9, [0.0, 0.0, brake, 0.0])
        thrust[brake] = sum(plant.thrust_n)
        if brake:
            assert plant.motor_nm == pytest.approx(2.4, rel=0.03)
    assert thrust[0.0] == pytest.approx(2.5, rel=0.02)
    assert thrust[1.0] == pytest.approx(21.25, rel=0.03)
    assert thrust[1.0] / thrust[0.0] == pytest.approx(8.5, rel=0.03)


def test_brake_transfer_of_three_open_differentials():
    """One wheel in the air takes no torque and so nobody gets any. A brake torque T on it gives T
    to each of the other three and costs the motor 4 T (torque balance, as above). By the spin
    signature the wheel in the air turns four times as fast as the shaft."""
    config = rover(more="brakes: {lag_s: 0.0}\n")
    for brake in (0.0, 0.2, 0.4):
        plant = Plant(config, mu=[0.0, 0.8, 0.8, 0.8], anchored=True, rolling=0.0)
        for _ in range(400):
            plant.step(0.6, [brake, 0.0, 0.0, 0.0])
        torque = brake * config.brakes.max_torque_nm
        assert plant.thrust_n[1:] == pytest.approx([torque / 0.075] * 3, abs=0.05)
        assert plant.motor_nm == pytest.approx(4 * torque, abs=0.02)
        shaft = sum(plant.rim_mps) / 4
        assert plant.rim_mps[0] == pytest.approx(4 * shaft, rel=0.02)


# --- A stop the guard makes by itself --------------------------------------------------------

LOST_S = 3.0


def stopped(speed, *, mu=0.8, slope_rad=0.0, by="link", **options):
    """Drive up to a speed, then lose the link or the motor. Log, and steps of cause and stop."""
    way = math.copysign(1.0, speed)
    throttle = min(1.0, abs(speed) / (NO_LOAD_RADPS * 0.075) + 0.1 + max(0.0, way * slope_rad) * 5)

    def stick(t):
        return 0.0 if t < 0.6 else way * throttle * min(1.0, t - 0.6)

    if by == "link":
        options["age_s"] = lambda t: 0.02 if t < LOST_S else 0.02 + t - LOST_S
    else:
        options["enabled"] = lambda t: t < LOST_S
    plant = Plant(rover(), mu=mu, slope_rad=slope_rad, brake=1.0)
    log = closed_loop(plant, 6.5, stick, **options)
    cause = next(
        k
        for k, d in enumerate(log.decisions)
        if ("link_lost", None) in kinds([d]) or (by == "motor" and d.t_s >= LOST_S)
    )
    end = cause + int(np.argmax(np.abs(log.v_mps[cause:]) < 0.05))
    return log, cause, end


def deceleration(log, cause, end):
    return abs(log.v_mps[cause] - log.v_mps[end]) / (log.t_s[end] - log.t_s[cause])


def grip_shares(log, cause, end):
    """Rim over ground speed of the four wheels, while the ground still moves."""
    moving = np.abs(log.v_mps[cause:end]) > 0.3
    return log.rim_mps[cause:end][moving] / log.v_mps[cause:end][moving][:, None]


@pytest.mark.parametrize("by", ["link", "motor"])
@pytest.mark.parametrize(
    ("speed", "slope_rad"), [(2.0, 0.0), (-2.0, 0.0), (0.8, 0.0), (1.5, -0.15), (-1.5, 0.15)]
)
def test_link_lost_or_motor_off_at_speed(by, speed, slope_rad):
    """Throttle 0 at once, four equal brakes, the deceleration of ``limits.stop_decel_mps2`` within
    10 % on the level and downhill, no wheel locked, and then held where it stopped."""
    log, cause, end = stopped(speed, slope_rad=slope_rad, by=by)
    after = log.decisions[cause:]
    assert {d.throttle for d in after} == {0.0}
    assert all(len(set(d.brakes)) == 1 for d in after)
    assert deceleration(log, cause, end) == pytest.approx(1.5, rel=0.1)
    assert grip_shares(log, cause, end).min() > 0.8
    assert list(dict.fromkeys(d.hold for d in after)) == [Hold.STOPPING, Hold.HOLDING]
    # The small plant's tyres creep by a millimetre a second on wheels that stand.
    assert abs(log.way_m[-1] - log.way_m[end]) < 0.03


def test_uphill_the_slope_itself_stops():
    """1.5 m/s2 of deceleration is nearly what a 15 % slope and the tyres give: hardly a brake."""
    log, cause, end = stopped(1.5, slope_rad=0.15)
    assert deceleration(log, cause, end) == pytest.approx(1.5, rel=0.15)
    assert log.brakes[cause:end].max() < 0.15


@pytest.mark.parametrize("mu", [0.25, 0.18])
def test_where_grip_suffices_no_wheel_locks(mu):
    """Wet ground that just gives 1.5 m/s2 (mu g = 2.45, 1.77): still nearly all of it, and next to
    no lock. Measured on 8 runs each: 1.51 and 1.40 to 1.49 m/s2; none locked."""
    log, cause, end = stopped(1.5, mu=mu)
    assert deceleration(log, cause, end) == pytest.approx(1.5, rel=0.2)
    assert (grip_shares(log, cause, end) < 0.2).mean() < 0.02


@pytest.mark.parametrize("mu", [0.12, 0.15])
def test_on_ice_the_brakes_let_go_in_time(mu):
    """Less grip than the stop asks for: most of what there is, and wheels that lock for moments
    only. Measured on 8 runs each: 0.76 to 0.92 of mu g, locked up to 3 % of the time at 0.12."""
    log, cause, end = stopped(1.5, mu=mu)
    assert deceleration(log, cause, end) > 0.7 * mu * G_MPS2
    shares = grip_shares(log, cause, end)
    assert (shares < 0.2).mean() < 0.06
    assert shares.mean() > 0.7
    assert log.decisions[-1].hold is Hold.HOLDING


def test_stop_without_any_imu():
    """The IMU dies with the link: from the wheels alone it still stops and holds."""

    def blind(t, reading):
        gone = {"accel_mps2": None, "gyro_radps": None} if t >= LOST_S else {}
        return dataclasses.replace(reading, **gone)

    log, cause, end = stopped(1.5, change=blind)
    assert 0.5 < deceleration(log, cause, end) < 3.0
    assert all(len(set(d.brakes)) == 1 for d in log.decisions[cause:])
    assert log.decisions[-1].hold is Hold.HOLDING
    assert abs(log.v_mps[-1]) < 0.01


def test_stop_without_any_sensor_of_motion():
    """IMU and encoders gone together with the link: brakes on within a tenth of a second, and it
    comes to rest."""

    def blind(t, reading):
        gone = {"accel_mps2": None, "gyro_radps": None, "counts": None} if t >= LOST_S else {}
        return dataclasses.replace(reading, **gone)

    log, cause, _ = stopped(1.5, change=blind)
    assert log.brakes[cause + 20].min() > 0.1
    assert {d.throttle for d in log.decisions[cause:]} == {0.0}
    assert abs(log.v_mps[-1]) < 0.05


# --- Hill hold -------------------------------------------------------------------------------


@pytest.mark.parametrize("percent", [10, 20, 30])
@pytest.mark.parametrize("way", [1, -1])
def test_parked_on_a_slope_before_it_rolls(percent, way):
    """Stopped on a slope with the stick let go: held before it has rolled 2 cm, and no brake lets
    go afterwards. Nose down it coasts on; as soon as it gains speed it is stopped, gently, and
    held: what runs away below a driver who asks for nothing is not driven."""
    plant = Plant(rover(), slope_rad=way * math.atan(percent / 100), brake=1.0)
    drive_s = 3.0

    def stick(t):
        return 0.0 if t < 0.6 or t > drive_s else 0.65

    log = closed_loop(plant, 7.0, stick)
    held = [k for k, d in enumerate(log.decisions) if d.t_s > drive_s and d.hold is Hold.HOLDING]
    if way > 0:  # uphill it stops by itself
        turned = np.argmax(log.v_mps[held[0] - 100 :] <= 0.0) + held[0] - 100
        assert log.way_m[turned] - log.way_m[-1] < 0.02
        assert log.decisions[-1].hold is Hold.HOLDING
        assert abs(log.v_mps[-1]) < 0.005
    else:
        let_go = np.argmax([d.t_s > drive_s for d in log.decisions])
        assert log.v_mps[let_go:].max() < log.v_mps[let_go] + 1.3
        assert log.decisions[held[0] - 1].hold is Hold.STOPPING
        assert {log.decisions[k].hold for k in range(held[0], len(log.decisions))} == {Hold.HOLDING}
        assert abs(log.v_mps[-1]) < 0.005


@pytest.mark.parametrize("threshold_percent", [5, 20])
@pytest.mark.parametrize("sign", [1, -1])
def test_grade_from_which_it_is_held(threshold_percent, sign):
    """``hold.grade_percent`` is a tangent: 20 % is 11.31 degrees. After a drive to a standstill it
    is held a little above it and not a little below, nose up and nose down."""
    limit = math.atan(threshold_percent / 100)
    config = rover(more=f"hold: {{grade_percent: {threshold_percent}}}\n")
    speed = [(0, 0), (0.6, 0), (1.2, 0.6), (1.6, 0.6), (2.2, 0), (3.2, 0)]
    for factor, expected in ((0.9, Hold.OFF), (1.1, Hold.HOLDING)):
        truth = drive(config, speed, slope_rad=sign * limit * factor, accel_bias_mps2=0.0)
        last = run(config, truth.readings)[-1]
        assert last.estimate.at_rest
        assert last.hold is expected


@pytest.mark.parametrize("percent", [0, 10, 20, 30])
@pytest.mark.parametrize("way", [1, -1])
def test_hill_start_without_rolling_back(percent, way):
    """From a hold up the slope, forwards and in reverse: less than 2 cm back, and away."""
    plant = Plant(rover(), slope_rad=way * math.atan(percent / 100), brake=1.0)
    log = closed_loop(plant, 5.0, lambda t: 0.0 if t < 1 else way * min(0.8, 0.8 * (t - 1)))
    assert (way * log.way_m).min() > -0.02
    assert way * log.way_m[-1] > 0.5
    assert log.decisions[-1].hold is Hold.OFF
    assert max(log.decisions[-1].brakes) == 0.0


def test_too_little_throttle_rolls_back_and_is_caught():
    """A stick that does not carry the weight: caught within 8 cm each time, and it never runs
    away; with the stick let go it is held."""
    plant = Plant(rover(), slope_rad=math.atan(0.25), brake=1.0)
    log = closed_loop(plant, 6.0, lambda t: 0.0 if t < 1 or t > 4 else 0.06)
    assert np.abs(log.v_mps).max() < 0.6
    assert log.way_m[-1] > -0.25
    assert log.decisions[-1].hold is Hold.HOLDING
    assert abs(log.v_mps[-1]) < 0.01


@pytest.mark.parametrize("speed_mps", [-0.008, 0.008])
def test_a_rover_just_beyond_the_turn_is_held(speed_mps):
    """The stick comes to neutral as the rover, on 19 degrees, already creeps back, too slowly for
    rolling to be sure: the brakes do not wait for that."""
    hold = HillHold(rover())
    hold.phase = OFF
    hold.step(
        make_estimate(speed_mps=speed_mps, speed_sd_mps=0.005, grade_rad=0.33, at_rest=False),
        *(0, 0.0, False, False, False, True, False, (False,) * 4, 0.005),
    )
    assert PHASES[hold.phase] is Hold.HOLDING


def test_motor_disabled_at_standstill_holds_at_once():
    """Standing on a slope on the throttle's strength, the motor is cut: rolled less than 6 cm."""
    config = rover()
    slope = math.atan(0.15)
    # Torque that carries the weight: m g sin r.
    balance = config.rover.mass_kg * G_MPS2 * math.sin(slope) * 0.075 / 4.0
    plant = Plant(config, slope_rad=slope, brake=1.0)
    log = closed_loop(
        plant,
        6.0,
        lambda t: 0.0 if t < 0.5 else 0.65 if t < 1.5 else balance,
        enabled=lambda t: t < 3.5,
    )
    cut = log.since(3.5)
    v = log.v_mps[cut]
    assert log.way_m[cut].max() - log.way_m[-1] < 0.06
    assert abs(v[-1]) < 0.01
    assert log.decisions[-1].hold is Hold.HOLDING
    assert {d.throttle for d in log.decisions[cut]} == {0.0}


# --- Traction --------------------------------------------------------------------------------


class Unaided:
    """The same rover without help: the stick goes to the motor, no brake moves."""

    def __init__(self, config):
        self._guard = Guard(config, QUICK)

    def step(self, reading):
        return dataclasses.replace(
            self._guard.step(reading), throttle=reading.throttle, brakes=(0.0,) * 4
        )


def pull_away(guard, wheel, way, slope_rad):
    mu = [0.8] * 4
    mu[wheel] = 0.05
    plant = Plant(rover(), mu=mu, slope_rad=slope_rad, brake=1.0)
    return closed_loop(plant, 5.0, lambda t: 0.0 if t < 1 else way * 0.6, guard=guard)


@pytest.mark.parametrize(
    ("wheel", "way"), rest_large([(0, 1), (3, -1), (0, -1), (3, 1)], [(0, 1), (3, -1)])
)
def test_one_wheel_on_clay_uphill(wheel, way):
    """10 % uphill with one wheel on wet clay, forwards and in reverse: without help it rolls back
    down, with help it climbs, and no wheel but that one is braked while it drives."""
    config = rover()
    unaided = pull_away(Unaided(config), wheel, way, way * 0.1)
    aided = pull_away(Guard(config, QUICK), wheel, way, way * 0.1)
    assert way * unaided.way_m[-1] < -0.5
    assert way * aided.way_m[-1] > 1.0
    driving = [d for d in aided.decisions if d.hold is Hold.OFF]
    assert max(d.brakes[wheel] for d in driving) > 0.2
    others = [d.brakes[i] for d in driving for i in range(4) if i != wheel]
    assert max(others) < 0.05
    assert {w for kind, w in kinds(aided.decisions) if kind == "wheel_spin"} == {WHEELS[wheel]}


def test_the_brake_lets_go_when_the_wheel_grips():
    """Past the clay the brake is off again within half a second, and stays off."""
    mu = [0.8] * 4

    def surface(way_m):
        return [0.05 if way_m < 0.4 else 0.8, *mu[1:]]

    plant = Plant(rover(), mu=surface(0.0), brake=1.0)
    log = closed_loop(plant, 5.0, lambda t: 0.0 if t < 1 else 0.5, surface=surface)
    past = int(np.argmax(log.way_m > 0.4))
    assert log.brakes[:past, 0].max() > 0.1
    assert log.brakes[past + 100 :].max() == 0.0
    assert {d.throttle_limit for d in log.decisions[past + 300 :]} == {1.0}


def test_all_four_on_ice_are_not_braked_but_limited():
    """Nothing grips, so a brake helps nobody (but for a moment, when one wheel seems to): the
    throttle is cut within half a second until the rims run little faster than the ground, and
    given back as they grip."""
    plant = Plant(rover(), mu=0.06, brake=1.0)
    log = closed_loop(plant, 6.0, lambda t: 0.0 if t < 1 else 0.8)
    spinning = slice(240, 400)  # 1.2 to 2 s; the hold has let go
    assert log.brakes[spinning].mean() < 0.02
    assert log.brakes[spinning].max() < 0.4
    assert min(d.throttle_limit for d in log.decisions[spinning]) < 0.4
    slip = log.rim_mps - log.v_mps[:, None]
    assert slip.max() > 1.0
    assert 0.0 < slip[300].max() < 0.3  # 1.5 s
    assert log.decisions[-1].throttle_limit == 1.0
    assert log.v_mps[-1] > 1.8


def test_above_the_speed_limit_of_traction_braking_only_the_throttle_is_cut():
    """A wheel that spins at 2 m/s, above ``limits.traction_brake_max_speed_mps`` of 1.5: braking it
    would throw the rover round."""
    plant = Plant(rover(), brake=1.0)

    def thaw(t, reading):
        plant.mu[0] = 0.02 if t > 2.5 else 0.8
        return reading

    log = closed_loop(
        plant, 4.0, lambda t: 0.0 if t < 0.6 else 0.7 if t < 2.5 else 1.0, change=thaw
    )
    assert log.v_mps[500] > 1.8
    late = log.decisions[500:]
    assert ("wheel_spin", "fl") in kinds(late)
    assert log.brakes[500:].max() == 0.0
    assert min(d.throttle_limit for d in late) < 0.9


@pytest.mark.parametrize(("rim_mps", "brakes"), [(1.0, True), (1.8, False)])
def test_no_wheel_is_braked_where_three_rims_are_too_fast(rim_mps, brakes):
    """Believed to go at 0.6 m/s; but what the rims say is measured. Three at 1.8 m/s would be
    a rover that a brake on one wheel may throw round."""
    traction = Traction(rover())
    rims = (3.0, rim_mps, rim_mps, 0.6)
    seen = estimate(speed_mps=0.6, slip_mps=(2.4, 0, 0, 0), wheel_speed_mps=rims)
    traction.step(seen, [True, False, False, False], True, 0.005)
    assert (traction.wish[0] > 0.0) == brakes


@pytest.mark.parametrize("driven", ["locked", "front", "rear"])
def test_wheels_that_are_not_driven_or_cannot_spin_alone(driven):
    """With locked differentials a brake would fight the others; the limit acts instead. With one
    driven axle both of its wheels spinning leave nothing to hand torque to."""
    traction = Traction(rover(drive=driven))
    spinning = {"locked": ["fl"], "front": ["fl", "fr"], "rear": ["rl", "rr"]}[driven]
    slip = tuple(1.0 if w in spinning else 0.0 for w in WHEELS)
    moving = estimate(speed_mps=0.5, slip_mps=slip, wheel_speed_mps=tuple(0.5 + s for s in slip))
    spins = [w in spinning for w in WHEELS]
    for _ in range(100):
        traction.step(moving, spins, True, 0.005)
    assert traction.wish == [0.0] * 4
    assert traction.throttle_limit < 0.7


def test_a_brake_that_gets_hot_rests():
    """0.8 N m at 20 rad/s is 16 W, less 8 W of cooling: 400 J are reached after 50 s. Then it rests
    until 30 % of the heat is gone."""
    config = rover()
    traction = Traction(config)
    rim = 20.0 * 0.075
    spinning = estimate(
        speed_mps=0.0, slip_mps=(rim, 0.0, 0.0, 0.0), wheel_speed_mps=(rim, 0.0, 0.0, 0.0)
    )
    spins = (True, False, False, False)
    t, dt = 0.0, 0.02
    while not traction.hot[0]:
        traction.step(spinning, spins, True, dt)
        t += dt
        assert t < 60.0
    assert t == pytest.approx(400.0 / (0.8 * 20.0 - 8.0), rel=0.02)
    traction.step(spinning, spins, True, dt)
    assert traction.wish[0] == 0.0
    cool = 0.0
    while traction.hot[0]:
        traction.step(estimate(), (False,) * 4, True, dt)
        cool += dt
        assert cool < 60.0
    assert cool == pytest.approx(0.3 * 400.0 / 8.0, rel=0.05)


def test_kinetic_energy_a_stop_turns_into_heat():
    """3.6 kg at 45.5 km/h are 287.5 J: common practice, no source. Four brakes of the default
    ``heat_limit_j`` take a stop from there in one go."""
    energy = 0.5 * 3.6 * (45.5 / 3.6) ** 2
    assert energy == pytest.approx(287.5, abs=0.1)
    assert energy / 4 < rover().brakes.heat_limit_j


def limited(wheels, slip_mps, seconds):
    """Throttle limit and brake wishes after these wheels slipped that much for so long."""
    traction = Traction(rover())
    slips = tuple(slip_mps if w in wheels else 0.0 for w in WHEELS)
    spins = [w in wheels for w in WHEELS]
    crawling = estimate(speed_mps=0.05, slip_mps=slips, wheel_speed_mps=slips)
    for _ in range(round(seconds / 0.005)):
        traction.step(crawling, spins, True, 0.005)
    return traction.throttle_limit, traction.wish


@pytest.mark.parametrize("wheels", [("fl", "rr"), ("fr", "rl"), ("rl",)])
def test_brakes_come_before_the_throttle_limit(wheels):
    """Wheels that hang on opposite corners: while their brakes have something left, less throttle
    would only take torque from the two that climb."""
    limit, wishes = limited(wheels, 0.25, 1.0)
    assert limit == 1.0
    assert all((0.2 < wish < 1.0) == (w in wheels) for w, wish in zip(WHEELS, wishes, strict=True))


@pytest.mark.parametrize(
    ("wheels", "slip_mps", "seconds", "why"),
    [
        (("fl", "rr"), 0.25, 5.0, "the brakes give all they have"),
        (("fl",), 0.25, 5.0, "the brake gives all it has"),
        (("fl", "rr"), 1.0, 0.1, "the brakes are late for it"),
        (("fl", "fr", "rl"), 0.25, 0.5, "one wheel alone grips, and hardly will for long"),
        (("fl", "fr", "rl", "rr"), 0.25, 0.5, "no wheel grips"),
    ],
)
def test_the_throttle_is_cut_where_brakes_do_not_suffice(wheels, slip_mps, seconds, why):
    """Full brakes cannot hand on more torque, and where next to nothing grips nobody takes it."""
    limit, wishes = limited(wheels, slip_mps, seconds)
    assert limit < 0.95, why
    assert (max(wishes) == 1.0) == (seconds == 5.0)


def test_two_hot_brakes_leave_it_to_the_throttle():
    """The energy counter still protects the brakes of wheels that hang for minutes."""
    limit, wishes = limited(("fl", "rr"), 1.5, 60.0)
    assert limit == pytest.approx(0.1)
    assert wishes == [0.0] * 4


def test_two_wheels_in_the_air_on_a_climb():
    """Opposite corners in the air, about 20 % uphill: the other two need m g sin r / 2 = 0.36 N m
    each and so the motor 1.5 of its 4 N m. Torque is there, and so it climbs; the rims in the air
    run little faster than the ground. Where both brakes let go in turn it may stand for a second:
    so many drives are looked at together."""
    ways, slips = [], []
    for grade, stick in itertools.product((0.18, 0.20, 0.22), (0.8, 0.85, 0.9, 0.95, 1.0)):
        slope_rad = math.atan(grade)
        plant = Plant(rover(), mu=[0.0, 0.95, 0.95, 0.0], slope_rad=slope_rad, brake=1.0)
        log = closed_loop(plant, 5.0, lambda t, stick=stick: 0.0 if t < 1 else stick)
        driving = (log.t_s >= 2.5) & (log.v_mps > 0.1)  # not while the hill is held
        assert log.brakes[driving][:, [1, 2]].max() < 0.05
        slips.append(np.median((log.rim_mps - log.v_mps[:, None])[driving][:, [0, 3]]))
        ways.append(log.way_m[-1])
    assert np.median(ways) > 1.2
    assert min(ways) > 0.0
    assert max(slips) < 0.6


CROSSING = ("twister", "twister_reverse", "clay_uphill", "clay_uphill_reverse")


def crossed(scenario, seed, helpers=("nobody", "guard", "truth")):
    """That drive without help, with the guard and with the true estimate."""
    from slipguard.evaluate.trials import trial
    from slipguard.simulate import DEMO_ROVER

    return {h: trial(scenario, seed, h, DEMO_ROVER) for h in helpers}


@pytest.mark.large
def test_high_ridges_are_crossed():
    """The hardest of a hundred axle-twisters (ridges of 75 mm, a driver who begins with little):
    the guard's limit once left half of the throttle that two wheels need to climb."""
    from slipguard.evaluate.trials import trial
    from slipguard.simulate import DEMO_ROVER

    guard = trial("twister", 61, "guard", DEMO_ROVER)
    assert guard.across_s is not None
    assert guard.leap_mps <= 0.2


@pytest.mark.large
@pytest.mark.parametrize("scenario", CROSSING)
def test_what_strands_the_unaided_rover_is_crossed(scenario):
    """Every drive across, in at most 1.1 times the time and twice the braking of the true
    estimate, without a leap; and most of them strand the rover that nobody helps."""
    drives = [crossed(scenario, seed) for seed in range(3001, 3005)]
    assert sum(d["nobody"].across_s is None for d in drives) >= 2
    for d in drives:
        guard, truth = d["guard"], d["truth"]
        assert guard.across_s is not None
        assert guard.across_s <= 1.1 * truth.across_s
        assert guard.brake_wheel_s <= 2.0 * truth.brake_wheel_s + 0.5
        assert guard.leap_mps <= 0.2


@pytest.mark.large
@pytest.mark.parametrize("scenario", ["all_on_ice", "all_on_ice_reverse"])
def test_pulling_away_on_ice(scenario):
    """At least 0.9 times as far in 5 s as with the true estimate."""
    for seed in range(3001, 3005):
        drives = crossed(scenario, seed, ("guard", "truth"))
        assert drives["guard"].pulled_m >= 0.9 * drives["truth"].pulled_m
