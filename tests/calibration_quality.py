"""How true calibrations are on drives of the physics engine.

``python tests/calibration_quality.py [STEP ...]``. Each seed draws a rover whose settings the
calibration does not know, drives what the guide says, and compares what was found with the truth.
For each parameter: how often the truth lay within two standard deviations, the band that 95 %
leaves (binomial, 99 %), and the root mean square of error over standard deviation, which is 1 where
sigma is neither too small nor inflated. On one core a seed takes 40 s.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import calibration_plant as plant
import numpy as np
import synthetic
from scipy import stats

from slipguard.calibrate import Calibration, circle, deadband, delay, level, noise, straight
from slipguard.calibrate.circle import HEADING_SD_DEG, RADIUS_SD_M
from slipguard.errors import CalibrationError

Scores = dict[str, float]


def scores(found: Calibration, truth: dict[str, float]) -> Scores:
    """(value - truth) / sd of each parameter."""
    values = {name: found.value(name) for name in truth}
    return {name: (v.value - truth[name]) / v.sd for name, v in values.items()}


def of_level(seed: int) -> Scores:
    """Tilt of the sensor, and the biases of its accelerometer while it stood."""
    roll, pitch, yaw = np.random.default_rng([seed, 1]).uniform(-6.0, 6.0, 3).tolist()
    run = plant.level(synthetic.rover().with_changes(imu__rotation_deg=[roll, pitch, yaw]), seed)
    told = synthetic.rover().with_changes(imu__rotation_deg=[0.0, 0.0, yaw])
    truth = plant.standing_bias(run) | {"mount_roll": roll, "mount_pitch": pitch}
    return scores(level(run.samples, told, gravity_mps2=9.81), truth)


def of_noise(seed: int) -> Scores:
    """Noise of accelerometer and gyro, of a minute's standing on springs."""
    rng = np.random.default_rng([seed, 2])
    accel, gyro = rng.uniform(0.03, 0.2), rng.uniform(0.001, 0.01)
    true = synthetic.rover().with_changes(imu__accel_noise_mps2=accel, imu__gyro_noise_radps=gyro)
    run = plant.drive(true, seed, 63.0, lambda t, truth: (0.0, 0.0))
    return scores(noise(run.samples, synthetic.rover()), {"accel_noise": accel, "gyro_noise": gyro})


def of_straight(seed: int) -> Scores:
    """Radius of the tyres and yaw of the mounting; the tape is read to 5 mm."""
    rng = np.random.default_rng([seed, 3])
    radius, yaw = 0.075 * rng.uniform(0.95, 1.05), rng.uniform(-6.0, 6.0)
    true = synthetic.rover().with_changes(
        rover__wheel_radius_m=radius, imu__rotation_deg=[0.0, 0.0, yaw]
    )
    run = plant.straight(true, seed)
    tape_m = run.truth[-1].x_m - run.truth[0].x_m + rng.normal(0.0, 0.005)
    found = straight(run.samples, synthetic.rover(), tape_m)
    return scores(found, {"wheel_radius": radius, "mount_yaw": yaw})


def of_delay(seed: int) -> Scores:
    """How late the wheels are, at 96 and 24 counts; in some the IMU is the later one."""
    rng = np.random.default_rng([seed, 6])
    late, speed = rng.uniform(-0.03, 0.1), rng.uniform(0.6, 1.0)
    told = synthetic.rover(counts_per_rev=96 if seed % 2 else 24)
    true = told.with_changes(
        encoders__delay_s=max(0.0, late),
        imu__delay_s=max(0.0, -late),
        rover__wheel_radius_m=0.075 * rng.uniform(0.97, 1.03),
    )
    run = plant.delay(true, seed, speed_mps=speed)
    return scores(delay(run.samples, told), {"wheels_later_than_imu": late})


def of_circle(seed: int) -> Scores:
    """Track, full steer and scale of the yaw gyro, of two turns each way.

    The nose comes back as well, and the radius is known as well, as the calibration is told.
    """
    rng = np.random.default_rng([seed, 4])
    track, full = 0.30 * rng.uniform(0.9, 1.1), 25.0 * rng.uniform(0.9, 1.1)
    true = synthetic.rover().with_changes(
        rover__track_m=track,
        rover__max_steer_deg=full,
        rover__wheel_radius_m=0.075 + rng.normal(0.0, RADIUS_SD_M),
    )
    off_rad = np.radians(rng.normal(0.0, HEADING_SD_DEG, 2)).tolist()
    drives = [
        plant.circle(true, seed, way, 2.0, off).samples
        for way, off in zip((1.0, -1.0), off_rad, strict=True)
    ]
    truth = {"track": track, "full_steer": full, "yaw_gyro_scale": 1.0}
    return scores(circle(drives, synthetic.rover(), 2.0), truth)


def of_deadband(seed: int) -> Scores:
    """Dead band of throttle, forward and reverse."""
    edge = float(np.random.default_rng([seed, 5]).uniform(0.03, 0.08))
    config = synthetic.rover()
    start = plant.turns_from(config, edge)
    found = deadband(plant.deadband(config, seed, edge, 5).samples, config)
    return scores(found, {"dead_band_forward": start, "dead_band_reverse": start})


STEPS: dict[str, Callable[[int], Scores]] = {
    "level": of_level,
    "straight": of_straight,
    "delay": of_delay,
    "circle": of_circle,
    "noise": of_noise,
    "deadband": of_deadband,
}


def scored(step: str, seed: int) -> Scores:
    """What a step comes to with a seed; nothing where it refuses the drive."""
    try:
        return STEPS[step](seed)
    except CalibrationError as err:
        print(f"{step} {seed}: refused: {err}", flush=True)
        return {}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("steps", nargs="*", default=list(STEPS), metavar="STEP")
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=1000)
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.seeds)
    fewest, most = stats.binom.interval(0.99, len(seeds), 0.95)
    with ProcessPoolExecutor() as pool:
        for step in asked.steps:
            found: dict[str, list[float]] = {}
            for one in pool.map(partial(scored, step), seeds):
                for name, z in one.items():
                    found.setdefault(name, []).append(z)
            for name, z in found.items():
                inside = sum(abs(v) <= 2.0 for v in z)
                rms = math.sqrt(sum(v * v for v in z) / len(z))
                print(
                    f"{step:9s} {name:18s} {inside:3d} of {len(z)} within two sigma "
                    f"(band {fewest:.0f} to {most:.0f}), rms {rms:.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
