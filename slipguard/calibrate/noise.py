"""Minutes of standing, motor off: noise of the IMU's samples by their Allan deviation.

The filter wants the standard deviation that one sample would have if the noise were white. White
noise has the density N = adev(tau) sqrt(tau), whatever the tau; a sample has N sqrt(rate). Sensors
smooth their samples, so the scatter of neighbouring samples says too little: it is read at 0.1 s,
where smoothing is over and drift has not begun (IEEE 952-1997, annex C: slope -1/2).

Overlapping Allan deviation by allantools (extra ``calibrate``), with its degrees of freedom.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from slipguard.calibrate.near import need_gravity, need_near
from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.samples import Array, Samples
from slipguard.config import Config

LEAST_S = 60.0
READ_S = 0.1
LONG_S = 10.0
JOLT = 9.0
"""Robust standard deviations: what lies beyond is a knock, not noise."""
FLAT = 0.664
"""adev of pure bias instability over its coefficient: sqrt(2 ln 2 / pi) (IEEE 952-1997)."""
SLOPE = (-0.65, -0.35)
FAR = (1 / 20, 20.0)
"""A data sheet or a guess is wrong by less; degrees for radians are 57 times too much."""


def adev(values: Array, rate_hz: float, tau_s: float) -> tuple[float, float, float]:
    """Overlapping Allan deviation of samples (n,): the tau it is at, deviation, degrees of freedom.

    Raises
    ------
    ModuleNotFoundError
        allantools is not installed (extra ``calibrate``).
    """
    import allantools

    m = max(1, round(tau_s * rate_hz))
    taus, devs, _, _ = allantools.oadev(
        values, rate=rate_hz, data_type="freq", taus=np.array([m / rate_hz])
    )
    # White noise of the rate is "white FM" there: alpha = 0 (NIST SP 1065, table 5).
    edf = float(allantools.edf_simple(len(values) + 1, m, 0))
    return float(taus[0]), float(devs[0]), edf


def noise(samples: Samples, config: Config) -> Calibration:
    """Standard deviation of one sample of accelerometer and gyro.

    Raises
    ------
    CalibrationError
        It stood too shortly, was touched, or the samples carry no noise; noise or gravity that
        speak of another unit.
    """
    samples.need_imu()
    stands = samples.stands()
    start, end = max(stands, key=lambda s: s[1] - s[0], default=(0.0, 0.0))
    if end - start < LEAST_S:
        raise samples.refuse(
            f"too short: the longest stand is {end - start:.0f} s, needs {LEAST_S:g} s and better "
            "five minutes, motor off (a stand ends when a wheel counts or the body turns)"
        )
    t, accel, gyro = samples.during((start, end))
    rate = (len(t) - 1) / (t[-1] - t[0])
    uneven = float(np.std(np.diff(t))) * rate
    if uneven > 0.5:
        raise samples.refuse(
            f"samples come unevenly (their distance scatters by {100 * uneven:.0f} %): record "
            "every sample"
        )
    need_gravity(samples, accel)
    values: list[Value] = []
    settings: dict[str, Any] = {}
    notes: list[str] = []
    for name, data, unit in (("accel", accel, "m/s2"), ("gyro", gyro, "rad/s")):
        _check(samples, name, data)
        sample, drift, told = _one_sensor(name, data, rate, unit)
        key = f"{name}_noise_{'mps2' if name == 'accel' else 'radps'}"
        need_near(
            samples, f"imu.{key}", sample.value, getattr(config.imu, key), unit, FAR,
            f"another unit than {unit}, in the recording or in the rover file",
        )  # fmt: skip
        values += [sample, drift]
        notes += told
        settings[f"imu.{key}"] = float(f"{sample.value:.4g}")
    if abs(rate / config.imu.rate_hz - 1.0) > 0.05:
        settings["imu.rate_hz"] = round(rate, 1)
        notes.append(f"samples come at {rate:.1f} Hz, not at imu.rate_hz {config.imu.rate_hz:g}")
    return Calibration(
        step="noise",
        method=f"overlapping Allan deviation at {READ_S:g} s over {end - start:.0f} s of standing",
        drives=(samples.source,),
        values=tuple(values),
        settings=settings,
        notes=tuple(notes),
    )


def _check(samples: Samples, name: str, data: Array) -> None:
    middle = np.median(data, axis=0)
    spread = 1.4826 * np.median(np.abs(data - middle), axis=0)
    same = np.mean(np.diff(data, axis=0) == 0.0, axis=0)
    if np.any(spread == 0.0) or np.any(same > 0.5):
        axis = "xyz"[int(np.argmax(same))]
        raise samples.refuse(
            f"{name} {axis} repeats its value in {100 * float(np.max(same)):.0f} % of the samples: "
            "frozen, recorded faster than it samples, or rounded too coarsely"
        )
    far = np.abs(data - middle) > JOLT * spread
    if np.any(far):
        many = int(np.sum(np.any(far, axis=1)))
        raise samples.refuse(
            f"moved while standing: {many} samples of the {name} lie beyond {JOLT:g} standard "
            "deviations; nobody near it, no motor, no wind"
        )


def _one_sensor(name: str, data: Array, rate: float, unit: str) -> tuple[Value, Value, list[str]]:
    """White noise of one sample, root mean square over the axes, and the drift left at 10 s."""
    axes = [adev(data[:, i], rate, READ_S) for i in range(3)]
    tau = axes[0][0]
    density = math.sqrt(sum(dev**2 for _, dev, _ in axes) / 3.0 * tau)
    # Variances add, weighted by their squares: degrees of freedom of a mean of unequal ones
    # (Welch-Satterthwaite).
    squares = [dev**2 for _, dev, _ in axes]
    edf = sum(squares) ** 2 / sum(s**2 / e for s, (_, _, e) in zip(squares, axes, strict=True))
    one = density * math.sqrt(rate)
    notes = []
    worst, best = max(d for _, d, _ in axes), min(d for _, d, _ in axes)
    if worst > 1.5 * best:
        notes.append(f"the axes of the {name} differ by a factor of {worst / best:.1f}")
    later = [adev(data[:, i], rate, 10.0 * READ_S) for i in range(3)]
    ratio = math.sqrt(sum(dev**2 for _, dev, _ in later) / sum(squares))
    slope = math.log10(ratio)
    if not SLOPE[0] <= slope <= SLOPE[1]:
        notes.append(
            f"the {name}'s noise is not white from {READ_S:g} to {10 * READ_S:g} s (slope "
            f"{slope:.2f}, not -0.50): something shook it, or it is smoothed for longer"
        )
    floor = [adev(data[:, i], rate, LONG_S) for i in range(3)]
    level = math.sqrt(sum(dev**2 for _, dev, _ in floor) / 3.0)
    return (
        Value(name=f"{name}_noise", value=one, sd=one / math.sqrt(2.0 * edf), unit=unit),
        Value(
            name=f"{name}_bias_instability_at_most",
            value=level / FLAT,
            sd=level / FLAT / math.sqrt(2.0 * sum(e for _, _, e in floor)),
            unit=unit,
        ),
        notes,
    )
