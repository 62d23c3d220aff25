"""Calibration: hidden truth is found again, with honest uncertainty; poor data is refused."""

from __future__ import annotations

import csv
import math
import re
import runpy
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import calibration_drives as made
import calibration_plant as plant
import numpy as np
import pytest
import synthetic
import yaml
from hypothesis import given
from hypothesis import settings as hyp
from hypothesis import strategies as st
from scipy import stats

from slipguard import Config, ConfigError, Guard, Reading, simulate
from slipguard.calibrate import (
    GUIDE,
    Calibration,
    Samples,
    circle,
    deadband,
    delay,
    level,
    merged,
    noise,
    patch_text,
    straight,
)
from slipguard.calibrate.delay import _fit, _stretches
from slipguard.calibrate.level import GYRO_DRIFT
from slipguard.calibrate.rotation import axis_angle, from_sensor, turn
from slipguard.calibrate.samples import mean_and_sd
from slipguard.cli import main
from slipguard.errors import CalibrationError

try:
    import allantools  # noqa: F401

    ALLAN = True
except ModuleNotFoundError:
    ALLAN = False
HOME = Path(__file__).parent.parent
needs_allantools = pytest.mark.skipif(not ALLAN, reason="extra 'calibrate' is not installed")

Once = Callable[[int], tuple[Calibration, made.Truth]]


def _level(seed):
    drive, config, truth = made.level_drive(seed)
    return level(drive, config), truth


def _noise(seed):
    drive, config, truth = made.noise_drive(seed)
    return noise(drive, config), truth


def _straight(seed):
    drive, config, truth, tape_m = made.straight_drive(seed)
    return straight(drive, config, tape_m), truth


def _circle(steered):
    def once(seed):
        drives, config, truth = made.circle_drives(seed, steered=steered)
        return circle(drives, config, 3.0), truth

    return once


def _deadband(seed):
    drive, config, truth = made.deadband_drive(seed)
    return deadband(drive, config), truth


def _delay(counts_per_rev, direction="quadrature"):
    def once(seed):
        drive, config, truth = made.delay_drive(
            seed, counts_per_rev=counts_per_rev, direction=direction
        )
        return delay(drive, config), truth

    return once


STEPS: dict[str, Once] = {
    "level": _level,
    "noise": _noise,
    "straight": _straight,
    "circle": _circle("front"),
    "circle, rear steered": _circle("rear"),
    "circle, both steered": _circle("both"),
    "circle, skid": _circle("skid"),
    "deadband": _deadband,
    "delay": _delay(96),
    "delay, 24 counts": _delay(24),
    "delay, one channel": _delay(24, "unsigned"),
}


def scores(once: Once, seeds: range) -> dict[str, list[float]]:
    """(value - truth) / sd of every parameter over seeds."""
    found: dict[str, list[float]] = {}
    for seed in seeds:
        calibration, truth = once(seed)
        for name, true in truth.items():
            value = calibration.value(name)
            found.setdefault(name, []).append((value.value - true) / value.sd)
    return found


@pytest.mark.parametrize(
    "step", [pytest.param(s, marks=needs_allantools) if s == "noise" else s for s in STEPS]
)
def test_truth_is_found_again(step):
    """Ten seeds: errors of the size that is stated. All but one within two sigma, as 95 % leaves
    (binomial, 99.9 %: at least 7 of 10), the sum of squares within its chi-square band (99.9 %)."""
    low, high = stats.chi2.interval(0.999, 10)
    for name, z in scores(STEPS[step], range(2000, 2010)).items():
        assert sum(abs(v) <= 2.0 for v in z) >= 7, name
        assert low < sum(v * v for v in z) < high, name


@pytest.mark.large
@pytest.mark.parametrize(
    "step", [pytest.param(s, marks=needs_allantools) if s == "noise" else s for s in STEPS]
)
def test_two_sigma_cover_the_truth(step):
    """A hundred seeds: coverage of two sigma in the binomial band around 95 % (99 %), and sigma
    neither too small nor inflated: mean square of the score in its chi-square band (99.9 %)."""
    fewest, most = stats.binom.interval(0.99, 100, 0.95)
    low, high = stats.chi2.interval(0.999, 100)
    for name, z in scores(STEPS[step], range(1000, 1100)).items():
        inside = sum(abs(v) <= 2.0 for v in z)
        square = sum(v * v for v in z)
        print(f"{step:22s} {name:20s} {inside:3d} of 100, rms {math.sqrt(square / 100):.2f}")
        assert fewest <= inside <= most, name
        assert low < square < high, name


# -- in the physics engine ----------------------------------------------------------------------


def near(calibration: Calibration, truth: dict[str, float], sigma: float = 3.5) -> None:
    """Every parameter within so many of its own standard deviations."""
    for name, true in truth.items():
        value = calibration.value(name)
        assert abs(value.value - true) < sigma * value.sd, (name, value, true)


def test_straight_in_the_engine():
    """Tyres that press flat and creep, a sprung body that squats, vibration: radius and yaw of the
    mounting are found all the same."""
    true = synthetic.rover().with_changes(
        rover__wheel_radius_m=0.0772, imu__rotation_deg=[0, 0, -5.5]
    )
    run = plant.straight(true, 1002)
    found = straight(run.samples, synthetic.rover(), run.truth[-1].x_m - run.truth[0].x_m)
    near(found, {"wheel_radius": 0.0772, "mount_yaw": -5.5})


def test_delay_in_the_engine():
    """Starts and stops of a sprung rover on tyres that creep, at 24 counts."""
    told = synthetic.rover(counts_per_rev=24)
    run = plant.delay(told.with_changes(encoders__delay_s=0.06), 1000, starts=6)
    near(delay(run.samples, told), {"wheels_later_than_imu": 0.06})


@pytest.mark.large
def test_level_in_the_engine():
    """Half a circle driven between two stands: tilt of the sensor and its biases told apart."""
    config = synthetic.rover().with_changes(imu__rotation_deg=[3.0, -4.0, 2.0])
    run = plant.level(config, 1000)
    told = synthetic.rover().with_changes(imu__rotation_deg=[0, 0, 2.0])
    found = level(run.samples, told, gravity_mps2=9.81)
    near(found, plant.standing_bias(run) | {"mount_roll": 3.0, "mount_pitch": -4.0})


@pytest.mark.large
def test_circle_in_the_engine():
    """Tyres that work sideways, slowly: track, full steer and gyro within their uncertainty."""
    true = synthetic.rover().with_changes(rover__track_m=0.326, rover__max_steer_deg=26.6)
    drives = [plant.circle(true, 1000, way, 2.0).samples for way in (1.0, -1.0)]
    found = circle(drives, synthetic.rover(), 2.0)
    near(found, {"track": 0.326, "full_steer": 26.6, "yaw_gyro_scale": 1.0})
    assert found.settings["rover.track_m"] == pytest.approx(0.326, abs=0.002)


@pytest.mark.large
def test_deadband_in_the_engine():
    """A controller with a dead band before the engine's motor."""
    config, edge = synthetic.rover(), 0.05
    run = plant.deadband(config, 1000, edge, 5)
    start = plant.turns_from(config, edge)
    found = deadband(run.samples, config)
    for name in ("dead_band_forward", "dead_band_reverse"):
        assert found.value(name).value == pytest.approx(start, abs=0.002)


@pytest.mark.large
@needs_allantools
def test_noise_in_the_engine():
    """A minute of standing on springs."""
    true = synthetic.rover().with_changes(imu__accel_noise_mps2=0.12, imu__gyro_noise_radps=0.006)
    run = plant.drive(true, 1000, 63.0, lambda t, truth: (0.0, 0.0))
    near(noise(run.samples, synthetic.rover()), {"accel_noise": 0.12, "gyro_noise": 0.006})


# -- arithmetic ---------------------------------------------------------------------------------


@needs_allantools
def test_allan_deviation_of_the_nist_data_set():
    """NIST SP 1065, section 12.4: a thousand points of a published generator; overlapping Allan
    deviation 2.922319e-1, 9.159953e-2, 3.241343e-2 at 1, 10, 100."""
    from slipguard.calibrate.noise import adev

    n, points = 1234567890, []
    for _ in range(1000):
        points.append(n / 2147483647)
        n = 16807 * n % 2147483647
    assert round(points[1] * 2147483647) == 395529916
    data = np.array(points)
    for tau, expected in ((1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)):
        at, dev, _ = adev(data, 1.0, tau)
        assert at == tau
        assert dev == pytest.approx(expected, rel=1e-6)


def test_rotations():
    """Against known cases: the setting's own order, half a turn, and back from axis and angle."""
    mount = from_sensor((3.0, -4.0, 5.0))
    assert np.allclose(mount, made.mounting(3.0, -4.0, 5.0))
    half = turn(np.array([0.0, 0.0, math.pi]))
    assert np.allclose(half, np.diag([-1, -1, 1]))
    axis, angle = axis_angle(turn(np.array([0.3, -2.9, 0.4])))
    assert np.allclose(axis * angle, [0.3, -2.9, 0.4])


def test_mean_and_sd_see_filtered_noise():
    """Noise smoothed over ten samples: the scatter of single samples would say three times too
    little (square root of ten)."""
    rng = np.random.default_rng(3)
    raw = rng.standard_normal((400, 40009))
    smooth = np.stack([np.convolve(r, np.ones(10) / 10, "valid") for r in raw])
    means, sds = zip(*(mean_and_sd(r[:4000, None], 200) for r in smooth), strict=True)
    assert float(np.std(means)) == pytest.approx(float(np.mean(sds)), rel=0.15)


def test_delay_is_found_as_well_as_can_be():
    """Noise on the counts alone: the scatter of a stretch's lateness is the Cramer-Rao bound of a
    delay whose scale and constant are unknown: the last diagonal element of s^2 (J' J)^-1, s the
    noise and J the derivatives of the counted travel by scale, constant and delay (Kay,
    *Fundamentals of Statistical Signal Processing* 1, 1993, sections 3.8 and 3.11, from memory)."""
    drive, config, _ = made.delay_drive(4, counts_per_rev=4096, late_s=0.06)
    rng = np.random.default_rng(5)
    noise_m = 0.001
    scores = []
    for before, after in _stretches(drive, config):
        moves = (drive.wheel_s > before[1]) & (drive.wheel_s < after[0])
        way = config.count_m * np.mean(drive.counts[moves], axis=1)
        speed = np.gradient(way, drive.wheel_s[moves])
        by = np.stack((way - way[0], np.ones_like(way), -speed), axis=1)
        bound_s = noise_m * math.sqrt(np.linalg.inv(by.T @ by)[2, 2])
        found = []
        for _ in range(30):
            counts = drive.counts.copy()
            counts[moves] += np.round(rng.normal(0.0, noise_m / config.count_m, (np.sum(moves), 1)))
            found.append(_fit(replace(drive, counts=counts), config, before, after).late_s)
        scores.append(np.std(found, ddof=1) / bound_s)
    low, high = np.sqrt(np.array(stats.chi2.interval(0.999, 29 * len(scores))) / 29 / len(scores))
    assert low < math.sqrt(np.mean(np.square(scores))) < high


# -- refusals -----------------------------------------------------------------------------------


def refused(call: Callable[[], object], words: str) -> None:
    """Refused with a reason that names the drive and holds ``words``."""
    with pytest.raises(CalibrationError) as caught:
        call()
    assert words in str(caught.value)
    assert str(caught.value).startswith("made_up.csv: ")


@pytest.mark.parametrize(
    ("poor", "words"),
    [
        ({"stand_s": 8.0}, "too short"),
        ({"turn_deg": 60.0}, "turned by 60 deg"),
        ({"turn_deg": 0.5}, "too short: needs two stands"),
        ({"touched": True}, "moved while standing"),
    ],
)
def test_level_refuses(poor, words):
    """Each poor drive with its own reason."""
    drive, config, _ = made.level_drive(1, **poor)
    refused(lambda: level(drive, config), words)


def test_level_refuses_a_gyro_that_warms_up():
    """An offset that runs away between the stands would be taken for a tilt."""
    drive, config, _ = made.level_drive(1)
    run_away = drive.imu_s[:, None] * np.array([60 * GYRO_DRIFT, 0, 0]) / 10
    warm = replace(drive, gyro_radps=drive.gyro_radps + run_away)
    refused(lambda: level(warm, config), "warm up")


@needs_allantools
def test_noise_refuses():
    """Too short, knocked, frozen."""
    drive, config, _ = made.noise_drive(1, length_s=40.0)
    refused(lambda: noise(drive, config), "too short")
    drive, config, _ = made.noise_drive(1, length_s=70.0)
    accel = drive.accel_mps2.copy()
    accel[5000:5003, 2] += 3.0
    refused(lambda: noise(replace(drive, accel_mps2=accel), config), "moved while standing: 3")
    held = np.repeat(drive.accel_mps2[::4], 4, axis=0)[: len(accel)]
    refused(lambda: noise(replace(drive, accel_mps2=held), config), "repeats its value")


@needs_allantools
def test_noise_tells_a_shaken_sensor():
    """Noise that is not white is said, and the rate as well where the rover file has another."""
    drive, config, _ = made.noise_drive(1, length_s=70.0)
    wave = 0.05 * np.sin(2 * math.pi * 0.3 * drive.imu_s)
    shaken = replace(drive, accel_mps2=drive.accel_mps2 + wave[:, None])
    found = noise(shaken, config.with_changes(imu__rate_hz=100.0))
    assert any("accel's noise is not white" in note for note in found.notes)
    assert found.settings["imu.rate_hz"] == 200.0


def spoiled(drive: Samples, wheel: int, share: float) -> Samples:
    """One wheel counts ``share`` of what it did."""
    counts = drive.counts.copy()
    counts[:, wheel] = np.floor(counts[:, wheel] * share)
    return replace(drive, counts=counts)


@pytest.mark.parametrize(
    ("wheel", "share", "words"),
    [
        (1, 0.0, "fr did not count"),
        (2, -1.0, "rl counts backwards"),
        (3, 1.2, "rr went +20."),
    ],
)
def test_straight_names_the_bad_wheel(wheel, share, words):
    """Dead, backward, slipping: by name."""
    drive, config, _, tape_m = made.straight_drive(1)
    refused(lambda: straight(spoiled(drive, wheel, share), config, tape_m), words)


def test_straight_refuses():
    """Too short, bent, backwards, no stand, no counts."""
    drive, config, _, tape_m = made.straight_drive(1)
    refused(lambda: straight(drive, config, 2.0), "too short")
    refused(lambda: straight(replace(drive, counts=-drive.counts), config, tape_m), "backwards")
    late = drive.imu_s > 4.6
    cut = replace(
        drive,
        imu_s=drive.imu_s[late],
        accel_mps2=drive.accel_mps2[late],
        gyro_radps=drive.gyro_radps[late],
    )
    refused(lambda: straight(cut, config, tape_m), "did not stand before")
    bent, config, _, tape_m = made.straight_drive(1, bend_deg=20.0)
    refused(lambda: straight(bent, config, tape_m), "not straight")
    none = replace(drive, wheel_s=drive.wheel_s[:0], counts=drive.counts[:0])
    refused(lambda: straight(none, config, tape_m), "no wheel counts")


def test_straight_tells_a_worn_tyre():
    """Three per cent: no slip, but worth a look."""
    drive, config, _, tape_m = made.straight_drive(1)
    found = straight(spoiled(drive, 0, 1.03), config, tape_m)
    assert any(note.startswith("fl differs by +") for note in found.notes)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ((1, 0, 2, 3), "fr is on fl"),
        ((0, 1, 3, 2), "rr is on rl"),
        ((2, 1, 0, 3), "rl is on fl"),
        ((3, 1, 2, 0), "rr is on fl"),
    ],
)
def test_circle_names_swapped_encoders(order, words):
    """Which plug sits where, from the circles each wheel went; front and rear as well."""
    drives, config, _ = made.circle_drives(1)
    swapped = [replace(d, counts=d.counts[:, list(order)]) for d in drives]
    refused(lambda: circle(swapped, config, 3.0), words)


@pytest.mark.parametrize("steered", ["front", "rear", "both"])
def test_circle_takes_no_good_rover_for_swapped(steered):
    """Even where track and steering are far from what the rover file says."""
    for seed in range(5):
        drives, config, _ = made.circle_drives(seed, steered=steered)
        circle(drives, config.with_changes(rover__track_m=0.24), 3.0)


@pytest.mark.parametrize("steered", ["front", "rear", "both"])
def test_circle_refuses_steering_of_the_wrong_sign(steered):
    """Without a gyro the rover's turning is told from the command: it would turn the other way."""
    drives, config, _ = made.circle_drives(1, steered=steered)
    wrong = [replace(drive, steer=-drive.steer) for drive in drives]
    refused(lambda: circle(wrong, config, 3.0), "the sign of the steer command is wrong")


def test_circle_refuses():
    """One side only; other turns than said; steering let go; a wheel that slipped."""
    drives, config, _ = made.circle_drives(1)
    refused(lambda: circle(drives[:1], config, 3.0), "no circle to the right")
    refused(lambda: circle(drives, config, 2.0), "turns by the gyro, 2 were said")
    let_go = replace(drives[0], steer=np.linspace(1, 0.5, len(drives[0].steer)))
    refused(lambda: circle([let_go, drives[1]], config, 3.0), "steering not held")
    refused(lambda: circle([spoiled(drives[0], 1, 1.12), drives[1]], config, 3.0), "slipped")


@pytest.mark.parametrize(
    ("poor", "words"),
    [
        ({"starts": 4}, "4 usable starts and stops; needs 5"),
        ({"rise_s": 4.0}, "10 too slow to start or to stop"),
        ({"rest_s": 0.5}, "0 usable starts and stops, 1 too slow"),
        ({"slip": 0.4}, "10 in which wheels and accelerometer disagree: slip"),
        ({"turn_radps": 0.3}, "10 not straight"),
        ({"late_s": 0.3}, "the wheels come 299 ms late, and 250 can be allowed for"),
        ({"late_s": -0.3}, "the IMU samples come 30"),
    ],
)
def test_delay_refuses(poor, words):
    """Each poor drive with its own reason."""
    drive, config, _ = made.delay_drive(1, **poor)
    refused(lambda: delay(drive, config), words)


@pytest.mark.parametrize(("share", "wheel"), [(0.0, 1), (1.15, 2), (-1.0, 3)])
def test_delay_names_the_bad_wheel(share, wheel):
    """Dead, slipping, backward: it would spoil the mean of four."""
    drive, config, _ = made.delay_drive(1)
    name = ("fl", "fr", "rl", "rr")[wheel]
    refused(lambda: delay(spoiled(drive, wheel, share), config), f"10 in which {name} slipped")


def test_delay_refuses_what_is_the_wrong_way_round():
    """An IMU mounted backward; all four encoders backward."""
    drive, config, _ = made.delay_drive(1, late_s=0.02)
    turned = made.mounting(0, 0, 180) @ made.mounting(*config.imu.rotation_deg)
    backward = config.with_changes(imu__rotation_deg=made.angles_deg(turned))
    refused(lambda: delay(drive, backward), "IMU or counts backward")
    counts = replace(drive, counts=-drive.counts)
    refused(lambda: delay(counts, config), "IMU or counts backward")


def test_delay_refuses_wheels_that_are_late_by_turns():
    """A link that stalls: no single number describes it."""
    drive, config, _ = made.delay_drive(1, late_s=0.0)
    half = drive.wheel_s[-1] / 2
    late = drive.wheel_s + np.where(drive.wheel_s > half, 0.1, 0.0)
    refused(lambda: delay(replace(drive, wheel_s=late), config), "starts and stops disagree: from ")


def test_delay_says_how_much_starts_and_stops_disagree():
    """The second half 20 ms later than the first: a mean of ten that scatter by 10.5 ms, Student's
    t for 9 degrees of freedom (2.26), and the creep of the tyres."""
    drive, config, _ = made.delay_drive(1, late_s=0.0)
    half = drive.wheel_s[-1] / 2
    late = replace(drive, wheel_s=drive.wheel_s + np.where(drive.wheel_s > half, 0.02, 0.0))
    expected = 2.26 / 2 * 0.0105 / math.sqrt(10)
    assert expected < delay(late, config).value("wheels_later_than_imu").sd < 1.3 * expected


def test_delay_uses_every_start_of_one_channel_encoders():
    """Ahead and back by turns: the accelerometer says which way."""
    drive, config, _ = made.delay_drive(2, direction="unsigned")
    assert "over 10 starts and stops" in delay(drive, config).method


def test_delay_refuses_a_rover_that_did_not_stand():
    """Its gyro is at another offset in each rest; and an IMU too slow to tell."""
    drive, config, _ = made.delay_drive(1)
    ramp = drive.imu_s[:, None] * np.array([0.0, 0.02, 0.0])
    tipping = replace(drive, gyro_radps=drive.gyro_radps + ramp)
    refused(lambda: delay(tipping, config), "10 without standstill")
    slow = replace(
        drive,
        imu_s=drive.imu_s[::40],
        accel_mps2=drive.accel_mps2[::40],
        gyro_radps=drive.gyro_radps[::40],
    )
    refused(lambda: delay(slow, config), "with too few IMU samples")


def test_delay_tells_a_wrong_radius():
    """It does no harm here, as it is a scale; worth a word."""
    drive, config, _ = made.delay_drive(1, late_s=0.02)
    found = delay(drive, config.with_changes(rover__wheel_radius_m=0.085))
    assert any("% more than by the accelerometer" in note for note in found.notes)
    assert found.value("wheels_later_than_imu").value == pytest.approx(0.02, abs=0.005)


def test_delay_needs_counts():
    """Wheels that report speeds; a rover file that says so of a drive with counts."""
    drive, _, _ = made.delay_drive(1)
    none = replace(drive, wheel_s=drive.wheel_s[:0], counts=drive.counts[:0])
    refused(lambda: delay(none, synthetic.rover(kind="speed")), "no wheel counts")
    refused(lambda: delay(drive, synthetic.rover(kind="speed")), "no encoders.counts_per_rev")


@pytest.mark.parametrize("late_s", [0.0, 0.005, 0.25])
@pytest.mark.parametrize("counts_per_rev", [96, 24])
def test_delay_over_the_range_of_the_setting(late_s, counts_per_rev):
    """At both ends: 5 ms either way is what a 10 ms period of the wheels leaves open anyway."""
    drive, config, _ = made.delay_drive(3, late_s=late_s, counts_per_rev=counts_per_rev)
    found = delay(drive, config)
    assert found.settings["encoders.delay_s"] == pytest.approx(late_s, abs=0.005)


def test_delay_builds_on_the_delay_of_the_imu():
    """Only the difference is measured. What the IMU is known to be late by stays and is added; an
    IMU that turns out to be the later one gets it, and the wheels get 0."""
    drive, config, _ = made.delay_drive(1, late_s=0.02)
    known = config.with_changes(imu__delay_s=0.01)
    found = delay(drive, known)
    late = found.value("wheels_later_than_imu").value
    assert found.settings == {"encoders.delay_s": round(0.01 + late, 4), "encoders.delay_sd_s": 0.0}
    drive, config, _ = made.delay_drive(1, late_s=-0.04)
    found = delay(drive, config.with_changes(encoders__delay_s=0.01))
    assert found.settings["encoders.delay_s"] == 0.0
    assert found.settings["imu.delay_s"] == pytest.approx(0.04, abs=0.005)
    assert any("the IMU is the later one, by " in note for note in found.notes)
    drive, config, _ = made.delay_drive(12, late_s=0.0)
    found = delay(drive, config)
    assert found.value("wheels_later_than_imu").value < 0.0
    assert "imu.delay_s" not in found.settings  # within what is left open
    assert found.settings["encoders.delay_s"] == 0.0


def test_delay_leaves_out_a_start_that_slipped_and_says_so():
    """One wheel spun once: nine are left."""
    drive, config, _ = made.delay_drive(1, late_s=0.06)
    counts = drive.counts.copy()
    counts[drive.wheel_s > 5.0, 2] += 40
    found = delay(replace(drive, counts=counts), config)
    assert "over 9 starts and stops" in found.method
    assert any("left out: 1 in which rl slipped" in note for note in found.notes)
    assert found.value("wheels_later_than_imu").value == pytest.approx(0.06, abs=0.005)


def test_delay_takes_gravity_off_by_the_gyro():
    """Ground that waves by 2 degrees changes nothing; without the pitch gyro it is no ground to
    measure on."""
    flat, config, _ = made.delay_drive(11, uneven_deg=0.0)
    uneven, _, _ = made.delay_drive(11, uneven_deg=2.0)
    one, other = (delay(d, config).value("wheels_later_than_imu") for d in (flat, uneven))
    assert one.value == pytest.approx(other.value, abs=0.0005)
    assert one.sd == pytest.approx(other.sd, rel=0.05)
    deaf = replace(uneven, gyro_radps=uneven.gyro_radps * [1.0, 0.0, 1.0])
    refused(lambda: delay(deaf, config), "in which wheels and accelerometer disagree")


def found_in(drive: Samples, config: Config) -> set[str]:
    """Kinds of findings, of a rover that drives ahead."""
    counts = dict(zip(drive.wheel_s.tolist(), drive.counts.tolist(), strict=True))
    guard, kinds = Guard(config, engine=synthetic.QUICK), set()
    samples = (drive.imu_s, drive.accel_mps2, drive.gyro_radps)
    for t_s, accel, gyro in zip(*(x.tolist() for x in samples), strict=True):
        reading = Reading(
            t_s=t_s,
            counts=counts.get(t_s),
            accel_mps2=accel,
            gyro_radps=gyro,
            throttle=0.2,
            steer=0.0,
            motor_enabled=True,
            command_age_s=0.0,
        )
        kinds |= {finding.kind for finding in guard.step(reading).findings}
    return kinds


@pytest.mark.parametrize("counts_per_rev", [96, 24])
@pytest.mark.parametrize("late_s", [0.06, 0.1])
def test_a_calibrated_delay_ends_false_findings(tmp_path, counts_per_rev, late_s):
    """Starts and stops on ground that grips, wheel data late and nothing learnt on the way: locks
    or slides out of the blue, until the rover file has what ``apply`` makes of the calibration. The
    drive that is judged is another one than that which was calibrated from."""
    like = {"late_s": late_s, "counts_per_rev": counts_per_rev}
    drive, config, _ = made.delay_drive(2, **like)
    rover, patch, new = (tmp_path / name for name in ("rover.yaml", "delay.yaml", "new.yaml"))
    rover.write_text(ROVER.replace("counts_per_rev: 96", f"counts_per_rev: {counts_per_rev}"))
    patch.write_text(patch_text(delay(drive, config), "2026-01-02"))
    new.write_text(merged(rover, [patch]))
    other, told, _ = made.delay_drive(52, **like)
    known = Config.load(new).encoders
    assert known.delay_s == pytest.approx(late_s, abs=0.005)
    assert known.delay_sd_s == 0.0
    told = told.with_changes(encoders__delay_sd_s=0.0)
    assert {"wheel_lock", "sliding"} & found_in(other, told)
    told = told.with_changes(encoders__delay_s=known.delay_s)
    assert not found_in(other, told)


def test_deadband_is_where_the_motor_starts_not_where_it_is_first_counted():
    """Even friction: the first count comes at 0.005 to 0.01 of the stick later. What is left is the
    motor's lag, taken for 0.03 s of a sweep of 0.02 a second, and the encoder's phase."""
    for seed in range(5):
        drive, config, truth = made.deadband_drive(seed, friction_sd=0.0)
        found = deadband(drive, config)
        for name, true in truth.items():
            assert found.value(name).value == pytest.approx(true, abs=0.0012)


def test_deadband_refuses():
    """Too few, too fast, wheels that turn at neutral."""
    drive, config, _ = made.deadband_drive(1, sweeps=2)
    refused(lambda: deadband(drive, config), "2 usable sweeps forward, needs 4")
    drive, config, _ = made.deadband_drive(1, per_s=0.2)
    refused(lambda: deadband(drive, config), "0 usable sweeps forward")
    still = replace(drive, throttle=0 * drive.throttle)
    refused(lambda: deadband(still, config), "no throttle command")
    none = replace(drive, **{name: np.zeros(0) for name in ("command_s", "throttle", "steer")})
    refused(lambda: deadband(none, config), "no throttle command")


@pytest.mark.parametrize(
    ("taps", "words"), [(True, "double_tap true"), (False, "double_tap false")]
)
def test_the_way_of_reversing(taps, words):
    """What the esc-throttle plugin must know."""
    drive, config, _ = made.deadband_drive(1, double_tap=taps)
    assert words in deadband(drive, config).notes[0]


@pytest.mark.parametrize(
    "step",
    [level, straight, circle, deadband, delay, pytest.param(noise, marks=needs_allantools)],
)
@given(seed=st.integers(0, 10**6), cut=st.tuples(st.floats(0, 1), st.floats(0, 1)), data=st.data())
@hyp(max_examples=20)
def test_whatever_was_recorded_is_answered(step, seed, cut, data):
    """Parts of any drive, with channels gone, reversed or wild, given to any step: values that are
    numbers, or a refusal; never a crash."""
    makers = (
        made.level_drive,
        made.straight_drive,
        made.deadband_drive,
        made.circle_drives,
        made.delay_drive,
    )
    drive = data.draw(st.sampled_from(makers))(seed % 50)[0]
    drive = drive if isinstance(drive, Samples) else drive[0]
    low, high = sorted(cut)
    end = drive.imu_s[-1]
    imu, wheel = ((t >= low * end) & (t <= high * end) for t in (drive.imu_s, drive.wheel_s))
    drive = replace(
        drive,
        imu_s=drive.imu_s[imu],
        accel_mps2=drive.accel_mps2[imu] * data.draw(st.sampled_from([1, 0, -1, 1e6])),
        gyro_radps=drive.gyro_radps[imu] * data.draw(st.sampled_from([1, 0, -1, 1e3])),
        wheel_s=drive.wheel_s[wheel],
        counts=drive.counts[wheel] * data.draw(st.sampled_from([1, 0, -1, 50])),
        throttle=drive.throttle * data.draw(st.sampled_from([1, -1, 0])),
    )
    config = synthetic.rover()
    call = {
        level: lambda: level(drive, config),
        noise: lambda: noise(drive, config),
        straight: lambda: straight(drive, config, 10.0),
        circle: lambda: circle([drive, drive], config, 3.0),
        deadband: lambda: deadband(drive, config),
        delay: lambda: delay(drive, config),
    }[step]
    try:
        found = call()
    except CalibrationError:
        return
    assert all(math.isfinite(v.value) and v.sd > 0 for v in found.values)


def test_a_counter_that_wraps_is_named():
    """Not taken for a wheel that slipped."""
    drive, config, _, tape_m = made.straight_drive(1)
    wrapped = replace(drive, counts=(drive.counts + 64000) % 65536)
    refused(lambda: straight(wrapped, config, tape_m), "counts jump by")


# -- far from the rover file --------------------------------------------------------------------


def test_straight_refuses_a_radius_far_from_the_rover_files():
    """A tape read as 49.3 m for 5.1 m, or counts of another decoding: once ten times the radius,
    written down without a word. Both numbers and what to look at are told."""
    drive, config, truth, tape_m = made.straight_drive(1)
    for length_m, per_rev in ((10.0 * tape_m, 96), (tape_m, 384), (1.3 * tape_m, 96)):
        other = config.with_changes(encoders__counts_per_rev=per_rev)
        with pytest.raises(
            CalibrationError, match=r"comes out as [\d.]+ m, and the rover"
        ) as caught:
            straight(drive, other, length_m)
        assert "file says 0.075" in str(caught.value)
        assert "encoders.counts_per_rev" in str(caught.value)
        made_of = float(str(caught.value).partition("the counts make ")[2].split()[0])
        assert made_of == pytest.approx(
            tape_m * 0.075 / truth["wheel_radius"] * 96 / per_rev, rel=0.01
        )
    straight(drive, config, 1.1 * tape_m)


@pytest.mark.parametrize("steered", ["front", "rear", "both", "skid"])
def test_circle_refuses_what_is_far_from_the_rover_file(steered):
    """Counts of another decoding make a track a quarter as wide; that of skid steering may well be
    much wider than measured by a tape."""
    drives, config, _ = made.circle_drives(1, steered=steered)
    few = config.with_changes(encoders__counts_per_rev=384)
    refused(lambda: circle(drives, few, 3.0), "rover.track_m comes out as 0")
    narrow = config.with_changes(rover__track_m=0.15)
    if steered == "skid":
        circle(drives, narrow, 3.0)
    else:
        refused(lambda: circle(drives, narrow, 3.0), "and the rover file says 0.15")
        less = config.with_changes(rover__max_steer_deg=12.0)
        refused(lambda: circle(drives, less, 3.0), "rover.max_steer_deg comes out as 2")


def in_units(drive: Samples, *, accel: float = 1.0, gyro: float = 1.0) -> Samples:
    """The same drive, its IMU in other units."""
    return replace(drive, accel_mps2=drive.accel_mps2 * accel, gyro_radps=drive.gyro_radps * gyro)


def test_level_refuses_other_units():
    """An accelerometer in g would get a bias of 8.8 m/s2 along z, and a gyro in degrees a second
    one in degrees."""
    drive, config, _ = made.level_drive(1)
    refused(lambda: level(in_units(drive, accel=1 / 9.81), config), "(1 is g, 1000 is mg)")
    refused(lambda: level(in_units(drive, gyro=180 / math.pi), config), "it must be in rad/s")


@needs_allantools
def test_noise_refuses_other_units():
    """Noise in g or in degrees a second would be taken for a sensor that is so quiet, or so bad."""
    drive, config, _ = made.noise_drive(1, length_s=70.0)
    refused(lambda: noise(in_units(drive, accel=1 / 9.81), config), "(1 is g, 1000 is mg)")
    degrees = in_units(drive, gyro=180 / math.pi)
    refused(lambda: noise(degrees, config), "imu.gyro_noise_radps comes out as 0.")
    told = config.with_changes(imu__accel_noise_mps2=4.0)
    refused(lambda: noise(drive, told), "and the rover file says 4: too far apart")


def test_delay_names_units_and_counts():
    """Neither slip nor a sensor the wrong way round: counts of another decoding, either way, and an
    accelerometer in g."""
    drive, config, _ = made.delay_drive(1)
    for per_rev in (24, 384):
        other = config.with_changes(encoders__counts_per_rev=per_rev)
        refused(lambda told=other: delay(drive, told), "accelerometer: encoders.counts_per_rev")
    refused(lambda: delay(in_units(drive, accel=1 / 9.81), config), "(1 is g, 1000 is mg)")


def test_circle_names_a_gyro_in_degrees():
    """It says 172 turns where three were driven."""
    drives, config, _ = made.circle_drives(1)
    degrees = [in_units(d, gyro=180 / math.pi) for d in drives]
    refused(lambda: circle(degrees, config, 3.0), "it must be in rad/s")


# -- patches ------------------------------------------------------------------------------------

ROVER = """\
# my rover
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.07, max_steer_deg: 25,
  steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004, rotation_deg: [0, 0, 3]}
plugins: {servo-brake: {pins: [1, 2]}}
"""


def test_a_patch_is_laid_over_a_rover_file(tmp_path):
    """What was measured wins, the rest stays, its origin is kept; and the guard takes it."""
    rover, one, two = (tmp_path / name for name in ("rover.yaml", "level.yaml", "straight.yaml"))
    rover.write_text(ROVER)
    drive, config, truth = made.level_drive(1)
    one.write_text(patch_text(level(drive, config), "2026-01-02"))
    mounted = Config.load(rover, one).imu.rotation_deg
    drive, config, _, tape_m = made.straight_drive(1)
    config = config.with_changes(imu__rotation_deg=mounted)
    two.write_text(patch_text(straight(drive, config, tape_m), "2026-01-03"))
    both = Config.load(rover, one, two)
    assert both.imu.accel_bias_mps2[0] == pytest.approx(truth["accel_bias_x"], abs=0.03)
    assert both.imu.accel_bias_sd_mps2 < 0.3
    assert both.rover.wheel_radius_m != 0.07
    assert both.rover.track_m == 0.30
    new = tmp_path / "new.yaml"
    new.write_text(merged(rover, [one, two]))
    again = Config.load(new)
    assert (again.rover, again.imu) == (both.rover, both.imu)
    assert again.plugins["servo-brake"]["pins"] == [1, 2]
    Guard(again)
    kept = yaml.safe_load(new.read_text())["calibration"]
    assert kept["level"]["date"] == "2026-01-02"
    assert kept["straight"]["drives"] == [{"name": "made_up.csv", "sha256": "0" * 64}]
    assert kept["straight"]["values"]["wheel_radius"]["sd"] > 0


@pytest.mark.parametrize(
    ("patch", "message"),
    [
        ("imu: {accel_bias: 3}\n", "imu.accel_bias: unknown key"),
        ("imu:\n  accel_bias_mps2: 3\n", ":2: imu.accel_bias_mps2: found 3"),
        ("plugins: {a: 1}\n", "plugins: unknown key"),
        ("rover: 3\n", "expected a section"),
    ],
)
def test_a_wrong_patch_is_named_with_its_line(tmp_path, patch, message):
    """An error in a patch names the patch, not the rover file."""
    (tmp_path / "rover.yaml").write_text(ROVER)
    (tmp_path / "patch.yaml").write_text(patch)
    with pytest.raises(ConfigError) as caught:
        Config.load(tmp_path / "rover.yaml", tmp_path / "patch.yaml")
    assert "patch.yaml" in str(caught.value)
    assert message in str(caught.value)


def _patch(path: Path, step: str, rotation_deg: list[float]) -> Path:
    text = f"calibration: {{{step}: {{}}}}\nimu: {{rotation_deg: {rotation_deg}}}\n"
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        (("level", [3, -2, 0]), ("straight", [0, 0, 1]), "another roll than level.yaml measured"),
        (("level", [0, -2, 0]), ("straight", [0, 0, 1]), "another pitch than level.yaml measured"),
        (("straight", [0, 0, 1]), ("level", [3, -2, 0]), "another yaw than straight.yaml measured"),
    ],
)
def test_no_step_undoes_the_mounting_another_measured(tmp_path, first, second, message):
    """Straight without --after level holds roll and pitch as they were guessed: laid over level's
    they would tilt the rover again, by half a metre a second squared for three degrees."""
    rover = tmp_path / "rover.yaml"
    rover.write_text(ROVER)
    patches = [_patch(tmp_path / f"{step}.yaml", step, angles) for step, angles in (first, second)]
    with pytest.raises(ConfigError) as caught:
        merged(rover, patches)
    assert f"{second[0]}.yaml:2: imu.rotation_deg: {message}" in str(caught.value)
    assert f"--after {first[0]}.yaml" in str(caught.value)
    _patch(patches[0], first[0], [3, -2, 0] if first[0] == "level" else [0, 0, 1])
    _patch(patches[1], second[0], [3, -2, 1])  # with --after it keeps what was measured before
    assert yaml.safe_load(merged(rover, patches))["imu"]["rotation_deg"] == [3, -2, 1]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (ROVER, "patch.yaml:2: no section calibration: expected a file that 'slipguard calibrate"),
        ("", "patch.yaml:1: no section calibration"),
        ("calibration:\nrover: {track_m: 0.3}\n", "patch.yaml:1: no section calibration"),
        (
            ROVER + "calibration: {straight: {date: 2026-01-02}}\n",
            "patch.yaml:2: rover.mass_kg: not written by straight",
        ),
        (
            "calibration: {level: {}}\nimu: {accel_noise_mps2: 0.1}\n",
            "patch.yaml:2: imu.accel_noise_mps2: not written by level: expected",
        ),
        ("calibration: {levels: {}}\n", "calibration.levels: unknown key; did you mean 'level'?"),
        ("calibration: {level: {}}\nimu:\n", "patch.yaml:2: imu: not written by level"),
    ],
)
def test_only_what_a_step_wrote_is_laid_over_a_rover_file(tmp_path, text, message):
    """A rover file given in place of a patch, by a slip of the hand, would win in every setting."""
    rover, patch = tmp_path / "rover.yaml", tmp_path / "patch.yaml"
    rover.write_text(ROVER)
    patch.write_text(text)
    with pytest.raises(ConfigError) as caught:
        merged(rover, [patch])
    assert message in str(caught.value)


@pytest.mark.parametrize(
    "step", [pytest.param(s, marks=needs_allantools) if s == "noise" else s for s in STEPS]
)
def test_what_a_step_writes_may_be_applied(step, tmp_path):
    """No step writes a setting that ``apply`` takes for another's."""
    rover, patch = tmp_path / "rover.yaml", tmp_path / "patch.yaml"
    rover.write_text(ROVER)
    for seed in (1, 5):  # with a delay of the IMU's, too
        found, _ = STEPS[step](seed)
        patch.write_text(patch_text(found, "2026-01-02"))
        new = yaml.safe_load(merged(rover, [patch]))
        for name, value in found.settings.items():
            section, _, key = name.partition(".")
            assert new[section][key] == value


def test_biases_warm_start_the_guard():
    """A guard that was told the biases knows grade and speed at once."""
    drive = synthetic.drive(
        synthetic.rover(), [(0, 0), (2, 0)], accel_bias_mps2=0.3, gyro_bias_radps=0.02
    )
    told = synthetic.rover().with_changes(
        imu__accel_bias_mps2=[0.3, 0, 0],
        imu__gyro_bias_radps=[0.02, 0.02, 0.02],
        imu__accel_bias_sd_mps2=0.05,
        imu__gyro_bias_sd_radps=0.003,
    )
    blank, warm = (synthetic.run(c, drive.readings)[-1].estimate for c in (synthetic.rover(), told))
    assert abs(math.tan(blank.grade_rad)) == pytest.approx(0.0306, abs=0.005)
    assert abs(math.tan(warm.grade_rad)) < 0.005
    assert warm.grade_sd_rad < 0.25 * blank.grade_sd_rad


# -- command ------------------------------------------------------------------------------------


@pytest.fixture
def recorded(tmp_path):
    """A recorded straight line with the rover file beside it."""
    drive, _, _, tape_m = made.straight_drive(1)
    (tmp_path / "rover.yaml").write_text(ROVER.replace("rotation_deg: [0, 0, 3]", "rate_hz: 200"))
    columns = ["fl", "fr", "rl", "rr"]
    header = ["t_s", *(f"{c}_count" for c in columns)]
    header += [
        "ax_mps2",
        "ay_mps2",
        "az_mps2",
        "gx_radps",
        "gy_radps",
        "gz_radps",
        "throttle",
        "steer",
    ]
    rows = [",".join(header)]
    for i, t in enumerate(drive.imu_s):
        counts = [str(int(c)) for c in drive.counts[i // 2]] if i % 2 == 0 else [""] * 4
        imu = [f"{v:.5f}" for v in (*drive.accel_mps2[i], *drive.gyro_radps[i])]
        rows.append(",".join([f"{t:.3f}", *counts, *imu, "0.2", "0"]))
    path = tmp_path / "line.csv"
    path.write_text("\n".join(rows) + "\n")
    return path, tape_m


def test_command_writes_a_patch_and_applies_it(recorded, capsys):
    """From a recording on disk to a new rover file, never over another."""
    path, tape_m = recorded
    patch, new = path.with_name("patch.yaml"), path.with_name("new.yaml")
    arguments = ["calibrate", "straight", str(path), "--length", f"{tape_m:.4f}"]
    assert main([*arguments, "--out", str(patch), "--date", "2026-05-06"]) == 0
    text = capsys.readouterr().out
    assert "wheel_radius" in text
    # Old beside new: a tape read wrong by a tenth is far from nothing but the rover file.
    assert re.search(r"rover\.wheel_radius_m +0\.07 +0\.07\d+", text)
    assert max(len(x) for x in text.splitlines() if not x.startswith("wrote")) <= 100
    written = yaml.safe_load(patch.read_text())["calibration"]["straight"]
    assert written["date"] == "2026-05-06"
    assert written["drives"][0]["name"] == "line.csv"
    assert len(written["drives"][0]["sha256"]) == 64
    before = patch.read_bytes()
    assert main([*arguments, "--out", str(patch)]) == 2
    assert patch.read_bytes() == before
    rover = str(path.with_name("rover.yaml"))
    assert main(["calibrate", "apply", rover, str(patch), "--out", str(new)]) == 0
    assert Config.load(new).rover.wheel_radius_m != 0.07
    assert main(["calibrate", "apply", rover, str(patch), "--out", rover]) == 2


def test_steps_build_on_each_other(recorded):
    """Roll and pitch of an earlier step are kept when this one adds the yaw."""
    path, tape_m = recorded
    level_patch, patch = path.with_name("level.yaml"), path.with_name("patch.yaml")
    level_patch.write_text("imu: {rotation_deg: [1.5, -2.5, 0]}\n")
    arguments = ["calibrate", "straight", str(path), "--length", f"{tape_m:.4f}"]
    assert main([*arguments, "--after", str(level_patch), "--out", str(patch)]) == 0
    assert yaml.safe_load(patch.read_text())["imu"]["rotation_deg"][:2] == [1.5, -2.5]


def skid_drive(name: str, seconds: float | None = None) -> tuple[Samples, Config]:
    """A drive of the example, of a rover with skid steering, and its rover file."""
    text = ROVER.replace("max_steer_deg: 25,", "").replace("steered: front", "steered: skid")
    config = Config.parse(text.replace("rotation_deg: [0, 0, 3]", "rate_hz: 200"))
    scenario = runpy.run_path(str(HOME / "examples" / "calibration_drives.py"))[name](1, config)
    if seconds is not None:
        scenario = replace(scenario, duration_s=seconds)
    return Samples.of(simulate.run(scenario, config, seed=1).readings, made.SOURCE), config


def test_the_example_drives_a_skid_steered_rover_round():
    """It stands while it should, and then drives a curve; once it divided by its steer angle, and
    turned on the spot from the first moment."""
    drive, config = skid_drive("left", 9.0)
    standing = drive.wheel_s < 4.8
    assert np.ptp(drive.counts[standing], axis=0).max() <= 1
    went = (drive.counts[-1] - drive.counts[0]) * config.count_m
    assert min(went) > 0.2, "both sides ahead"
    assert np.mean(went[[1, 3]]) > 1.3 * np.mean(went[[0, 2]]), "to the left"


@pytest.mark.large
def test_the_example_calibrates_a_skid_steered_rover():
    """level and circle take what the example drives: two stands with half a turn between them, and
    circles of which the effective track is wider than the rover."""
    stands, config = skid_drive("stands")
    found = level(stands, config)
    assert abs(found.value("mount_roll").value) < 0.3
    circles = [skid_drive(name)[0] for name in ("left", "right")]
    track = circle(circles, config, 1.0)
    assert set(track.settings) == {"rover.track_m"}
    assert 1.2 < track.value("track").value / config.rover.track_m < 4.0
    assert track.value("yaw_gyro_scale").value == pytest.approx(1.0, abs=0.02)


@pytest.mark.large
def test_the_example_finds_the_radius_of_another_rover(tmp_path, capsys):
    """Simulated with one wheel radius, calibrated with a rover file that has another: the first is
    found, from the command line alone."""
    true, told, drive = (tmp_path / name for name in ("true.yaml", "told.yaml", "line.csv"))
    told.write_text(ROVER.replace("rotation_deg: [0, 0, 3]", "rate_hz: 200"))
    true.write_text(told.read_text().replace("wheel_radius_m: 0.07,", "wheel_radius_m: 0.078,"))
    example = str(HOME / "examples" / "calibration_drives.py")
    simulated = ["simulate", f"{example}:line", "--rover", str(true), "--out", str(drive)]
    assert main([*simulated, "--no-guard", "--seed", "1003"]) == 0
    with drive.open() as file:
        length_m = float(list(csv.DictReader(file))[-1]["true_x_m"])
    patch = tmp_path / "patch.yaml"
    arguments = ["--length", str(length_m), "--rover", str(told), "--out", str(patch)]
    assert main(["calibrate", "straight", str(drive), *arguments]) == 0
    found = Config.load(told, patch).rover.wheel_radius_m
    assert found == pytest.approx(0.078, abs=0.0003)


@pytest.mark.large
def test_the_example_finds_how_late_another_rovers_wheels_are(tmp_path, capsys):
    """The example's starts, simulated with wheel data 60 ms late and calibrated with a rover file
    that does not say so; another drive of that rover shows nothing that never was once the patch is
    applied. From the command line alone."""
    true, told, new, starts, line, patch = (
        tmp_path / name
        for name in ("true.yaml", "told.yaml", "new.yaml", "starts.csv", "line.csv", "delay.yaml")
    )
    told.write_text(ROVER.replace("rotation_deg: [0, 0, 3]", "rate_hz: 200"))
    true.write_text(told.read_text().replace("quadrature}", "quadrature, delay_s: 0.06}"))
    example = str(HOME / "examples" / "calibration_drives.py")
    for drive in (starts, line):
        simulated = ["simulate", f"{example}:{drive.stem}", "--rover", str(true)]
        assert main([*simulated, "--no-guard", "--seed", "1003", "--out", str(drive)]) == 0
    calibrate = ["calibrate", "delay", str(starts), "--rover", str(told), "--out", str(patch)]
    assert main(calibrate) == 0
    assert main(["calibrate", "apply", str(told), str(patch), "--out", str(new)]) == 0
    assert Config.load(new).encoders.delay_s == pytest.approx(0.06, abs=0.005)
    capsys.readouterr()
    assert main(["replay", str(line), "--rover", str(new)]) == 0
    assert "No findings." in capsys.readouterr().out


def test_command_refuses_a_poor_drive(recorded, capsys):
    """Exit code 4 and one line that says why."""
    path, _ = recorded
    assert main(["calibrate", "level", str(path)]) == 4
    assert "line.csv: too short: needs two stands" in capsys.readouterr().err


def test_every_step_says_what_to_drive(capsys):
    """The same words in the guide and in the help of each step."""
    assert main(["calibrate", "guide"]) == 0
    text = capsys.readouterr().out
    for name, words in GUIDE.items():
        assert words in text
        assert main(["calibrate", name, "--help"]) == 0
        shown = " ".join(capsys.readouterr().out.split())
        assert " ".join(words.split()) in shown
        assert "Kill switch at hand" in shown
