"""Drives to calibrate from, with a hidden truth: sensors of a rover whose motion is written down.

Needs numpy alone. Each function draws the truth from its seed and returns the drive, what the rover
file says, and the truth by the names of the values that the step reports.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import synthetic
from synthetic import DT_S, G_MPS2, Array

from slipguard import Config
from slipguard.calibrate import Samples
from slipguard.calibrate.samples import TRIM_S, Source

SOURCE = Source("made_up.csv", "0" * 64)
ACCEL_SD, GYRO_SD = 0.08, 0.004
ACCEL_DRIFT, GYRO_DRIFT = 0.002, 1e-4
Truth = dict[str, float]


def mounting(roll_deg: float, pitch_deg: float, yaw_deg: float) -> Array:
    """Sensor to body, yaw then pitch then roll about the sensor's own axes (Euler zyx)."""
    (cr, cp, cy), (sr, sp, sy) = (
        f(np.radians([roll_deg, pitch_deg, yaw_deg])) for f in (np.cos, np.sin)
    )
    x = np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    y = np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]])
    z = np.array([[cy, -sy, 0], [sy, cy, 0], [0, 0, 1]])
    return z @ y @ x


def sensed(
    rng: np.random.Generator, force: Array, rate: Array, mount: Array, *, drift: bool = True
) -> tuple[Array, Array, Array]:
    """IMU samples (n, 3) twice, and the biases (n, 6) that wandered under them."""
    n = len(force)
    start = np.concatenate((rng.normal(0, 0.15, 3), rng.normal(0, 0.01, 3)))
    step = np.repeat([ACCEL_DRIFT, GYRO_DRIFT], 3) * math.sqrt(DT_S) * drift
    bias = start + np.cumsum(step * rng.standard_normal((n, 6)), axis=0)
    accel = force @ mount + bias[:, :3] + ACCEL_SD * rng.standard_normal((n, 3))
    gyro = rate @ mount + bias[:, 3:] + GYRO_SD * rng.standard_normal((n, 3))
    return np.round(accel, 4), np.round(gyro, 5), bias


def samples(
    t_s: Array, accel: Array, gyro: Array, travel_m: Array, count_m: float, rng, **command: Array
) -> Samples:
    """A drive from its parts; wheels report with every second IMU sample."""
    zero = np.zeros_like(t_s)
    counts = np.floor(travel_m / count_m + rng.uniform(0, 1, 4))
    return Samples(
        source=SOURCE,
        imu_s=t_s,
        accel_mps2=accel,
        gyro_radps=gyro,
        wheel_s=t_s[::2],
        counts=counts[::2],
        command_s=t_s,
        throttle=command.get("throttle", zero),
        steer=command.get("steer", zero),
    )


def eased(t: Array, start: float, end: float) -> Array:
    """0 to 1 between two times, smoothly."""
    x = np.clip((t - start) / (end - start), 0, 1)
    return x * x * (3 - 2 * x)


def level_drive(
    seed: int,
    *,
    stand_s: float = 20.0,
    turn_deg: float | None = None,
    touched: bool = False,
    slope: float = 0.02,
) -> tuple[Samples, Config, Truth]:
    """Stands, is turned round, stands; on ground that is not quite level."""
    rng = np.random.default_rng([seed, 10])
    angle = math.radians(rng.uniform(165, 195) if turn_deg is None else turn_deg)
    angle *= rng.choice([-1, 1])
    turn_s = rng.uniform(5, 12)
    t = DT_S * np.arange(round((2 * stand_s + turn_s) / DT_S))
    yaw = angle * eased(t, stand_s, stand_s + turn_s)
    heading = yaw + rng.uniform(0, 2 * math.pi)
    tilt = rng.uniform(0, slope)
    force = G_MPS2 * np.stack(
        [
            math.sin(tilt) * np.cos(heading),
            -math.sin(tilt) * np.sin(heading),
            np.full_like(t, math.cos(tilt)),
        ],
        axis=1,
    )
    rate = np.stack([0 * t, 0 * t, np.gradient(yaw, DT_S)], axis=1)
    roll, pitch, yaw_mount = rng.uniform(-8, 8, 3)
    if touched:
        push = rng.normal(0, 1, (len(t) // 100 + 1, 3)).repeat(100, axis=0)[: len(t)]
        force = force + 0.15 * push
    accel, gyro, bias = sensed(rng, force, rate, mounting(roll, pitch, yaw_mount))
    stood = (np.abs(t - stand_s / 2) < stand_s / 2 - TRIM_S) | (
        np.abs(t - t[-1] + stand_s / 2) < stand_s / 2 - TRIM_S
    )
    mean = bias[stood].mean(axis=0)
    config = synthetic.rover()
    config = config.with_changes(imu__rotation_deg=[0, 0, float(yaw_mount)])
    drive = samples(t, accel, gyro, np.zeros((len(t), 4)), config.count_m, rng)
    names = [*(f"accel_bias_{a}" for a in "xyz"), *(f"gyro_bias_{a}" for a in "xyz")]
    return (
        drive,
        config,
        {**dict(zip(names, mean, strict=True)), "mount_roll": roll, "mount_pitch": pitch},
    )


def noise_drive(seed: int, *, length_s: float = 120.0) -> tuple[Samples, Config, Truth]:
    """Stands for minutes; the axes are alike."""
    rng = np.random.default_rng([seed, 11])
    n = round(length_s / DT_S)
    t = DT_S * np.arange(n)
    force = np.tile([0.0, 0.0, G_MPS2], (n, 1))
    _, _, bias = sensed(rng, force, 0 * force, np.eye(3))
    accel_sd, gyro_sd = rng.uniform(0.03, 0.2), rng.uniform(0.001, 0.01)
    accel = np.round(force + bias[:, :3] + accel_sd * rng.standard_normal((n, 3)), 4)
    gyro = np.round(bias[:, 3:] + gyro_sd * rng.standard_normal((n, 3)), 5)
    config = synthetic.rover()
    drive = samples(t, accel, gyro, np.zeros((n, 4)), config.count_m, rng)
    return drive, config, {"accel_noise": accel_sd, "gyro_noise": gyro_sd}


def wheel_travel(t: Array, speed: Array, yaw: Array, config: Config) -> Array:
    """Travel (n, 4) of the hubs along their wheels, by the textbook's geometry."""
    hub = synthetic.wheel_speeds(speed, yaw, config)
    return np.cumsum((hub + np.vstack([hub[:1], hub[:-1]])) / 2, axis=0) * DT_S


def body_force(speed: Array, yaw: Array) -> Array:
    """Specific force (n, 3) on level ground, of the point that does not slide sideways."""
    return np.stack([np.gradient(speed, DT_S), speed * yaw, np.full_like(speed, G_MPS2)], axis=1)


def straight_drive(
    seed: int, *, length_m: float = 10.0, tape_sd_m: float = 0.005, bend_deg: float = 2.0
) -> tuple[Samples, Config, Truth, float]:
    """A line driven with a little wander; the tape is read with an error. Last: the tape."""
    rng = np.random.default_rng([seed, 12])
    pace = rng.uniform(0.8, 1.2)
    t = DT_S * np.arange(round((10.0 + 1.6 + length_m / pace) / DT_S))
    shape = np.interp(
        t, [5.0, 5.8, 5.8 + length_m / pace - 0.8, 5.8 + length_m / pace], [0, 1, 1, 0]
    )
    shape *= pace * (1 + 0.1 * np.sin(2 * t))
    speed = shape * length_m / (np.sum(shape) * DT_S)
    way = np.cumsum(speed) * DT_S
    psi = math.radians(bend_deg) * np.sin(
        2 * math.pi * way / length_m * rng.choice([0.75, 1.0, 1.5])
    )
    yaw = np.gradient(psi, DT_S)
    course = math.atan2(np.sum(speed * np.sin(psi)), np.sum(speed * np.cos(psi)))
    chord = float(np.sum(speed * np.cos(psi - course)) * DT_S)
    truth_rover = synthetic.rover()
    radius = 0.075 * rng.uniform(0.95, 1.05)
    truth_rover = truth_rover.with_changes(rover__wheel_radius_m=float(radius))
    travel = wheel_travel(t, speed, yaw, truth_rover)
    roll, pitch, mount_yaw = rng.uniform(-8, 8, 3)
    force = body_force(speed, yaw)
    tones = 2 * math.pi * rng.uniform(15, 90, (6, 3, 1))
    force = (
        force + 0.3 * speed[:, None] * np.sin(tones * t + rng.uniform(0, 6, (6, 3, 1))).mean(0).T
    )
    rate = np.stack([0 * t, 0 * t, yaw], axis=1)
    accel, gyro, _ = sensed(rng, force, rate, mounting(roll, pitch, mount_yaw))
    config = synthetic.rover().with_changes(imu__rotation_deg=[float(roll), float(pitch), 0.0])
    per_m = 96 / (2 * math.pi * radius)
    truth = {f"{w}_counts_per_m": per_m for w in ("fl", "fr", "rl", "rr")}
    truth |= {"wheel_radius": radius, "mount_yaw": mount_yaw}
    drive = samples(t, accel, gyro, travel, truth_rover.count_m, rng)
    return drive, config, truth, chord + float(rng.normal(0, tape_sd_m))


DELAYS_S = (0.0, 0.005, 0.02, 0.06, 0.1, -0.03)
"""How much later than the IMU the wheels are; below 0 it is the other way round."""


def delay_drive(
    seed: int,
    *,
    counts_per_rev: int = 96,
    direction: str = "quadrature",
    late_s: float | None = None,
    starts: int = 10,
    rise_s: float = 0.4,
    rest_s: float = 2.0,
    slip: float = 0.0,
    turn_radps: float = 0.0,
    uneven_deg: float = 0.4,
) -> tuple[Samples, Config, Truth]:
    """Starts and stops, ahead or back, on a floor that is not quite even.

    ``slip``: share by which rims outrun the ground while the speed grows.
    """
    rng = np.random.default_rng([seed, 15])
    late = DELAYS_S[seed % len(DELAYS_S)] if late_s is None else late_s
    knots, at = [(0.0, 0.0), (4.0, 0.0)], 4.0
    both_ways = rng.random() < 0.5
    for i in range(starts):
        top = rng.uniform(0.6, 1.1) * (-1 if both_ways and i % 2 else 1)
        times = np.cumsum([rise_s, rng.uniform(0.2, 0.8), rise_s, rest_s]) * rng.uniform(0.8, 1.2)
        knots += [(at + s, v) for s, v in zip(times, (top, top, 0, 0), strict=True)]
        at += times[-1]
    t = DT_S * np.arange(round((at + 2.0) / DT_S))
    # Ten times as fine, because readings are of moments between samples.
    fine = np.arange(-0.5, t[-1] + 0.5, DT_S / 10)
    speed = np.interp(fine, *zip(*knots, strict=True))
    speed = np.convolve(speed, np.ones(200) / 200, "same")  # motors do not jerk
    way = np.cumsum(speed) * DT_S / 10
    accel = np.gradient(speed, fine)
    told = synthetic.rover(counts_per_rev=counts_per_rev, direction=direction)
    creep = rng.uniform(0.13, 1.87) / (G_MPS2 * told.rover.tyre_slip_stiffness)
    rim = way + creep * speed * np.abs(speed) / 2
    rim += slip * np.cumsum(np.where(accel * speed > 0, speed, 0)) * DT_S / 10
    # The nose, up positive: ground under the wheels, and what the springs give under drive.
    wave = rng.uniform(0.3, 1.5)
    pitch = math.radians(uneven_deg) * np.sin(way / wave + rng.uniform(0, 6)) + 0.003 * accel
    then = t - max(0.0, -late)
    before = then - DT_S  # the sample is the mean since the one before
    push, nose, far = (
        [np.interp(moment, fine, x) for moment in (before, then)] for x in (speed, pitch, way)
    )
    gravity = G_MPS2 * (nose[0] + nose[1]) / 2
    yaw = np.where(np.abs(far[1] - far[0]) > 1e-9, turn_radps, 0.0)
    force = np.stack([(push[1] - push[0]) / DT_S + gravity, 0 * t, G_MPS2 + 0 * t], axis=1)
    force[:, 0] *= rng.uniform(0.98, 1.02)
    rate = np.stack([0 * t, -(nose[1] - nose[0]) / DT_S, yaw], axis=1)
    mount = mounting(*rng.uniform(-6, 6, 3))
    felt, turned, _ = sensed(rng, force, rate, mount)
    told = told.with_changes(imu__rotation_deg=angles_deg(mount))
    count_m = told.count_m * rng.uniform(0.97, 1.03)
    travel = np.interp(t - max(0.0, late), fine, rim)[:, None].repeat(4, axis=1)
    drive = samples(t, felt, turned, travel, count_m, rng)
    if direction == "unsigned":
        steps = np.abs(np.diff(drive.counts, axis=0, prepend=drive.counts[:1]))
        drive = replace(drive, counts=np.cumsum(steps, axis=0))
    return drive, told, {"wheels_later_than_imu": late}


def circle_drives(
    seed: int,
    *,
    steered: str = "front",
    turns: float = 3.0,
    heading_sd_deg: float = 2.0,
    radius_sd_m: float = 0.0002,
) -> tuple[list[Samples], Config, Truth]:
    """A circle to each side; the nose comes back with an error."""
    rng = np.random.default_rng([seed, 13])
    track, full = 0.30 * rng.uniform(0.9, 1.1), 25 * rng.uniform(0.9, 1.1)
    trim, scale = rng.normal(0, 1.0), rng.uniform(0.97, 1.03)
    told = synthetic.rover(steered=steered)
    true = told.with_changes(rover__track_m=float(track))
    told_radius = 0.075 + float(rng.normal(0, radius_sd_m))
    told = told.with_changes(rover__wheel_radius_m=told_radius)
    arm = true.rover.wheelbase_m / (2.0 if steered == "both" else 1.0)
    mount = mounting(*rng.uniform(-3, 3, 3))
    told = told.with_changes(imu__rotation_deg=angles_deg(mount))
    drives = []
    for way in (1.0, -1.0):
        angle = 2 * math.pi * turns + math.radians(rng.normal(0, heading_sd_deg))
        turning = math.radians(full + way * trim)
        radius = arm / math.tan(turning) if steered != "skid" else 0.6
        length = angle * radius
        pace = 0.4
        t = DT_S * np.arange(round((11.0 + length / pace) / DT_S))
        shape = np.interp(
            t, [5.0, 5.5, 5.5 + length / pace - 0.5, 5.5 + length / pace], [0, 1, 1, 0]
        )
        speed = shape * length / (np.sum(shape) * DT_S)
        yaw = way * speed / radius
        rate = np.stack([0 * t, 0 * t, scale * yaw], axis=1)
        accel, gyro, _ = sensed(rng, body_force(speed, yaw), rate, mount)
        steer = np.full_like(t, -way if steered == "rear" else way)
        travel = wheel_travel(t, speed, yaw, true)
        drives.append(samples(t, accel, gyro, travel, true.count_m, rng, steer=steer))
    truth = {"track": track, "yaw_gyro_scale": scale}
    if steered != "skid":
        truth |= {"full_steer": full, "steer_at_neutral": trim}
    return drives, told, truth


def angles_deg(mount: Array) -> list[float]:
    """Roll, pitch, yaw of a mounting."""
    roll = math.atan2(mount[2, 1], mount[2, 2])
    pitch, yaw = -math.asin(mount[2, 0]), math.atan2(mount[1, 0], mount[0, 0])
    return [math.degrees(a) for a in (roll, pitch, yaw)]


def deadband_drive(
    seed: int,
    *,
    sweeps: int = 5,
    per_s: float = 0.02,
    double_tap: bool = True,
    friction_sd: float = 0.003,
) -> tuple[Samples, Config, Truth]:
    """Wheels in the air: slow sweeps either way, then forward, backward, neutral, backward."""
    rng = np.random.default_rng([seed, 14])
    edge = {1: rng.uniform(0.03, 0.1), -1: rng.uniform(0.03, 0.1)}
    free_mps = rng.uniform(3, 8)
    throttle, speed = [np.zeros(200)], [np.zeros(200)]
    for way in (1, -1):
        for _ in range(sweeps):
            start = edge[way] + rng.normal(0, friction_sd)
            up = np.arange(0, edge[way] + 0.06, per_s * DT_S)
            u = np.concatenate((up, np.zeros(300)))
            throttle.append(way * u)
            speed.append(way * free_mps * np.maximum(u - start, 0) / (1 - start))
    for u, answers in ((0.33, True), (-0.33, not double_tap), (0.0, True), (-0.33, True)):
        throttle.append(np.full(400 if u > 0 else 250, u))
        start = edge[1 if u > 0 else -1]
        turn = math.copysign(max(abs(u) - start, 0), u) * free_mps * answers
        speed.append(np.full(len(throttle[-1]), turn))
    throttle.append(np.zeros(200))
    speed.append(np.zeros(200))
    u, v = np.concatenate(throttle), np.concatenate(speed)
    lag = rng.uniform(0.0, 0.06)  # controller and motor together
    for i in range(1, len(v)):
        v[i] = v[i - 1] + (v[i] - v[i - 1]) * DT_S / (lag + DT_S)
    t = DT_S * np.arange(len(u))
    share = rng.dirichlet([40] * 4) * 4  # open differentials divide as the bearings like
    config = synthetic.rover()
    travel = np.cumsum(v)[:, None] * DT_S * share
    still = np.zeros((len(t), 3))
    drive = samples(t, still, still, travel, config.count_m, rng, throttle=u)
    return drive, config, {"dead_band_forward": edge[1], "dead_band_reverse": edge[-1]}


def without(drive: Samples, **changes) -> Samples:
    """A copy with fields replaced."""
    return replace(drive, **changes)
