"""What is found, what is not, and what a finding says for itself. Drives without an engine."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from sizes import rest_large
from synthetic import DRIVES, DT_S, QUICK, ROVERS, drive, driven, kinds, rover, run, speed_error

from slipguard import WHEELS, Guard
from slipguard.detect.found import SLIDING, Found
from slipguard.detect.jitter import TOO_MUCH_SD, CountJitter
from slipguard.detect.motion import RollingRule, UnaskedMotion
from slipguard.frame import Frame
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.fuse.trust import Wheels
from slipguard.reading import quad
from slipguard.settings import Rolling
from slipguard.testing import make_estimate

RAMP = [(1.5, 0.0), (1.6, 1.0), (2.2, 1.0), (2.3, 0.0)]
"""Slip speed of a wheel that spins from 1.5 to 2.3 s."""


def pull_away(way: int = 1):
    return [(0.0, 0.0), (0.6, 0.0), (1.2, way * 0.6), (3.0, way * 0.6)]


def scaled(points, factor):
    return [(t, factor * value) for t, value in points]


def onsets(decisions, kind):
    """(time since start, wheel, finding) each time a finding of that kind appears."""
    found, now = [], set()
    for d in decisions:
        before, now = now, {(f.kind, f.wheel, f.sensor) for f in d.findings}
        for f in d.findings:
            if f.kind == kind and (f.kind, f.wheel, f.sensor) not in before:
                found.append((d.t_s - 100.0, f.wheel, f))
    return found


# --- What is not slip ------------------------------------------------------------------------


@pytest.mark.parametrize("rover_name", ROVERS)
@pytest.mark.parametrize("drive_name", DRIVES)
def test_ordinary_driving_finds_nothing(rover_name, drive_name):
    """Corners at full lock, slopes, bumps, hard starts and stops, standing, reverse: no finding at
    all, with every kind of encoder and steering."""
    _, decisions = driven(rover_name, drive_name)
    assert kinds(decisions) == set()


@pytest.mark.parametrize("counts", rest_large([96, 24], [24]))
def test_gentle_starts_are_not_slip(counts):
    """At 24 counts a revolution one count is 20 mm, and where inside it the wheel stood is not
    known: the first count after a gentle start comes as a surprise on every wheel."""
    config = rover(counts_per_rev=counts)
    for seed in range(6):
        for speed in (0.05, 0.1, 0.2):
            truth = drive(config, [(0, 0), (1, 0), (2, speed), (3, speed)], seed=seed)
            assert kinds(run(config, truth.readings)) == set(), (seed, speed)


@pytest.mark.parametrize("counts", [96, 24])
def test_standing_for_long_is_nothing(counts):
    """Half a minute at rest: no finding, no speed, and the rest is known as one."""
    config = rover(counts_per_rev=counts)
    truth = drive(config, [(0, 0), (30, 0)], slope_rad=0.05)
    decisions = run(config, truth.readings)
    assert kinds(decisions) == set()
    late = decisions[200:]
    assert np.mean([d.estimate.at_rest for d in late]) > 0.99
    assert max(abs(d.estimate.speed_mps) for d in late) < 0.03
    assert abs(late[-1].estimate.distance_m) < 0.01


@pytest.mark.parametrize("creep_mps", [0.004, 0.015, 0.03])
@pytest.mark.parametrize("counts", [96, 24])
def test_a_rover_that_creeps_is_found_within_two_counts(counts, creep_mps):
    """A hold that is too weak: so slow that rest is believed between two counts, and yet it rolls.
    Each time it has crept so far it is said again, with the way it went."""
    config = rover(counts_per_rev=counts)
    speed = [(0, 0), (2, 0), (2.1, -creep_mps), (2.1 + 0.15 / creep_mps, -creep_mps)]
    for seed in range(3):
        truth = drive(config, speed, slope_rad=0.1, throttle=[(0, 0)], seed=seed)
        decisions = run(config, truth.readings)
        assert kinds(decisions) == {("rolling", None)}
        found = [(d.t_s, f) for d in decisions for f in d.findings]
        assert (found[0][0] - 102.05) * creep_mps < 2.1 * config.count_m
        assert all(f.value >= f.threshold for _, f in found)
        assert (decisions[-1].t_s - found[-1][0]) * creep_mps < 2.1 * config.count_m


@pytest.mark.parametrize("encoders", [{"kind": "speed"}, {"direction": "unsigned"}])
def test_what_adds_up_at_rest_without_direction_is_no_creep(encoders):
    """A hundred seconds at rest with wheel speeds that are a little off, or with edges that flicker
    on one channel: their sum says nothing."""
    config = rover(**encoders)
    truth = drive(config, [(0, 0), (3, 0)], throttle=[(0, 0)])
    still, decisions, guard = truth.readings, [], Guard(config, QUICK)
    for k in range(20_000):
        reading = dataclasses.replace(still[k % len(still)], t_s=100.0 + k * 0.005)
        if reading.counts is not None:
            reading = dataclasses.replace(reading, counts=quad([k // 400] * 4))
        if reading.wheel_speed_radps is not None:
            reading = dataclasses.replace(reading, wheel_speed_radps=quad([0.02] * 4))
        decisions.append(guard.step(reading))
    assert ("rolling", None) not in kinds(decisions)


# --- Spin and lock ---------------------------------------------------------------------------


@pytest.mark.parametrize("wheel", WHEELS)
@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(("counts", "within_s"), [(96, 0.12), (24, 0.2)])
def test_a_spinning_wheel_is_found_and_no_other(wheel, way, counts, within_s):
    """Each wheel, forwards and in reverse: found while it gathers speed, over when it grips."""
    config = rover(counts_per_rev=counts)
    truth = drive(config, pull_away(way), slip={wheel: scaled(RAMP, way)}, seed=4)
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("wheel_spin", wheel)}
    (found,) = onsets(decisions, "wheel_spin")
    assert 1.5 < found[0] < 1.5 + within_s
    last = [d.t_s - 100.0 for d in decisions if d.findings][-1]
    assert 2.2 < last < 2.3 + 0.4
    assert np.abs([d.estimate.speed_mps for d in decisions] - truth.speed_mps).max() < 0.08


def test_a_spinning_wheel_that_reports_its_speed():
    """The same without counts."""
    config = rover(kind="speed")
    truth = drive(config, pull_away(), slip={"rl": RAMP})
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("wheel_spin", "rl")}
    assert onsets(decisions, "wheel_spin")[0][0] < 1.62


@pytest.mark.parametrize("pair", [("fl", "fr"), ("fl", "rr"), ("rl", "rr")])
def test_two_spinning_wheels_are_both_found(pair):
    """On the axle-twister two wheels hang free: both are named, the others carry the speed."""
    config = rover()
    truth = drive(config, pull_away(), slip=dict.fromkeys(pair, RAMP))
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("wheel_spin", w) for w in pair}
    assert np.abs([d.estimate.speed_mps for d in decisions] - truth.speed_mps).max() < 0.1


def test_all_wheels_spinning_leave_the_accelerometer():
    """Nothing but the IMU is left: all four are found, the speed is carried on and says that it is
    less sure; afterwards it is sure again."""
    config = rover()
    truth = drive(config, pull_away(), slip=dict.fromkeys(WHEELS, RAMP))
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("wheel_spin", w) for w in WHEELS}
    error = np.abs(np.array([d.estimate.speed_mps for d in decisions]) - truth.speed_mps)
    assert error.max() < 0.2
    coasting = [d.estimate for d in decisions if d.estimate.coasting]
    assert len(coasting) > 50
    assert coasting[-1].speed_sd_mps > 2 * decisions[290].estimate.speed_sd_mps


@pytest.mark.parametrize("way", [1, -1])
def test_a_locked_wheel_is_lock_and_not_spin(way):
    """Slowing down with the stick let go, one wheel stands: brake slip, in either direction."""
    config = rover()
    speed = [(0, 0), (0.6, 0), (1.2, way * 1.2), (1.6, way * 1.2), (2.4, way * 0.3), (3, 0)]
    slip = [(1.7, 0), (1.75, -way * 1.03125), (2.1, -way * 0.6375), (2.15, 0)]
    truth = drive(config, speed, slip={"rr": slip}, creep=0.0)
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("wheel_lock", "rr")}
    assert onsets(decisions, "wheel_lock")[0][0] < 1.85


def test_slip_of_a_spinning_wheel_is_measured():
    """Slip speed, ratio and excess travel of a wheel that runs 1 m/s faster than the ground."""
    config = rover()
    truth = drive(config, pull_away(), slip={"fr": RAMP})
    decisions = run(config, truth.readings)
    e = decisions[420].estimate  # 2.1 s
    assert e.slip_mps[1] == pytest.approx(1.0, abs=0.1)
    assert e.slip_ratio[1] == pytest.approx(1.0 / 1.6, abs=0.05)
    assert e.wheel_speed_mps[1] == pytest.approx(1.6, abs=0.1)
    assert e.excess_travel_m[1] == pytest.approx(0.05 + 0.5, abs=0.06)
    assert [abs(s) < 0.1 for s in e.slip_mps] == [True, False, True, True]


# --- Rolling and sliding ---------------------------------------------------------------------

AWAY = [(0.0, 0.0), (1.5, 0.0), (2.0, 0.5), (2.5, 1.0)]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("counts", [96, 24])
@pytest.mark.parametrize("motor", [True, False])
def test_rolling_away_from_rest(way, counts, motor):
    """Nobody asks for drive and it moves off: found within 5 cm, or three counts of 20 mm. With the
    motor disabled a pressed stick asks for nothing."""
    config = rover(counts_per_rev=counts)
    truth = drive(config, scaled(AWAY, way), slope_rad=-way * 0.1, throttle=[(0, 0), (2.5, 0)])
    readings = truth.readings
    if not motor:
        readings = [dataclasses.replace(r, motor_enabled=False, throttle=0.5) for r in readings]
    decisions = run(config, readings)
    assert kinds(decisions) == {("rolling", None)}
    t, _, finding = onsets(decisions, "rolling")[0]
    rolled = abs(float(np.sum(truth.speed_mps[truth.t_s - 100.0 <= t])) * 0.005)
    assert rolled < (0.05 if counts == 96 else 0.06)
    assert ("forward" if way > 0 else "backward") in finding.reason


def test_rolling_back_against_the_command():
    """Asked forward, going backward from rest: the throttle does not hold it."""
    config = rover()
    truth = drive(config, scaled(AWAY, -1), slope_rad=0.15, throttle=[(0, 0), (1, 0), (1.1, 0.3)])
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("rolling", None)}
    assert "against the command" in onsets(decisions, "rolling")[0][2].reason


def test_sliding_back_on_stopped_wheels_while_others_spin_is_rolling():
    """A slippery slope: two wheels spin uphill, two stand, and the rover slides down on them. No
    encoder ever counts backward; the accelerometer alone tells, within 6 cm."""
    config = rover()
    speed = [(0, 0), (1, 0), (1.5, 0.5), (2.5, 0.5), (3.5, 0), (5.0, -0.6)]
    spins = [(0, 0), (2.5, 0), (2.8, 2.0), (5.0, 2.6)]
    stands = [(0, 0), (3.5, 0), (5.0, 0.6)]
    slip = {"fl": spins, "fr": spins, "rl": stands, "rr": stands}
    stick = [(0, 0), (1, 0), (1.01, 0.4), (5, 0.4)]
    truth = drive(config, speed, slip=slip, slope_rad=0.15, throttle=stick)
    found_s, _, _ = onsets(run(config, truth.readings), "rolling")[0]
    back = (truth.speed_mps < 0.0) & (truth.t_s <= found_s + 100.0)
    assert 0.0 < -np.sum(truth.speed_mps[back]) * 0.005 < 0.06
    counts = np.array([r.counts for r in truth.readings if r.counts is not None])
    assert np.diff(counts, axis=0).min() >= 0


def test_knocks_that_shift_a_standing_rover_by_less_than_a_centimetre_are_no_creep():
    """Two counts at three wheels, one at the fourth: 8.6 mm."""
    count_m = rover().count_m
    rule = RollingRule(Rolling(), count_m, directed=True)
    for step in range(400):
        counts = (0, 0, 0, 0) if step < 100 else (1, 1, 1, 0) if step < 200 else (2, 2, 1, 2)
        rule.step(0.1 * step, 0.0, 0.01, 0.0, [k * count_m for k in counts], True, 0)
        assert not rule.on


@pytest.mark.parametrize("way", [1, -1])
def test_a_roll_of_half_a_count_is_told_by_one_wheel(way):
    """24 counts: 20 mm each. A roll of 14 mm from rest is found by the first wheel that counts."""
    config = rover(counts_per_rev=24)
    roll = scaled([(0, 0), (2.0, 0), (2.1, 0.095), (2.3, 0)], way)
    found = 0
    for seed in range(20):
        truth = drive(config, [*roll, (3.3, 0)], slope_rad=-0.1 * way, throttle=[(0, 0)], seed=seed)
        found += ("rolling", None) in kinds(run(config, truth.readings))
    assert found >= 18


@pytest.mark.parametrize("way", [1, -1])
def test_running_out_and_speeding_up_again_is_rolling(way):
    """Downhill, stick neutral: it all but stops, never at rest, and then gains speed. Nobody asked
    for that, so it is found within two counts of travel."""
    speed = [(0, 0), (0.6, 0), (1.2, 0.5), (2.0, 0.5), (2.8, 0.015), (2.85, 0.015), (4.4, 0.6)]
    stick = [(0, 0), (0.6, 0), (0.61, 0.3), (2.0, 0.3), (2.01, 0), (4.4, 0)]
    truth = drive(rover(), scaled(speed, way), throttle=scaled(stick, way), slope_rad=-0.05 * way)
    decisions = run(rover(), truth.readings)
    assert not any(d.estimate.at_rest for d in decisions if d.t_s > 101.0)
    assert kinds(decisions) == {("rolling", None)}
    found_s = onsets(decisions, "rolling")[0][0]
    way_m = np.cumsum(np.abs(truth.speed_mps)) * (truth.t_s[1] - truth.t_s[0])
    since, found = (round(s / 0.005) for s in (2.85, found_s))
    assert 0.0 < way_m[found] - way_m[since] < 2.0 * rover().count_m


@pytest.mark.parametrize("way", [1, -1])
def test_coasting_on_is_not_rolling(way):
    """The stick let go at speed: it slows down for seconds, and that was asked for."""
    config = rover()
    speed = scaled([(0, 0), (0.6, 0), (1.2, 1.0), (4, 0.3)], way)
    stick = [(0, 0), (0.6, 0), (0.61, way * 0.5), (1.2, way * 0.5), (1.21, 0)]
    truth = drive(config, speed, throttle=stick)
    assert kinds(run(config, truth.readings)) == set()


def test_slowing_down_with_reverse_is_not_rolling_back():
    """Asked backward while still going forward: a hobby speed controller brakes so."""
    config = rover()
    speed = [(0, 0), (0.6, 0), (1.2, 1.0), (1.6, 1.0), (2.2, 0), (2.8, -0.6)]
    stick = [(0, 0), (0.6, 0), (0.61, 0.5), (1.6, 0.5), (1.61, -0.5)]
    truth = drive(config, speed, throttle=stick)
    assert kinds(run(config, truth.readings)) == set()


def test_without_a_command_rolling_is_not_judged():
    """Throttle never given: whether the motion was wanted is unknown."""
    config = rover()
    truth = drive(config, AWAY, slope_rad=-0.1)
    readings = [dataclasses.replace(r, throttle=None, command_age_s=None) for r in truth.readings]
    assert kinds(run(config, readings)) == set()


def test_stopped_wheels_are_not_yet_a_stopped_rover():
    """All wheels lock at 1.5 m/s and the rover slides on at 2 m/s2: found, and its speed is still
    known; at the end it rests."""
    config = rover()
    speed = [(0, 0), (0.6, 0), (1.6, 1.5), (2.0, 1.5), (2.75, 0), (4.0, 0)]
    slip = [(2.0, 0), (2.05, -1.4), (2.75, 0)]
    truth = drive(config, speed, slip=dict.fromkeys(WHEELS, slip))
    decisions = run(config, truth.readings)
    assert ("sliding", None) in kinds(decisions)
    assert onsets(decisions, "sliding")[0][0] < 2.4
    error = np.array([d.estimate.speed_mps for d in decisions]) - truth.speed_mps
    assert np.abs(error).max() < 0.25
    assert decisions[-1].estimate.at_rest


# --- Sensors ---------------------------------------------------------------------------------


@pytest.mark.parametrize("wheel", WHEELS)
@pytest.mark.parametrize("way", [1, -1])
def test_an_encoder_that_dies_is_named(wheel, way):
    """No count while the others count and nothing could hold the wheel: its encoder, not the wheel.
    Speed goes on from the other three."""
    config = rover()
    truth = drive(config, pull_away(way), dead={wheel: 1.6})
    decisions = run(config, truth.readings)
    found = {(f.kind, f.wheel, f.sensor) for d in decisions for f in d.findings}
    assert found == {("sensor_fault", wheel, "encoder")}
    assert onsets(decisions, "sensor_fault")[0][0] < 2.1
    assert np.abs([d.estimate.speed_mps for d in decisions] - truth.speed_mps).max() < 0.1


IMU_FAULTS = {
    "not a number": ({"accel_mps2": (math.nan, 0.0, 9.8)}, 0.01),
    "text": ({"gyro_radps": ("a", "b", "c")}, 0.01),
    "too few": ({"accel_mps2": (0.0, 9.8)}, 0.01),
    "saturated": ({"gyro_radps": (0.0, 34.9, 0.0)}, 0.01),
    "frozen": ({"accel_mps2": (0.1, 0.0, 9.8), "gyro_radps": (0.0, 0.0, 0.0)}, 0.12),
    "missing": ({"accel_mps2": None, "gyro_radps": None}, 0.12),
}


@pytest.mark.parametrize("name", IMU_FAULTS)
def test_a_broken_imu_is_named_and_the_wheels_carry_on(name):
    """Each way an IMU fails: said in time, speed from the wheels meanwhile, and over afterwards."""
    values, within_s = IMU_FAULTS[name]
    config = rover()
    truth = drive(config, [*pull_away(), (4.5, 0.6)])
    readings = [
        dataclasses.replace(r, **values) if 101.5 <= r.t_s < 102.5 else r for r in truth.readings
    ]
    decisions = run(config, readings)
    assert {(f.kind, f.sensor) for d in decisions for f in d.findings} == {("sensor_fault", "imu")}
    (found,) = onsets(decisions, "sensor_fault")
    assert found[0] <= 1.5 + within_s
    assert not decisions[-1].findings
    assert np.abs([d.estimate.speed_mps for d in decisions] - truth.speed_mps).max() < 0.15


@pytest.mark.parametrize(("times", "told"), [((1, 1, 1), False), ((1, -1, -1), True)])
def test_an_imu_that_hangs_upside_down_is_told_at_rest(times, told):
    """Straight ahead nothing shows it, and in the first bend every wheel seems to slip."""
    parked = drive(rover(), [(0, 0.0), (2, 0.0)], slope_rad=0.1)
    flipped = [
        dataclasses.replace(
            r,
            accel_mps2=tuple(np.multiply(r.accel_mps2, times).tolist()),
            gyro_radps=tuple(np.multiply(r.gyro_radps, times).tolist()),
        )
        for r in parked.readings
    ]
    said = {f.detail for d in run(rover(), flipped) for f in d.findings}
    hangs = (
        "imu: at rest it hangs upside down: is imu.rotation_deg wrong, or the rover on its roof?"
    )
    assert said == ({hangs} if told else set())


@pytest.mark.parametrize("half", ["accel_mps2", "gyro_radps"])
@pytest.mark.parametrize("moves", [False, True])
def test_half_an_imu_that_is_frozen_is_named(half, moves):
    """The other half goes on as if nothing were wrong; within 0.12 s as when both are, standing or
    driving, and no wheel is accused of it."""
    config = rover()
    truth = drive(config, [(0, 0), (1, 0), (2, 0.6), (6, 0.6)] if moves else [(0, 0), (6, 0)])
    stuck = getattr(truth.readings[500], half)
    readings = [
        dataclasses.replace(r, **{half: stuck}) if k >= 500 else r
        for k, r in enumerate(truth.readings)
    ]
    decisions = run(config, readings)
    assert {(f.kind, f.sensor) for d in decisions for f in d.findings} == {("sensor_fault", "imu")}
    (found,) = onsets(decisions, "sensor_fault")
    assert found[0] <= 2.5 + 0.12
    assert np.abs([d.estimate.speed_mps for d in decisions] - truth.speed_mps).max() < 0.15


def test_without_an_imu_late_wheels_are_no_worse_than_late():
    """Nothing tells what happened since the moment they speak of: the speed is theirs, so wrong by
    no more than it changes in that time. Carried on by what is not felt it swung to 2 m/s."""
    config = rover().with_changes(encoders__delay_s=0.1)
    knots = [(0, 0), (1, 0), (1.5, 1), (3, 1), (3.5, -0.5), (5, -0.5), (5.5, 1.2), (8, 1.2)]
    truth = drive(config, knots)
    gone = {"accel_mps2": None, "gyro_radps": None}
    readings = [
        dataclasses.replace(
            r, counts=truth.readings[max(0, k - 20)].counts, **(gone if k > 240 else {})
        )
        for k, r in enumerate(truth.readings)
    ]
    speed = np.array([d.estimate.speed_mps for d in run(config, readings)])
    # 3.4 m/s2 at most, 0.1 s late, and a count in 10 ms.
    assert np.abs(speed - truth.speed_mps).max() < 0.7


@pytest.mark.parametrize(
    ("step_s", "words", "value"),
    [(5.0, "ahead", 5.005), (-5.0, "back", 4.995), (None, "no number", 1.0)],
)
def test_a_clock_that_jumps_is_named(step_s, words, value):
    """Ahead, back, or no number: by how much, and which way. Driving goes on."""
    config = rover()
    truth = drive(config, pull_away())
    readings = [
        dataclasses.replace(
            r,
            t_s=(math.nan if step_s is None else r.t_s + step_s)
            if (k == 400 if step_s is None else k >= 400)
            else r.t_s,
        )
        for k, r in enumerate(truth.readings)
    ]
    decisions = run(config, readings)
    assert kinds(decisions) == {("sensor_fault", None)}
    finding = next(f for d in decisions for f in d.findings)
    assert (finding.sensor, words in finding.detail) == ("clock", True)
    assert finding.value == pytest.approx(value, abs=0.001)
    assert finding.value > finding.threshold
    assert decisions[-1].estimate.speed_mps == pytest.approx(0.6, abs=0.05)


# --- Encoders and an IMU that lie ------------------------------------------------------------


def recounted(truth, wheel, change):
    """The readings, with that wheel's count put through ``change``."""
    i = WHEELS.index(wheel)
    out = []
    for r in truth.readings:
        if r.counts is not None:
            count = change(r.counts[i])
            r = dataclasses.replace(r, counts=(*r.counts[:i], count, *r.counts[i + 1 :]))
        out.append(r)
    return out


def test_missing_teeth_are_named_once_and_accuse_no_other_wheel():
    """A quarter of each turn gives no counts, at 2 m/s: the encoder is named, stays named between
    its gaps, and the wheels that count right do not spin."""
    config = rover()
    truth = drive(config, [(0, 0), (0.6, 0), (1.6, 2), (4, 2)])
    readings = recounted(truth, "rr", lambda n: 72 * (n // 96) + min(n % 96, 72))
    decisions = run(config, readings)
    assert not [k for k in kinds(decisions) if k[0] == "wheel_spin"]
    faults = onsets(decisions, "sensor_fault")
    assert [(wheel, f.sensor) for _, wheel, f in faults] == [("rr", "encoder")]
    assert faults[0][0] < 2.6
    assert ("sensor_fault", "rr") in {(f.kind, f.wheel) for f in decisions[-1].findings}


def test_an_encoder_that_dies_while_the_rover_runs_out_is_named():
    """With the motor dragging a wheel might stand, but not for long while three others turn."""
    config = rover()
    truth = drive(
        config,
        [(0, 0), (0.5, 0), (1.2, 1), (3, 0.7)],
        throttle=[(0, 0), (0.45, 0), (0.5, 0.4), (1.2, 0.4), (1.25, 0)],
        dead={"fr": 1.5},
    )
    faults = onsets(run(config, truth.readings), "sensor_fault")
    assert [(wheel, f.sensor) for _, wheel, f in faults] == [("fr", "encoder")]
    assert faults[0][0] < 2.2


def test_a_frozen_imu_is_followed_no_longer_than_a_silent_one():
    """Its last sample says "faster" for ever, and the wheels are silent too: 2 m/s2 for the 0.1 s
    after which a sample is stale is 0.2 m/s, not the double until it is named."""
    config = rover()
    truth = drive(config, [*pull_away(), (4.0, 0.6)])
    frozen = {"accel_mps2": (2.0, 0.0, 9.6), "gyro_radps": (0.0, 0.0, 0.0), "counts": None}
    readings = [dataclasses.replace(r, **frozen) if r.t_s >= 102 else r for r in truth.readings]
    speeds = [d.estimate.speed_mps for d in run(config, readings) if d.t_s < 102.3]
    assert 0.7 < max(speeds) < 0.85


def test_a_bouncing_encoder_is_named_soon_and_stays_named():
    """Three edges for every ten too many: named within 0.55 m, and still after the rover
    stood and drove on."""
    config = rover()
    truth = drive(
        config, [(0, 0), (0.5, 0), (1, 0.6), (2.5, 0.6), (3, 0), (4, 0), (5, 0.6), (6, 0.6)]
    )
    decisions = run(config, recounted(truth, "rl", lambda n: n + 3 * n // 10))
    faults = onsets(decisions, "sensor_fault")
    assert [(wheel, f.sensor) for _, wheel, f in faults] == [("rl", "encoder")]
    when = round(faults[0][0] * 200)
    assert np.sum(truth.speed_mps[:when]) / 200 < 0.55
    assert faults[0][2].value == pytest.approx(30.0, abs=8.0)


def bouncing(truth, wheel, share, seed):
    """The readings, with that wheel's edges now and then counted twice."""
    rng, last, extra = np.random.default_rng(seed), [0], [0]

    def change(n):
        extra[0] += int(np.sign(n - last[0])) * rng.poisson(share * abs(n - last[0]))
        last[0] = n
        return n + extra[0]

    return recounted(truth, wheel, change)


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("counts", [24, 96, 400])
def test_edges_that_bounce_at_random_are_named_by_their_back_and_forth(counts, way):
    """Three of ten edges counted twice, each by chance: no rim jumps ahead by an edge and waits for
    the next. The encoder is named within a second of driving, with few counts within 2.2; its wheel
    alone is suspected, and the speed follows the other three."""
    config = rover(counts_per_rev=counts)
    truth = drive(config, pull_away(way))
    decisions = run(config, bouncing(truth, "fr", 0.3, seed=3))
    faults = onsets(decisions, "sensor_fault")
    assert [(wheel, f.sensor) for _, wheel, f in faults] == [("fr", "encoder")]
    assert faults[0][0] < (2.8 if counts == 24 else 1.6)
    assert {wheel for kind, wheel in kinds(decisions)} == {"fr"}
    named = round(faults[0][0] * 200)
    assert np.abs(speed_error(decisions, truth))[named:].max() < 0.05


@pytest.mark.parametrize("counts", [96, 400])
def test_edges_out_of_their_place_are_no_fault(counts):
    """Every other edge comes 40 % of a count late, on every wheel, as on a printed disc: what such
    a wheel says is right within a count, and it takes turns, edge by edge, but by less than one."""
    config, fine = rover(counts_per_rev=counts), rover(counts_per_rev=10 * counts)
    readings = drive(fine, pull_away()).readings
    for k, r in enumerate(readings):
        if r.counts is not None:
            uneven = tuple(n // 20 * 2 + (n % 20 >= 14) for n in r.counts)
            readings[k] = dataclasses.replace(r, counts=uneven)
    assert kinds(run(config, readings)) == set()


@pytest.mark.parametrize(("steps", "told"), [((6, 4), False), ((7, 5), True)])
def test_an_edge_that_keeps_pace_with_the_readings_is_no_fault(steps, told):
    """At five counts a reading the last edge now just made it, now just not: jumps there and back,
    for two seconds, and each is taken back. Two edges in ten too many are not."""
    q = rover().count_m
    jitter, frame, travel = CountJitter(0.59, q), Frame(dt_s=0.01), 0.0
    frame.wheel_new = [True] * 4
    for k in range(200):
        travel += steps[k % 2] * q
        jump = 1.0 if k % 2 == 0 else -1.0
        estimate = make_estimate(
            wheel_speed_mps=(5 * q / 0.01,) * 4,
            wheel_travel_m=(travel, 0.0, 0.0, 0.0),
            rim_jump_sd=(jump, 0.0, 0.0, 0.0),
        )
        jitter.step(frame, estimate)
    assert (jitter.worst_sd[0] > TOO_MUCH_SD) == told


def test_edges_that_flicker_while_the_wheel_stands_get_nowhere():
    """An encoder without hysteresis that stopped on an edge counts there and back for as long as
    the chassis hums: it is where it was, and not broken."""
    q = 0.00491
    jitter, frame = CountJitter(0.59, q), Frame(dt_s=0.01)
    frame.wheel_new = [True] * 4
    for k in range(400):
        travel, jump = (q, 1.0) if k % 2 else (0.0, -1.0)
        jitter.step(
            frame,
            make_estimate(
                wheel_travel_m=(travel, 0.0, 0.0, 0.0), rim_jump_sd=(jump, 0.0, 0.0, 0.0)
            ),
        )
    assert jitter.worst_sd[0] <= TOO_MUCH_SD


@pytest.mark.parametrize("share", [0.15, 0.35, 0.55])
@pytest.mark.parametrize("speed_mps", [0.3, 1.2])
def test_a_wheel_that_spins_evenly_is_no_broken_encoder(speed_mps, share):
    """On a patch of wet ground, throttle and brake steady: the rim runs ahead by the same share of
    the speed for seconds, and it is a spin to the end. Taken for an encoder that counts too much,
    its brake would let go of it."""
    slip = speed_mps * share
    knots = [(0, 0), (0.6, 0), (1.2, speed_mps), (6, speed_mps)]
    spin = [(2.0, 0.0), (2.1, slip), (5.0, slip), (5.1, 0.0)]
    decisions = run(rover(), drive(rover(), knots, slip={"fl": spin}).readings)
    assert not [k for k in kinds(decisions) if k[0] == "sensor_fault"]
    if slip > 0.2:  # above what counts as spin
        spinning = [
            ("wheel_spin", "fl") in {(f.kind, f.wheel) for f in d.findings} for d in decisions
        ]
        assert all(spinning[round(2.5 / 0.005) : round(5.0 / 0.005)])


def test_an_axle_that_the_motor_stops_is_no_pair_of_dead_encoders():
    """Reverse throttle while it rolls downhill at 3 m/s stops the two wheels that carry little:
    they lock, and their encoders are right to count nothing."""
    config = rover()
    knots = [(0, 0), (0.6, 0), (1.6, 3.0), (2.6, 3.0), (4.0, 2.0)]
    stopped = [(2.0, 0.0), (2.1, -3.0), (2.6, -3.0), (2.9, -2.785), (3.0, 0.0)]
    truth = drive(
        config,
        knots,
        slip={"rl": stopped, "rr": stopped},
        throttle=[(0, 0.0), (0.6, 0.0), (0.61, 0.3), (1.9, 0.3), (1.91, -0.3), (4.0, -0.3)],
    )
    found = kinds(run(config, truth.readings))
    assert not [k for k in found if k[0] == "sensor_fault"]
    assert {("wheel_lock", "rl"), ("wheel_lock", "rr")} <= {k[:2] for k in found}


@pytest.mark.parametrize("speed_mps", [0.0, 0.4])
@pytest.mark.parametrize("counts", [96, 24])
def test_rims_that_run_down_are_not_believed_before_they_have(counts, speed_mps):
    """The driver lets go while three wheels turn at 8 m/s. Nothing drives them any more, but they
    slip until they have slowed down: their counts are not the ground's."""
    config = rover(counts_per_rev=counts)
    spin = [(1.5, 0.0), (2.0, 8.0), (3.0, 8.0), (4.3, 0.0)]
    truth = drive(
        config,
        [(0, 0), (0.6, 0), (1.2, speed_mps), (5, speed_mps)],
        slip={"fl": spin, "fr": spin, "rl": spin},
        throttle=[(0, 0.0), (0.6, 0.0), (0.61, 0.4), (3.0, 0.4), (3.01, 0.0), (5.0, 0.0)],
        rough_mps2=0.5,
    )
    decisions = run(config, truth.readings)
    off_mps = np.abs([d.estimate.speed_mps for d in decisions] - truth.speed_mps)
    assert off_mps[truth.t_s > 101.3].max() < 0.03
    assert {k[:2] for k in kinds(decisions)} == {("wheel_spin", w) for w in ("fl", "fr", "rl")}


@pytest.mark.parametrize("way", [1, -1])
def test_a_rover_that_rolls_on_against_the_drive_after_all_but_stopping(way):
    """Coming down a slope, the driver asks for the other way: it stops, but for a moment and with a
    wheel that spins, so that rest is never seen. Then it rolls on down."""
    knots = [(0, 0), (0.6, 0), (1.0, -0.5), (1.6, -0.5), (2.1, -0.01), (2.5, -0.01), (3.2, -0.4)]
    truth = drive(
        rover(),
        scaled(knots, way),
        slip={"fl": scaled([(1.7, 0), (1.9, 2.0), (3.2, 4.0)], way)},
        throttle=scaled(
            [(0, 0), (0.6, 0), (0.61, -0.3), (1.6, -0.3), (1.61, 0.4), (3.2, 0.4)], way
        ),
    )
    rolls = onsets(run(rover(), truth.readings), "rolling")
    assert len(rolls) == 1
    assert 2.5 < rolls[0][0] < 2.85


def test_wheels_that_spin_do_not_show_that_the_rover_moves():
    """Two wheels spin, two stand, as on a ridge: that the standing ones are dead may only be said
    where wheels that roll contradict them."""
    wheels = Wheels(rover())
    for i, wheel in enumerate(wheels.tracks):
        wheel.still_s = 1.0 if i < 2 else 0.0
    wheels._may_slip = [[0.0, 0.0] for _ in range(4)]
    assert wheels._may(0, -0.5)
    for wheel in wheels.tracks[2:]:
        wheel.gripping = False
    assert not wheels._may(0, -0.5)


def test_an_encoder_found_to_be_broken_has_no_say():
    """Left out by what was found a step before: one that counts nothing and one that counts
    anything leave the speed to the other two wheels. Three of them are left in: then it is
    something else that is wrong with all."""
    config = rover()
    truth = drive(config, pull_away())
    rng = np.random.default_rng(5)
    wild = recounted(truth, "fr", lambda n: n + int(rng.integers(0, 3)))
    wild = recounted(dataclasses.replace(truth, readings=wild), "rl", lambda n: 0)

    def worst_mps(broken):
        intake, fusion = Intake(config), Fusion(config)
        steps = [fusion.step(intake.take(r), (0.0,) * 4, broken) for r in wild]
        return np.abs([e.speed_mps for e in steps] - truth.speed_mps).max()

    assert worst_mps((False, True, True, False)) < 0.06
    assert worst_mps((False, False, False, False)) > 0.3
    assert worst_mps((True, True, True, False)) == worst_mps((False, False, False, False))


def test_a_gap_that_comes_again_is_no_lock():
    """Missing teeth, first seen while the wheel was driven: when the rover then coasts, and a wheel
    might stand, the same gap is still the encoder's."""
    config = rover()
    truth = drive(
        config,
        [(0, 0), (0.6, 0), (1.6, 1.2), (3, 1.2), (6, 0.9)],
        throttle=[(0, 0), (0.55, 0), (0.6, 0.4), (3, 0.4), (3.05, 0)],
    )
    decisions = run(config, recounted(truth, "rr", lambda n: 72 * (n // 96) + min(n % 96, 72)))
    assert not [k for k in kinds(decisions) if k[0] in ("wheel_lock", "wheel_spin")]
    assert ("sensor_fault", "rr") in {(f.kind, f.wheel) for f in decisions[-1].findings}


# --- Limits ----------------------------------------------------------------------------------


def test_overspeed_is_found_and_the_throttle_limited():
    """Above the cap of 0.5 m/s: said with both numbers; the limit falls before it is reached."""
    config = rover(more="limits: {max_speed_mps: 0.5}\n")
    truth = drive(config, [(0, 0), (0.6, 0), (2.1, 0.75), (3, 0.75)])
    decisions = run(config, truth.readings)
    assert kinds(decisions) == {("overspeed", None)}
    finding = onsets(decisions, "overspeed")[0][2]
    assert (finding.threshold, finding.unit) == (0.5, "m/s")
    assert decisions[-1].throttle_limit == pytest.approx(0.0, abs=0.01)
    at_cap = np.argmax(truth.speed_mps >= 0.5)
    assert decisions[at_cap].throttle_limit < 0.75
    assert decisions[at_cap - 60].throttle_limit == 1.0


@pytest.mark.parametrize(("share", "found"), [(0.6, False), (0.8, True)])
def test_tipping_sideways_is_told_before_it_happens(share, found):
    """Leaning, the static limit is tan = half the track over the height of the centre of mass
    (handbook statics): 45 degrees for 0.15 m over 0.15 m. Told above 70 % of it."""
    config = rover(
        chassis="mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075, "
        "cog_height_m: 0.15"
    )
    lean = math.atan(share)
    truth = drive(config, [(0, 0), (2, 0)])
    readings = [
        dataclasses.replace(
            r,
            accel_mps2=(
                r.accel_mps2[0],
                9.80665 * math.sin(lean) + r.accel_mps2[1],
                9.80665 * math.cos(lean) + r.accel_mps2[2] - 9.80665,
            ),
        )
        for r in truth.readings
    ]
    assert (("tip_over_risk", None) in kinds(run(config, readings))) == found
    assert kinds(run(rover(), readings)) == set(), "without a height nothing is said"


# --- What a finding says ---------------------------------------------------------------------


def every_finding():
    """First finding of every kind, from drives in which each happens."""
    config = rover(more="limits: {max_speed_mps: 0.5}\n")
    locked = [(2.0, 0), (2.05, -1.4), (2.75, 0)]
    drives = [
        drive(config, pull_away(), slip={"fl": RAMP}),
        drive(config, AWAY, slope_rad=-0.1, throttle=[(0, 0), (2.5, 0)]),
        drive(
            config,
            [(0, 0), (0.6, 0), (1.6, 1.5), (2.0, 1.5), (2.75, 0), (3, 0)],
            slip=dict.fromkeys(WHEELS, locked),
        ),
        drive(config, pull_away(), dead={"rr": 1.6}),
    ]
    first = {}
    for made in drives:
        guard = Guard(config)
        for k, reading in enumerate(made.readings):
            age = 0.02 if k < 550 else 1.0
            decision = guard.step(dataclasses.replace(reading, command_age_s=age))
            for finding in decision.findings:
                first.setdefault((finding.kind, finding.sensor), (decision, finding))
    return first


def test_every_finding_carries_its_evidence():
    """No finding without a number beyond its threshold when it appears, a unit, the time it began,
    and a sentence with both numbers for the driver."""
    first = every_finding()
    assert {kind for kind, _ in first} == {
        "wheel_spin",
        "wheel_lock",
        "rolling",
        "sliding",
        "sensor_fault",
        "overspeed",
        "link_lost",
    }
    for decision, finding in first.values():
        assert finding.value > finding.threshold, finding
        assert finding.unit
        assert finding.since_s <= decision.t_s
        for part in (finding.unit, f"{finding.value:.4g}", f"{finding.threshold:.4g}"):
            assert part in finding.reason
        assert finding.detail in finding.reason
        if finding.wheel:
            assert finding.wheel in finding.reason


@pytest.mark.parametrize("way", [1, -1])
def test_what_gains_speed_with_nobody_driving_runs_away(way):
    """Coasting on is not rolling, be it for long or over a bump; getting faster than before is:
    0.15 m/s more than the slowest since the stick was let go."""

    def rolling(then):
        truth = drive(rover(), [(0, 0), (0.3, 0), (1, 0.8 * way), *then])
        readings = [
            dataclasses.replace(r, throttle=0.5 * way if 100.3 < r.t_s < 101.0 else 0.0)
            for r in truth.readings
        ]
        return truth, onsets(run(rover(), readings), "rolling")

    truth, found = rolling([(3, 0.5 * way), (5, 2.5 * way)])
    (onset,) = found
    speed_mps = truth.speed_mps[np.searchsorted(truth.t_s, 100.0 + onset[0])] * way
    assert 0.64 < speed_mps < 0.75
    assert not rolling([(3, 0.5 * way), (3.2, 0.6 * way), (6, 0.2 * way)])[1]
    # The motor drives on for a moment.
    assert not rolling([(1.25, 1.1 * way), (6, 0.2 * way)])[1]


@pytest.mark.parametrize("counts_per_rev", [96, 24])
def test_edges_out_of_place_are_no_slip(counts_per_rev):
    """Each edge of each disc up to 0.3 of a count from where it should be, as cheap discs are:
    nothing is found on ground that grips, and the speed is as true as with even ones."""
    config = rover(counts_per_rev=counts_per_rev)
    knots = [(0, 0), (1, 0), (2, 0.6), (6, 1.2), (10, 0.4), (14, 0.9), (17, 0.9), (18, 0)]
    for seed in range(3):
        truth, rng = drive(config, knots, seed=seed), np.random.default_rng(seed)
        way = np.cumsum(truth.rim_mps * DT_S, axis=0) / config.count_m
        places = np.arange(-2, way.max() + 3)
        places = places + rng.uniform(-0.3, 0.3, (4, len(places))) + rng.uniform(0, 1, (4, 1))
        counts = np.array([np.searchsorted(places[i], way[:, i]) for i in range(4)]).T
        readings = [
            r if r.counts is None else dataclasses.replace(r, counts=tuple(map(int, row)))
            for r, row in zip(truth.readings, counts, strict=True)
        ]
        decisions = run(config, readings)
        assert not any(d.findings for d in decisions)
        assert np.sqrt(np.mean(speed_error(decisions, truth) ** 2)) < 0.012


def test_wheels_that_turn_round_on_ice_do_not_slide():
    """They stand for an instant, and the rover does not; that is no sliding on stopped wheels. From
    a twentieth of a second on it is."""
    for stands_s, told in ((0.03, False), (0.1, True)):
        motion, found = UnaskedMotion(rover().rolling, 0.005, True), Found()
        kinds_found = []
        for k in range(60):
            rim = 0.0 if 20 <= k < 20 + stands_s / 0.005 else 0.5
            seen = make_estimate(
                t_s=k * 0.005,
                speed_mps=1.0,
                speed_sd_mps=0.02,
                coasting=True,
                wheel_speed_mps=(rim,) * 4,
            )
            motion.step(seen, 1, found)
            kinds_found.append(bool(found.code[SLIDING]))
        assert any(kinds_found) == told
