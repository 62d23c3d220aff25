"""A recorded drive as arrays, and the stretches in which the rover stood."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slipguard.errors import CalibrationError
from slipguard.reading import Reading
from slipguard.recording import open_recording

Array = NDArray[np.float64]
Span = tuple[float, float]

TURNING_RADPS = 0.03
"""A body that stands turns slower than this, once its gyro's own offset is taken off."""
SMOOTH_S = 0.25
MOST_COUNTS = 2000.0
"""From one reading to the next; a walk with a fine encoder gives a few dozen."""
TRIM_S = 0.5
"""Left out at both ends of a stand: springs that still settle."""
T95 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 7: 2.36, 8: 2.31, 9: 2.26, 10: 2.23}
"""Two-sided 95 % points of Student's t by degrees of freedom (any statistical table)."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where samples come from: a file's name and the SHA-256 of its content."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """One drive. IMU samples and wheel counts have times of their own.

    Attributes
    ----------
    imu_s : (n,) float
        Times of complete IMU samples, rising.
    accel_mps2, gyro_radps : (n, 3) float
        As the sensor gave them, in its own axes.
    wheel_s : (m,) float
        Times at which all four counts arrived.
    counts : (m, 4) float
    command_s, throttle, steer : (k,) float
        The operator's requests where both are known.
    """

    source: Source
    imu_s: Array
    accel_mps2: Array
    gyro_radps: Array
    wheel_s: Array
    counts: Array
    command_s: Array
    throttle: Array
    steer: Array

    @classmethod
    def of(cls, readings: Iterable[Reading], source: Source) -> Samples:
        """Arrays from readings; samples that are no numbers, or go back in time, are left out."""
        imu: list[tuple[float, ...]] = []
        wheels: list[tuple[float, ...]] = []
        command: list[tuple[float, ...]] = []
        throttle = steer = float("nan")
        for r in readings:
            if r.accel_mps2 is not None and r.gyro_radps is not None:
                imu.append((r.t_s, *r.accel_mps2, *r.gyro_radps))
            if r.counts is not None and None not in r.counts:
                wheels.append((r.t_s, *(float(c) for c in r.counts if c is not None)))
            throttle = throttle if r.throttle is None else r.throttle
            steer = steer if r.steer is None else r.steer
            command.append((r.t_s, throttle, steer))
        a, b, c = _table(imu, 7), _table(wheels, 5), _table(command, 3)
        return cls(
            source=source,
            imu_s=a[:, 0],
            accel_mps2=a[:, 1:4],
            gyro_radps=a[:, 4:],
            wheel_s=b[:, 0],
            counts=b[:, 1:],
            command_s=c[:, 0],
            throttle=c[:, 1],
            steer=c[:, 2],
        )

    def refuse(self, why: str) -> CalibrationError:
        """The error to raise about this drive."""
        return CalibrationError(f"{self.source.name}: {why}")

    # -- what every step asks ------------------------------------------------------------------

    def need_imu(self) -> None:
        """Refuse a drive without IMU samples, or with gaps in them.

        Raises
        ------
        CalibrationError
        """
        if len(self.imu_s) < 100:
            raise self.refuse(f"only {len(self.imu_s)} IMU samples; record the IMU as well")
        gap = float(np.max(np.diff(self.imu_s)))
        if gap > 0.25:
            at = float(self.imu_s[int(np.argmax(np.diff(self.imu_s)))])
            raise self.refuse(f"no IMU sample for {gap:.2f} s at {at:.2f} s; record without gaps")

    def need_counts(self) -> None:
        """Refuse a drive without wheel counts.

        Raises
        ------
        CalibrationError
        """
        if len(self.wheel_s) < 10:
            raise self.refuse("no wheel counts; this step needs encoders that count")
        steps = np.max(np.abs(np.diff(self.counts, axis=0)), axis=1)
        if float(np.max(steps)) > MOST_COUNTS:
            at = float(self.wheel_s[int(np.argmax(steps)) + 1])
            raise self.refuse(
                f"counts jump by {np.max(steps):.0f} at {at:.2f} s: a counter that wrapped, or "
                "began anew"
            )

    @property
    def sample_s(self) -> float:
        """Time between IMU samples: their median."""
        return float(np.median(np.diff(self.imu_s)))

    def stands(self) -> list[Span]:
        """Stretches in which no wheel counted and the body did not turn, trimmed at both ends."""
        counting = self._counting()
        quiet = self.gyro_radps if np.all(counting) else self.gyro_radps[~counting]
        rest = np.median(quiet, axis=0)
        width = max(1, round(SMOOTH_S / self.sample_s))
        box = np.ones(width) / width
        smooth = np.stack([np.convolve(g, box, "same") for g in (self.gyro_radps - rest).T])
        moving = np.linalg.norm(smooth, axis=0) > TURNING_RADPS + 4.0 * self._noise(width)
        # The box sees less than its width at the two ends.
        moving[: width // 2] = moving[min(width, len(moving) - 1)]
        moving[len(moving) - width // 2 :] = moving[-min(width, len(moving))]
        moving |= counting
        edges = np.flatnonzero(np.diff(np.concatenate(([True], moving, [True])).astype(int)))
        spans = []
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            a, b = self.imu_s[start] + TRIM_S, self.imu_s[min(end, len(moving) - 1)] - TRIM_S
            if b > a:
                spans.append((float(a), float(b)))
        return spans

    def _noise(self, width: int) -> float:
        """Of the smoothed gyro, from one sample to the next."""
        white = float(np.max(np.std(np.diff(self.gyro_radps, axis=0), axis=0))) / 2.0**0.5
        return float(white / width**0.5)

    def _counting(self) -> NDArray[np.bool_]:
        """IMU samples (n,) near a moment at which a wheel counted."""
        near = np.zeros(len(self.imu_s) + 1, dtype=int)
        if len(self.wheel_s) > 1:
            changed = self.wheel_s[1:][np.any(np.diff(self.counts, axis=0) != 0, axis=1)]
            np.add.at(near, np.searchsorted(self.imu_s, changed - SMOOTH_S), 1)
            np.add.at(near, np.searchsorted(self.imu_s, changed + SMOOTH_S), -1)
        return np.cumsum(near)[:-1] > 0

    def during(self, span: Span) -> tuple[Array, Array, Array]:
        """IMU times (n,), specific force (n, 3) and rate (n, 3) in a stretch."""
        inside = (self.imu_s >= span[0]) & (self.imu_s <= span[1])
        return self.imu_s[inside], self.accel_mps2[inside], self.gyro_radps[inside]


def load_samples(path: str | os.PathLike[str]) -> Samples:
    """Read a recorded drive.

    Raises
    ------
    RecordingError
        File, line and column; what was found and what was expected.
    """
    recording = open_recording(path)
    samples = Samples.of(
        (row.reading for row in recording),
        Source(Path(path).name, hashlib.sha256(Path(path).read_bytes()).hexdigest()),
    )
    return samples


def _table(rows: list[tuple[float, ...]], width: int) -> Array:
    table = np.array(rows, dtype=float).reshape(-1, width)
    # A command that was never given is unknown, not wrong.
    good = np.all(np.isfinite(table), axis=1)
    table = table[good]
    if len(table):
        table = table[np.concatenate(([True], np.diff(np.maximum.accumulate(table[:, 0])) > 0))]
    return table


def mean_and_sd(values: Array, block: int) -> tuple[Array, Array]:
    """Mean (c,) of samples (n, c) and its standard deviation.

    From the scatter of neighbouring block means (the Allan variance at the length of a block):
    right for noise that is white or filtered within a block, and not misled by a slow drift.
    """
    blocks = len(values) // block
    means = values[: blocks * block].reshape(blocks, block, -1).mean(axis=1)
    variance = np.mean(np.diff(means, axis=0) ** 2, axis=0) / 2.0
    return values.mean(axis=0), np.sqrt(variance / blocks)


def student(freedom: int) -> float:
    """How many standard deviations either way hold 95 % where they come from few values."""
    return T95.get(freedom, 2.0 + 2.6 / freedom)
