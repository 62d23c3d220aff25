"""Drives written down instead of simulated: a planar rover whose motion is given as a function
of time, and the readings its sensors would deliver. Needs numpy alone.

The wheel speeds come from the textbook form of Ackermann geometry, not from the project's own.
Travel becomes counts at a random phase; the IMU gets noise and a bias drawn from the seed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from slipguard import WHEELS, Config, Decision, Guard, Reading
from slipguard.engines import quickest

Array = NDArray[np.float64]
Knots = Sequence[tuple[float, float]]

G_MPS2 = 9.80665
"""Standard gravity, ISO 80000-3."""
DT_S = 0.005
"""IMU at 200 Hz; the wheels report with every second sample."""


def rover(
    *,
    counts_per_rev: int = 96,
    direction: str = "quadrature",
    kind: str = "counts",
    steered: str = "front",
    drive: str = "open",
    chassis: str = "mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075",
    more: str = "",
) -> Config:
    """The rover of the demo drives, with other values where given."""
    encoders = "kind: speed"
    if kind == "counts":
        encoders = f"counts_per_rev: {counts_per_rev}, direction: {direction}"
    return Config.parse(
        f"rover: {{{chassis}, max_steer_deg: 25, steered: {steered}, drive: {drive}}}\n"
        f"encoders: {{{encoders}}}\n"
        f"imu: {{accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}}\n{more}"
    )


QUICK = quickest()
"""For tests of what is decided that drive for long: ten times as fast, and test_compiled.py holds
the engines to be the same."""


@dataclass(frozen=True)
class Drive:
    """Readings and the truth behind them: (n,) and (n, 4) arrays."""

    readings: list[Reading]
    t_s: Array
    speed_mps: Array
    accel_mps2: Array
    grade_rad: Array
    slip_mps: Array
    rim_mps: Array


def knots(t_s: Array, points: float | Knots) -> Array:
    """A constant, or straight lines through (time, value) points."""
    if isinstance(points, int | float):
        return np.full_like(t_s, points)
    return np.interp(t_s, [p[0] for p in points], [p[1] for p in points])


def wheel_speeds(speed: Array, yaw: Array, config: Config) -> Array:
    """Hub speed along each wheel, (n, 4): Ackermann geometry, any vehicle dynamics handbook.

    Unsteered wheel at y: v - r y. Steered wheel, turned by its own angle d into its direction:
    (v - r y) cos d + r l sin d, with l its distance from the axle that does not steer.
    """
    r = config.rover
    half = r.track_m / 2
    lever = {
        "front": (r.wheelbase_m, 0.0),
        "rear": (0.0, -r.wheelbase_m),
        "both": (r.wheelbase_m / 2, -r.wheelbase_m / 2),
        "skid": (0.0, 0.0),
    }[r.steered]
    columns = []
    for side, length in zip((half, -half, half, -half), np.repeat(lever, 2), strict=True):
        along, across = speed - yaw * side, yaw * length
        d = np.arctan2(across * np.sign(along), np.abs(along))
        columns.append(along * np.cos(d) + across * np.sin(d))
    return np.stack(columns, axis=1)


def drive(
    config: Config,
    speed: Knots,
    *,
    curvature: float | Knots = 0.0,
    slope_rad: float = 0.0,
    bump_rad: float = 0.0,
    bump_length_m: float = 0.6,
    rough_mps2: float = 0.0,
    creep: float = 1.0,
    slip: Mapping[str, Knots] | None = None,
    throttle: Knots | None = None,
    dead: Mapping[str, float] | None = None,
    accel_bias_mps2: float | None = None,
    gyro_bias_radps: float | None = None,
    start_s: float = 100.0,
    first_count: int = 0,
    seed: int = 0,
) -> Drive:
    """Readings of a rover that moves as ``speed`` says, from the first knot to the last.

    Parameters
    ----------
    speed : knots
        Forward speed of the middle of the wheelbase, m/s.
    curvature : float or knots
        1/m, left positive: yaw rate over speed.
    slope_rad : float
        Of the ground, uphill in the direction the drive starts in.
    bump_rad, bump_length_m : float
        Pitching over waves of the ground; for straight drives.
    rough_mps2 : float
        Vibration at 1 m/s, root mean square; it grows with speed.
    creep : float
        Creep of the gripping tyres, as a share of what ``rover.tyre_slip_stiffness`` gives.
    slip : mapping of wheel to knots
        Slip speed of that wheel on top of its creep, m/s.
    throttle : knots, optional
        Stick; if not given: 0.3 the way it goes, neutral while it slows down or stands.
    dead : mapping of wheel to time
        That encoder stops counting then.
    """
    rng = np.random.default_rng(seed)
    n = round((speed[-1][0] - speed[0][0]) / DT_S) + 1
    t = speed[0][0] + DT_S * np.arange(n)
    v = knots(t, speed)
    a = np.gradient(v, DT_S)
    step_a = np.diff(v, prepend=v[0]) / DT_S  # mean over the sample, as an IMU integrates it
    yaw = v * knots(t, curvature)
    heading = np.cumsum(yaw) * DT_S
    way_m = np.cumsum(v) * DT_S
    pitch = bump_rad * np.sin(2 * math.pi * way_m / bump_length_m)
    pitch_rate = np.diff(pitch, prepend=pitch[0]) / DT_S

    r = config.rover
    still_x = {"front": -0.5, "rear": 0.5}.get(r.steered, 0.0) * r.wheelbase_m
    side = -yaw * still_x  # sideways speed of the middle
    s_x = G_MPS2 * np.sin(math.asin(math.sin(slope_rad)) * np.cos(heading) + pitch)
    s_y = -G_MPS2 * math.sin(slope_rad) * np.sin(heading)
    s_z = np.sqrt(G_MPS2**2 - s_x**2 - s_y**2)
    if accel_bias_mps2 is None:
        accel_bias_mps2 = float(rng.normal(0.0, 0.1))
    if gyro_bias_radps is None:
        gyro_bias_radps = float(rng.normal(0.0, 0.01))
    imu = config.imu
    # Vibration is motion back and forth: a few tones from 15 to 90 Hz, no net change of speed.
    tones = 2 * math.pi * rng.uniform(15.0, 90.0, (8, 3, 1))
    shake = np.sin(tones * t + rng.uniform(0.0, 2 * math.pi, (8, 3, 1))).sum(0).T / 2.0
    accel = np.stack([step_a - yaw * side + s_x, np.gradient(side, DT_S) + yaw * v + s_y, s_z], 1)
    accel += rough_mps2 * np.abs(v)[:, None] * shake
    accel += imu.accel_noise_mps2 * rng.standard_normal((n, 3)) + [accel_bias_mps2, 0.0, 0.0]
    zero = np.zeros(n)
    gyro = np.stack([zero, -pitch_rate, yaw], 1)  # +y turns the nose down
    gyro += imu.gyro_noise_radps * rng.standard_normal((n, 3)) + gyro_bias_radps

    hub = wheel_speeds(v, yaw, config)
    slips = np.zeros((n, 4))
    for wheel, points in (slip or {}).items():
        slips[:, WHEELS.index(wheel)] = knots(t, points)
    # Force over load per unit of slip is the stiffness; the wheels share the load evenly.
    force = (step_a + s_x) / (G_MPS2 * r.tyre_slip_stiffness)
    shares = {"front": (2, 2, 0, 0), "rear": (0, 0, 2, 2)}.get(r.drive, (1, 1, 1, 1))
    rim = hub + slips + creep * np.abs(hub) * force[:, None] * np.array(shares)
    # The encoder sits on the body and turns with it.
    seen = rim + pitch_rate[:, None] * r.wheel_radius_m
    for wheel, since in (dead or {}).items():
        seen[t >= since, WHEELS.index(wheel)] = 0.0
    if config.encoders.kind == "counts":
        q = config.count_m
        travel = np.cumsum(0.5 * (seen + np.vstack([seen[:1], seen[:-1]])), 0) * DT_S
        count = np.floor((travel + rng.uniform(0.0, q, 4)) / q).astype(int)
        if config.encoders.direction == "unsigned":
            count = np.cumsum(np.abs(np.diff(count, axis=0, prepend=count[:1])), 0)
        wheels = {"counts": count + first_count}
    else:
        noise = config.encoders.speed_noise_radps * rng.standard_normal((n, 4))
        noisy = seen / r.wheel_radius_m + np.where(seen == 0.0, 0.0, noise)  # at rest it reads 0
        wheels = {"wheel_speed_radps": noisy}

    if throttle is None:
        stick = np.where((v * a > -1e-9) & ((np.abs(v) > 0) | (a != 0)), 0.3, 0.0)
        stick *= np.sign(np.where(v != 0, v, a))
    else:
        stick = knots(t, throttle)
    arm = r.wheelbase_m / (2.0 if r.steered == "both" else 1.0)
    steer = np.arctan(knots(t, curvature) * arm) / math.radians(r.max_steer_deg)
    if r.steered == "rear":
        steer = -steer
    ((name, turned),) = wheels.items()
    columns = (t, accel, gyro, stick, np.clip(steer, -1, 1), turned)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    readings = [
        Reading(
            t_s=round(start_s + at_s, 6),
            accel_mps2=tuple(force),
            gyro_radps=tuple(rate),
            throttle=throttle_,
            steer=steer_,
            motor_enabled=True,
            command_age_s=0.02,
            **({name: tuple(four)} if k % 2 == 0 else {}),
        )
        for k, (at_s, force, rate, throttle_, steer_, four) in enumerate(rows)
    ]
    return Drive(
        readings=readings,
        t_s=start_s + t,
        speed_mps=v,
        accel_mps2=a,
        grade_rad=np.arcsin(s_x / G_MPS2),
        slip_mps=slips,
        rim_mps=rim,
    )


def run(guard: Guard | Config, readings: Iterable[Reading]) -> list[Decision]:
    """The decisions of a guard, one for each reading."""
    guard = Guard(guard, QUICK) if isinstance(guard, Config) else guard
    return [guard.step(reading) for reading in readings]


def speed_error(decisions: Sequence[Decision], truth: Drive) -> Array:
    """Estimated minus true speed, m/s: (n,)."""
    return np.array([d.estimate.speed_mps for d in decisions]) - truth.speed_mps


def covered(decisions: Sequence[Decision], truth: Drive) -> float:
    """Share of the decisions whose speed is within two standard deviations of truth."""
    sd = np.array([d.estimate.speed_sd_mps for d in decisions])
    return float(np.mean(np.abs(speed_error(decisions, truth)) <= 2.0 * sd))


def kinds(decisions: Iterable[Decision]) -> set[tuple[str, str | None]]:
    """Every (kind, wheel) found."""
    return {(f.kind, f.wheel) for d in decisions for f in d.findings}


DRIVES = {
    "straight": {"speed": [(0, 0), (1, 0), (2, 1), (3.5, 1), (4.5, 0), (5, 0)]},
    "hard": {"speed": [(0, 0), (1, 0), (1.5, 2.5), (2.5, 2.5), (3.1, 0), (4, 0)]},
    "reverse": {"speed": [(0, 0), (1, 0), (2, -1), (3, -1), (4, 0), (4.5, 0)]},
    "turns": {
        "speed": [(0, 0), (1, 0), (2, 1), (5, 1), (6, 0)],
        "curvature": [(0, 0), (2, 0), (2.4, 1.2), (3.4, 1.2), (3.8, -1.2), (6, -1.2)],
    },
    "slope": {
        "speed": [(0, 0), (1, 0), (2, 0.6), (5, 0.6), (6, 0)],
        "curvature": [(0, 0), (2, 0), (2.5, 1.2), (6, 1.2)],
        "slope_rad": 0.2,
    },
    "bumps": {
        "speed": [(0, 0), (1, 0), (2, 0.6), (5, 0.6), (6, 0)],
        "bump_rad": 0.1,
        "rough_mps2": 2.0,
    },
}
"""Drives on which nothing slips, rolls or fails."""

ROVERS = {
    "96 counts": {},
    "24 counts": {"counts_per_rev": 24},
    "one channel": {"direction": "unsigned"},
    "skid": {"steered": "skid"},
    "rear steered": {"steered": "rear"},
    "both steered": {"steered": "both"},
    "speeds": {"kind": "speed"},
}


@cache
def driven(rover_name: str, drive_name: str) -> tuple[Drive, list[Decision]]:
    """One of the rovers on one of the drives, computed once."""
    config = rover(**ROVERS[rover_name])
    truth = drive(config, seed=list(DRIVES).index(drive_name), **DRIVES[drive_name])
    return truth, run(config, truth.readings)
