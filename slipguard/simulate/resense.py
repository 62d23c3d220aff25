"""The same motion seen by other sensors: a drive simulated once, its readings made again.

A physics engine takes its time, and to compare sensors on the same motion is fairer than on
another one. What changes the motion (payload, brakes) needs a drive of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from slipguard.config import Config
from slipguard.reading import Reading
from slipguard.simulate.drive import Drive
from slipguard.simulate.faults import EncoderFault, Fault, ImuFault
from slipguard.simulate.sensors import EncoderModel, ImuSpoiler, mount_rotation

FINE_COUNTS = 16384.0


def fine(config: Config) -> Config:
    """The same rover with wheel sensors that see all: drive it, then call ``seen_by``."""
    return config.with_changes(
        encoders__kind="counts",
        encoders__counts_per_rev=FINE_COUNTS,
        encoders__direction="quadrature",
        encoders__rate_hz=config.imu.rate_hz,
        encoders__delay_s=0.0,
    )


def seen_by(
    drive: Drive, real: Config, faults: Sequence[Fault] = (), *, seed: int
) -> list[Reading]:
    """Readings of ``drive``, which a ``fine`` rover drove, by the sensors of ``real``.

    Taken from ``real``: counts per revolution, channels, rate and delay of the encoders, wheel
    radius (the motion stays, so larger tyres turn slower), and how the IMU is mounted.

    Parameters
    ----------
    drive : Drive
    real : Config
        Of a rover that counts.
    faults : sequence of Fault
    seed : int
        Where each encoder's first edge lies, and which edges bounce.

    Raises
    ------
    ValueError
        ``real`` has no counts.
    """
    if real.encoders.kind != "counts":
        raise ValueError("only encoders that count can be made again from a drive")
    then = drive.config
    dt_s = 1.0 / then.imu.rate_hz
    encoders = EncoderModel(
        real,
        dt_s,
        [f for f in faults if isinstance(f, EncoderFault)],
        np.random.default_rng([seed, 5]),
    )
    spoil = ImuSpoiler(real, [f for f in faults if isinstance(f, ImuFault)])
    turn = mount_rotation(real.imu.rotation_deg).T @ mount_rotation(then.imu.rotation_deg)
    rad = 2 * math.pi / FINE_COUNTS * then.rover.wheel_radius_m / real.rover.wheel_radius_m
    still = np.zeros(4)
    out = []
    for reading in drive.readings:
        assert reading.counts is not None  # a fine rover, without faults, reads all each time
        assert reading.accel_mps2 is not None
        assert reading.gyro_radps is not None
        counts = encoders.sample(reading.t_s, np.array(reading.counts, float) * rad, still)
        felt = np.concatenate((turn @ reading.accel_mps2, turn @ reading.gyro_radps))
        sample = spoil(reading.t_s, felt)
        out.append(
            replace(
                reading,
                counts=None if counts is None else tuple(counts),
                accel_mps2=None if sample is None else sample[0],
                gyro_radps=None if sample is None else sample[1],
            )
        )
    return out


def first_wrong_s(clean: Sequence[Reading], spoilt: Sequence[Reading]) -> float | None:
    """When a fault first shows: the first reading that differs from what it should be."""
    for a, b in zip(clean, spoilt, strict=True):
        if (a.counts, a.accel_mps2, a.gyro_radps) != (b.counts, b.accel_mps2, b.gyro_radps):
            return a.t_s
    return None
