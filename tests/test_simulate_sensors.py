"""What the simulated sensors make of the truth, and how they break."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from simulated import QUIET, last, play, rover

from slipguard.errors import ConfigError
from slipguard.simulate import DEMO_ROVER, Plant, Scenario, SimSettings, World, make, run
from slipguard.simulate.faults import EncoderFault, ImuFault
from slipguard.simulate.link import Link
from slipguard.simulate.sensors import EncoderModel, mount_rotation

SILENT_IMU = "accel_noise_mps2: 1e-6, gyro_noise_radps: 1e-6"
COUNT_M = 2 * math.pi * 0.075 / 96


def readings(plant, seconds, *args, **keys):
    for _ in play(plant, seconds, *args, **keys):
        yield plant.reading()


def test_rest_reads_g():
    """At rest on level ground the accelerometer reads (0, 0, +g): the reaction to gravity."""
    plant = Plant(rover(imu=SILENT_IMU), World(), 1)
    *_, reading = readings(plant, 0.5, brakes=(1, 1, 1, 1))
    assert reading.accel_mps2 == pytest.approx((0, 0, 9.81), abs=2e-3)
    assert reading.gyro_radps == pytest.approx((0, 0, 0), abs=1e-4)


def test_rest_on_a_twenty_percent_slope():
    """Nose up on 20 % (11.31 degrees) x reads +g sin = 1.924 m/s2; left side up, y reads +."""
    slope = World(slope_deg=math.degrees(math.atan(0.2)))
    plant = Plant(rover(imu=SILENT_IMU, sim=QUIET + ", suspension_sag_m: 0.001"), slope, 1)
    *_, reading = readings(plant, 1.0, brakes=(1, 1, 1, 1), blocked=True)
    squat = plant.truth().grade_rad  # the body's pitch, a little more than the ground's
    assert squat == pytest.approx(math.radians(11.31), abs=math.radians(0.3))
    assert reading.accel_mps2[0] == pytest.approx(9.81 * math.sin(squat), abs=3e-3)
    assert reading.accel_mps2[0] == pytest.approx(1.924, rel=0.03)
    side = Plant(rover(imu=SILENT_IMU), World(side_slope_deg=8.0), 1)
    *_, reading = readings(side, 1.0, brakes=(1, 1, 1, 1))
    assert reading.accel_mps2[1] == pytest.approx(9.81 * math.sin(side.truth().roll_rad), abs=3e-3)
    assert side.truth().roll_rad > math.radians(8)


def test_noise_is_as_the_rover_file_says():
    """White noise with the YAML's standard deviation of one sample, on every axis."""
    plant = Plant(rover(), World(), 3)
    rows = [(*r.accel_mps2, *r.gyro_radps) for r in readings(plant, 10.0, brakes=(1, 1, 1, 1))]
    spread = np.std(rows, axis=0)
    # 2000 samples: one standard deviation of the estimate is 1.6 %
    assert spread == pytest.approx([0.08] * 3 + [0.004] * 3, rel=0.07)
    neighbours = np.corrcoef(np.array(rows)[:-1, 0], np.array(rows)[1:, 0])[0, 1]
    assert abs(neighbours) < 0.08


def test_accelerometer_integrates_to_speed():
    """On the flat the x axis, less gravity's leak from pitch, sums up to the change of speed."""
    plant = Plant(rover(imu=SILENT_IMU), World(), 1)
    total = 0.0
    for truth in play(plant, 1.5, throttle=0.7):
        force = plant.reading().accel_mps2
        total += (force[0] - 9.81 * math.sin(truth.grade_rad)) * plant.dt_s
    assert truth.speed_mps > 1.8
    assert total == pytest.approx(truth.speed_mps, rel=0.01)


def test_gyro_signs():
    """Turning left reads +z; pulling away lifts the nose: -y first (ISO 8855 axes)."""
    plant = Plant(rover(imu=SILENT_IMU), World(), 1)
    nose = [r.gyro_radps[1] for r in readings(plant, 0.1, throttle=0.8)]
    assert min(nose) < -0.05
    assert abs(min(nose)) > max(nose)
    *_, turning = readings(plant, 2.0, throttle=0.3, steer=0.5)
    assert turning.gyro_radps[2] == pytest.approx(plant.truth().yaw_rate_radps, abs=0.01)
    assert turning.gyro_radps[2] > 0.2


def test_lever_arm():
    """Off the middle of the wheelbase the IMU feels the turn: -r2 x forward, -r2 y to the side."""
    middle = Plant(rover(imu=SILENT_IMU), World(), 1)
    offset = Plant(rover(imu=SILENT_IMU + ", position_m: [0.15, -0.1, 0]"), World(), 1)
    a, b = (
        np.mean([r.accel_mps2 for r in readings(p, 3.0, throttle=0.4, steer=1.0)][400:], axis=0)
        for p in (middle, offset)
    )
    rate = middle.truth().yaw_rate_radps
    assert b - a == pytest.approx([-(rate**2) * 0.15, rate**2 * 0.1, 0], abs=0.02)
    assert rate**2 * 0.1 > 0.1


def test_mount_rotation():
    """A sensor pitched 5 degrees nose down reads gravity as -g sin 5 along its own x."""
    tilted = Plant(rover(imu=SILENT_IMU + ", rotation_deg: [0, 5, 0]"), World(), 1)
    *_, reading = readings(tilted, 0.5, brakes=(1, 1, 1, 1))
    angle = math.radians(5)
    expected = (-9.81 * math.sin(angle), 0, 9.81 * math.cos(angle))
    assert reading.accel_mps2 == pytest.approx(expected, abs=3e-3)
    turned = mount_rotation((10.0, 20.0, 30.0))
    assert turned @ turned.T == pytest.approx(np.eye(3))
    # yaw, then pitch, then roll: the x axis sees yaw and pitch only
    x = turned @ np.array([1.0, 0, 0])
    assert math.degrees(math.atan2(x[1], x[0])) == pytest.approx(30)
    assert math.degrees(math.asin(-x[2])) == pytest.approx(20)


def test_counts_are_whole_and_follow_the_wheel():
    """A count is the floor of the hub's angle: distance in counts within one, never a fraction."""
    plant = Plant(rover(), World(), 5)
    start = plant.reading().counts
    fresh = [r.counts for r in readings(plant, 3.0, throttle=0.3) if r.counts is not None]
    assert len(fresh) == 300  # 100 Hz beside a 200 Hz IMU
    assert all(isinstance(c, int) for row in fresh for c in row)
    rolled = (np.array(fresh[-1]) - np.array(start)) * COUNT_M
    truth = plant.truth()
    assert rolled == pytest.approx(np.full(4, truth.x_m), abs=COUNT_M + 0.006 * truth.x_m)
    other = Plant(rover(), World(), 6)
    list(play(other, 3.0, throttle=0.3))
    assert other.reading().counts != plant.reading().counts  # another phase


def test_quantisation_error_is_uniform():
    """The error of a count is uniform over one count: variance q2 / 12 (statistics of rounding)."""
    model = EncoderModel(rover(), 0.005, [], np.random.default_rng(1))
    error = []
    for k in range(4000):
        angle = np.full(4, 0.37 * k * 0.005)
        counts = model.sample(k * 0.005, angle, np.zeros(4))
        if counts is not None:
            error.append(np.array(counts) - angle * 96 / (2 * math.pi))
    assert np.var(np.array(error), axis=0) == pytest.approx(np.full(4, 1 / 12), rel=0.1)


def test_one_channel_counts_up_both_ways():
    """Without direction every edge counts up, also backwards."""
    plant = Plant(rover(encoders="counts_per_rev: 96, direction: unsigned"), World(), 1)
    backward = [r.counts[0] for r in readings(plant, 2.0, throttle=-0.3) if r.counts]
    assert plant.truth().x_m < -0.5
    assert backward[-1] > 90
    assert all(b >= a for a, b in itertools.pairwise(backward))


def test_wheel_speeds_instead_of_counts():
    """Rovers whose wheels report speeds give rad/s with the noise their file says."""
    config = rover(encoders="kind: speed, speed_noise_radps: 0.1")
    plant = Plant(config, World(), 1)
    list(play(plant, 2.0, throttle=0.3))
    fresh = [r.wheel_speed_radps for r in readings(plant, 3.0, throttle=0.3)]
    values = np.array([v for v in fresh if v is not None])
    assert values.mean() * 0.075 == pytest.approx(plant.truth().speed_mps, rel=0.02)
    assert np.std(values, axis=0) == pytest.approx(np.full(4, 0.1), rel=0.25)
    assert plant.reading().counts is None


def test_late_wheels():
    """Data 50 ms late are what the wheel did 50 ms ago."""
    now = EncoderModel(rover(), 0.005, [], np.random.default_rng(1))
    late = EncoderModel(
        rover(encoders="counts_per_rev: 96, delay_s: 0.0525"), 0.005, [], np.random.default_rng(1)
    )
    for k in range(200):
        angle, before = np.full(4, k * 0.05), np.full(4, max(0.0, (k - 10.5) * 0.05))
        a = now.sample(k * 0.005, before, angle)
        assert late.sample(k * 0.005, angle, angle) == a


@pytest.mark.parametrize(
    ("fault", "share"),
    [
        (EncoderFault(kind="dead", wheel="rl"), 0.0),
        (EncoderFault(kind="missing_teeth", wheel="rl", amount=0.25), 0.75),
        (EncoderFault(kind="bounce", wheel="rl", amount=0.3), 1.3),
    ],
)
def test_encoder_faults(fault, share):
    """A broken encoder loses or invents its share of counts; the other wheels stay as they are."""
    model = EncoderModel(DEMO_ROVER, 0.005, [fault], np.random.default_rng(1))
    turns = 50
    for k in range(10001):
        counts = model.sample(k * 0.005, np.full(4, k / 10000 * turns * 2 * math.pi), np.zeros(4))
    assert counts[2] == pytest.approx(share * turns * 96, abs=2 + 0.03 * share * turns * 96)
    assert counts[0] == counts[1] == counts[3] == turns * 96


def test_faults_come_and_go():
    """Faults act between their times only."""
    gone = EncoderFault(kind="none", wheel="fr", start_s=1.0, end_s=2.0)
    frozen = ImuFault(kind="frozen", start_s=1.0, end_s=1.5)
    nan = ImuFault(kind="nan", start_s=2.0, end_s=2.5)
    missing = ImuFault(kind="missing", start_s=2.5, end_s=3.0)
    full = ImuFault(kind="saturated", start_s=3.0, end_s=3.5)
    plant = Plant(DEMO_ROVER, World(), 1, faults=(gone, frozen, nan, missing, full))
    seen = list(readings(plant, 4.0))
    assert {r.counts[1] is None for r in seen if r.counts and 1 <= r.t_s < 2} == {True}
    assert {r.counts[1] is None for r in seen if r.counts and not 1 <= r.t_s < 2} == {False}
    assert len({r.accel_mps2 for r in seen if 1 <= r.t_s < 1.5}) == 1
    assert all(math.isnan(v) for r in seen if 2 <= r.t_s < 2.5 for v in r.gyro_radps)
    assert {r.accel_mps2 for r in seen if 2.5 <= r.t_s < 3} == {None}
    assert {r.accel_mps2 for r in seen if 3 <= r.t_s < 3.5} == {(156.9,) * 3}
    assert len({r.accel_mps2 for r in seen if r.t_s >= 3.5}) > 50


def test_unknown_wheel_in_a_fault():
    """A fault on a wheel that is not there is refused, not ignored."""
    with pytest.raises(ValueError, match="wheel 'left'"):
        EncoderFault(kind="dead", wheel="left")


def test_same_seed_same_readings():
    """Same seed, same readings, bit for bit; another seed, others: evaluation rests on it."""
    base = replace(make("twister", 1), duration_s=2.5)
    first, again, other = (run(base, DEMO_ROVER, seed) for seed in (1, 1, 2))
    assert first.readings == again.readings
    assert first.truth == again.truth
    assert first.readings != other.readings


def test_link_delay_and_silence():
    """Commands arrive late; while the link is down their age grows, and the last one stays."""
    sim = SimSettings(link_latency_s=0.1, link_jitter_s=0.02)
    link = Link(sim, lambda t: not 1.0 <= t < 2.0, np.random.default_rng(1))
    ages, got = {}, {}
    for k in range(600):
        t = k * 0.005
        if link.due(t):
            link.send(t, t, -t)
        throttle, steer, ages[k] = link.receive(t)
        got[k] = throttle
        assert steer == -throttle
        if throttle:
            assert ages[k] == pytest.approx(t - throttle)
    # at most: latency, jitter and the pause between two commands
    assert max(ages[k] for k in range(50, 200)) <= 0.1 + 0.02 + 0.02 + 0.005
    assert min(ages[k] for k in range(50, 200)) >= 0.08
    assert ages[399] == pytest.approx(1.0, abs=0.03)
    assert got[399] == pytest.approx(0.98, abs=0.011)
    assert ages[440] < 0.15


def test_lost_commands():
    """A share of the commands never arrives; the age of the last one then grows."""
    ages = []
    link = Link(SimSettings(link_loss=0.5), lambda t: True, np.random.default_rng(1))
    for k in range(4000):
        t = k * 0.005
        if link.due(t):
            link.send(t, t, 0.0)
        ages.append(link.receive(t)[2])
    fresh = sum(b < a for a, b in itertools.pairwise(ages))
    assert fresh == pytest.approx(0.5 * 50 * 20, rel=0.1)


def test_receiver_failsafe_without_help():
    """Unaided, the receiver alone sets neutral after its failsafe time; nothing brakes."""
    scenario = Scenario(
        name="test",
        notes="",
        world=World(),
        duration_s=5.0,
        operator=lambda t, truth: (0.5 if t > 0.5 else 0.0, 0.0),
        link=lambda t: t < 2.0,
    )
    drive = run(scenario, DEMO_ROVER, 1)
    speed = drive.truth_column("speed_mps")
    assert np.argmax(speed) * 0.005 == pytest.approx(2.5, abs=0.1)
    assert 0.5 < speed[-1] < speed.max() - 0.3
    assert [e.kind for e in drive.labels()] == ["link_lost"]


def test_brake_servo():
    """A brake closes with its lag and never faster than its slew; below the dead band it is off."""
    plant = Plant(rover(sim=QUIET + ", brake_servo_slew_per_s: 5"), World(), 1)
    position = [t.brakes[0] for t in play(plant, 0.4, brakes=(1, 0, 0, 0))]
    assert max(np.diff(position)) == pytest.approx(5 * 0.005)
    free = Plant(rover(sim=QUIET + ", brake_servo_slew_per_s: 1000"), World(), 1)
    position = [t.brakes[0] for t in play(free, 0.06, brakes=(1, 0, 0, 0))]
    assert position[-1] == pytest.approx(1 - math.exp(-1), rel=1e-6)  # one time constant
    low = Plant(rover(), World(), 1)
    a = last(play(low, 2.0, throttle=0.3, brakes=(0.02,) * 4)).speed_mps
    b = last(play(Plant(rover(), World(), 1), 2.0, throttle=0.3)).speed_mps
    assert a == b


def test_sim_settings_are_checked():
    """A wrong simulator setting is named with what was expected, like any other."""
    with pytest.raises(ConfigError, match=r"sim\.free_sped_mps: unknown key.*free_speed_mps"):
        Plant(rover(sim="free_sped_mps: 3"), World(), 1)
    with pytest.raises(ConfigError, match=r"sim\.overrun_drag: found 2.*from 0 to 1"):
        Plant(rover(sim="overrun_drag: 2"), World(), 1)
