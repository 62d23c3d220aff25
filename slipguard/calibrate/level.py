"""Standing level, then turned round: biases of the IMU, and how it is mounted (roll, pitch).

Standing alone cannot tell a tilted sensor from a biased one, nor either from ground that is not
level. Turning on the spot tells all three apart: the ground's tilt turns round with the rover, a
bias does not; and the axis about which the gyro feels the turn is the body's upright, whatever
the accelerometer says.

With f1, f2 the mean specific force of the two stands, R the turn between them by the gyro with
axis a, u1 and u2 = R' u1 the reaction to gravity as unit vectors: f1 - f2 = g (I - R') u1 gives the
part of u1 across a, its length the rest, and f - g u the bias (statics; rigid rotation).

Assumes that the axes of gyro and accelerometer agree: where they do not (consumer parts: up to
2 %, one degree), tilt and bias share the error between them, and near level it does no harm.
"""

from __future__ import annotations

import math

import numpy as np

from slipguard.calibrate.near import need_gravity
from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.rotation import axis_angle, turned
from slipguard.calibrate.samples import Array, Samples, Span, mean_and_sd
from slipguard.config import Config
from slipguard.settings import GRAVITY_MPS2

STAND_S = 15.0
BLOCK_S = 0.5
"""Longer than a sensor smooths its samples, short enough for many of them."""
TURN_DEG = (140.0, 220.0)
WOUND_DEG = 1000.0
"""Nobody turns it round so often; half a turn in degrees a second reads as 10,300."""
RESTLESS = 6.0
"""Block means that scatter so many times more than white noise: it was touched."""
GYRO_DRIFT = 1e-4
"""Random walk of a consumer gyro's bias between the stands, rad/s a root second; assumed."""
ACCEL_SD_MPS2, GYRO_SD_RADPS = 0.05, 0.003
"""What remains unknown of a bias after calibration: it moves from one switching-on to the next and
with temperature. From memory of consumer parts; calibrate on two days to see yours."""


def level(samples: Samples, config: Config, *, gravity_mps2: float = GRAVITY_MPS2) -> Calibration:
    """Biases and mounting from two stands with half a turn between them.

    ``gravity_mps2``: local gravity, where known better; what it is wrong by ends in the bias of z.

    Raises
    ------
    CalibrationError
        The rover stood too shortly or restlessly, or was not turned round; accelerometer or gyro
        in another unit.
    """
    samples.need_imu()
    _check_gyro(samples)
    first, second = _two_stands(samples)
    for span in (first, second):
        need_gravity(samples, samples.during(span)[1])
    block = max(1, round(BLOCK_S / samples.sample_s))
    (f1, sf1), (f2, sf2) = (mean_and_sd(samples.during(s)[1], block) for s in (first, second))
    (w1, sw1), (w2, sw2) = (mean_and_sd(samples.during(s)[2], block) for s in (first, second))
    gap_s = (second[0] + second[1] - first[0] - first[1]) / 2.0
    strayed = np.abs(w2 - w1) / (GYRO_DRIFT * math.sqrt(gap_s) + np.hypot(sw1, sw2))
    if float(np.max(strayed)) > 6.0:
        raise samples.refuse(
            f"the gyro's offset moved by {np.max(np.abs(w2 - w1)):.4f} rad/s between the stands; "
            "let it warm up for some minutes and drive again"
        )
    t, _, rate = samples.during((first[1], second[0]))
    share = np.clip((t - first[1]) / max(second[0] - first[1], 1e-9), 0, 1)[:, None]
    turn = turned(t, rate - (w1 + share * (w2 - w1)))
    axis, angle = axis_angle(turn)
    if float(axis @ (f1 + f2)) < 0.0:
        axis, angle = -axis, -angle
    around = abs(math.degrees(angle)) % 360.0
    if not TURN_DEG[0] <= around <= TURN_DEG[1]:
        raise samples.refuse(
            f"turned by {around:.0f} deg between the two stands; turn it round, by about 180"
        )
    bias = _bias(f1, f2, turn, axis, gravity_mps2)
    turn_s = max(second[0] - first[1], samples.sample_s)
    sd_axis = _axis_sd(np.hypot(sw1, sw2), samples, first, turn_s, second[1] - first[0], abs(angle))
    sd_force = np.hypot(sf1, sf2) / 2.0
    sd_bias = np.sqrt(sd_force**2 + (gravity_mps2 * sd_axis) ** 2 * (1.0 - axis**2))
    pitch = -math.asin(max(-1.0, min(1.0, float(axis[0]))))
    roll = math.atan2(float(axis[1]), float(axis[2]))
    sd_deg = math.degrees(sd_axis)
    gyro, sd_gyro = (w1 + w2) / 2.0, np.hypot(sw1, sw2) / 2.0
    yaw_deg = config.imu.rotation_deg[2]
    names = "xyz"
    return Calibration(
        step="level",
        method="two stands with half a turn between them; axis of the turn by the gyro",
        drives=(samples.source,),
        values=(
            *(
                Value(name=f"accel_bias_{n}", value=float(b), sd=float(s), unit="m/s2")
                for n, b, s in zip(names, bias, sd_bias, strict=True)
            ),
            *(
                Value(name=f"gyro_bias_{n}", value=float(b), sd=float(s), unit="rad/s")
                for n, b, s in zip(names, gyro, sd_gyro, strict=True)
            ),
            Value(name="mount_roll", value=math.degrees(roll), sd=sd_deg, unit="deg"),
            Value(name="mount_pitch", value=math.degrees(pitch), sd=sd_deg, unit="deg"),
        ),
        settings={
            "imu.accel_bias_mps2": [round(float(b), 4) for b in bias],
            "imu.gyro_bias_radps": [round(float(b), 6) for b in gyro],
            "imu.rotation_deg": [
                round(math.degrees(roll), 3),
                round(math.degrees(pitch), 3),
                yaw_deg,
            ],
            "imu.accel_bias_sd_mps2": round(max(ACCEL_SD_MPS2, float(np.max(sd_bias))), 4),
            "imu.gyro_bias_sd_radps": round(max(GYRO_SD_RADPS, float(np.max(sd_gyro))), 5),
        },
        notes=_notes(f1, f2, bias, roll, pitch, yaw_deg),
    )


def _check_gyro(samples: Samples) -> None:
    """Refuse one that reads degrees: its noise alone would look like turning."""
    rate = samples.gyro_radps - np.median(samples.gyro_radps, axis=0)
    way = math.degrees(float(np.linalg.norm(rate[1:].T @ np.diff(samples.imu_s))))
    if way > WOUND_DEG:
        raise samples.refuse(
            f"turned by {way:.0f} deg in all by the gyro: it must be in rad/s; in degrees a second "
            "it reads 57 times too much"
        )


def _two_stands(samples: Samples) -> tuple[Span, Span]:
    """The two longest stands, in order of time."""
    stands = samples.stands()
    long = [s for s in stands if s[1] - s[0] >= STAND_S]
    if len(long) < 2:
        longest = ", ".join(f"{b - a:.0f} s" for a, b in stands) or "none"
        raise samples.refuse(
            f"too short: needs two stands of {STAND_S:g} s with a half turn between them, found "
            f"{longest} (a stand ends when a wheel counts or the body turns)"
        )
    a, b = sorted(sorted(long, key=lambda s: s[0] - s[1])[:2])
    for span in (a, b):
        _, accel, _ = samples.during(span)
        block = max(1, round(BLOCK_S / samples.sample_s))
        _, sd = mean_and_sd(accel, block)
        blocks = len(accel) // block
        white = np.std(np.diff(accel, axis=0), axis=0) / math.sqrt(2.0 * block * blocks)
        # Filtered noise is smoother than white noise: some scatter more is no touch.
        if np.any(sd > RESTLESS * white + 0.003):
            raise samples.refuse(
                f"moved while standing, between {span[0]:.1f} and {span[1]:.1f} s: means of "
                f"half a second scatter by {float(np.max(sd)) * math.sqrt(blocks):.3f} m/s2"
            )
    return a, b


def _bias(f1: Array, f2: Array, turn: Array, axis: Array, gravity: float) -> Array:
    """Bias of the accelerometer (3,)."""
    across, *_ = np.linalg.lstsq(
        np.vstack((np.eye(3) - turn.T, axis)),
        np.concatenate(((f1 - f2) / gravity, [0.0])),
        rcond=None,
    )
    upright = axis * math.sqrt(max(0.0, 1.0 - float(across @ across)))
    u1 = across + upright
    bias: Array = (f1 + f2) / 2.0 - gravity * (u1 + turn.T @ u1) / 2.0
    return bias


def _axis_sd(
    sd_rate: Array, samples: Samples, stand: Span, turn_s: float, span_s: float, angle: float
) -> float:
    """Standard deviation of the turn's axis about each of the two directions across it, rad.

    An error d of the turn across its axis moves the axis by d / (2 sin(angle / 2)); a steady rate
    error w moves it by w / rate (both from the algebra of rotations).
    """
    _, _, rate = samples.during(stand)
    density = float(np.mean(np.std(np.diff(rate, axis=0), axis=0))) / math.sqrt(2.0)
    walk = density * math.sqrt(samples.sample_s * turn_s) / (2.0 * abs(math.sin(angle / 2.0)))
    # Halved: the mean of both stands. A bias that walks leaves that mean during the turn; for two
    # stands P and a turn T the variance is (2 P + T) / 12 (integral of the walk's weights).
    steady = math.hypot(float(np.mean(sd_rate)) / 2.0, GYRO_DRIFT * math.sqrt(span_s / 12.0))
    return math.hypot(walk, steady * turn_s / angle)


def _notes(
    f1: Array, f2: Array, bias: Array, roll: float, pitch: float, yaw_deg: float
) -> tuple[str, ...]:
    notes = [
        f"the yaw of the mounting is not seen here; {yaw_deg:g} deg is kept (see: straight)",
        "accel_bias_sd and gyro_bias_sd are what may change until the next drive, not the error "
        "of this one",
    ]
    if max(abs(math.degrees(roll)), abs(math.degrees(pitch))) > 20.0:
        notes.append("the sensor is tilted by more than 20 deg: is it mounted as you think?")
    if float(np.max(np.abs(bias))) > 1.0:
        notes.append("a bias above 1 m/s2 is more than consumer parts have: is an axis swapped?")
    ground = float(np.linalg.norm(f1 - f2)) / 2.0 / GRAVITY_MPS2
    if ground > 0.05:
        notes.append(f"the ground slopes by {100 * ground:.0f} %: a more level place is better")
    return tuple(notes)
