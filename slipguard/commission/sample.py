"""What was read and sent while an item was tried, in units a hand can picture."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.fuse.cleaning import rotation_from_sensor
from slipguard.fuse.plain import finite
from slipguard.reading import WHEELS, Quad, Reading, Triple, quad

MOST_SAMPLES = 60_000
"""Five minutes at 200 Hz; of an item that takes longer the oldest are dropped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One reading and what was sent.

    Attributes
    ----------
    t_s : float
    turns : (4,) float
        Turns of each wheel since the session began, forward positive; NaN: never delivered.
    accel_mps2, gyro_radps : (3,) float or None
        In body axes as the rover file believes them; None: nothing new.
    asked : float
        Throttle the driver asked for; 0 while unknown.
    sent : float
        Throttle that was sent.
    brakes : (4,) float
        Brakes that were sent.
    command_age_s : float
        Infinite while no command ever came, and where it is no number.
    speed_mps : float
        As the guard estimates it.
    faults : tuple of str
        Sensor faults the guard finds, in words.
    """

    t_s: float
    turns: Quad
    accel_mps2: Triple | None
    gyro_radps: Triple | None
    asked: float
    sent: float
    brakes: Quad
    command_age_s: float
    speed_mps: float
    faults: tuple[str, ...]


class Collector:
    """Makes samples of readings and decisions, and keeps those of the item being tried."""

    def __init__(self, config: Config) -> None:
        self.samples: deque[Sample] = deque(maxlen=MOST_SAMPLES)
        self._config = config
        self._rows = rotation_from_sensor(config.imu.rotation_deg)
        self._turns = [math.nan] * 4
        self._told_s: dict[int, float] = {}
        self._asked = 0.0
        self._age_s = math.inf

    def begin(self) -> None:
        """Forget the samples of the item before."""
        self.samples.clear()

    def take(
        self, reading: Reading, decision: Decision, *, sent: float, brakes: Sequence[float]
    ) -> None:
        """Keep one round: what was read and decided, and what was sent in the end."""
        self._count(reading)
        if reading.throttle is not None and finite(reading.throttle):
            self._asked = float(reading.throttle)
        if (age_s := reading.command_age_s) is not None:
            self._age_s = float(age_s) if finite(age_s) else math.inf
        imu = self._config.imu
        self.samples.append(
            Sample(
                t_s=reading.t_s,
                turns=quad(self._turns),
                accel_mps2=self._in_body(reading.accel_mps2, imu.accel_bias_mps2),
                gyro_radps=self._in_body(reading.gyro_radps, imu.gyro_bias_radps),
                asked=self._asked,
                sent=sent,
                brakes=quad(brakes),
                command_age_s=self._age_s,
                speed_mps=decision.estimate.speed_mps,
                faults=tuple(f.reason for f in decision.findings if f.kind == "sensor_fault"),
            )
        )

    def _count(self, reading: Reading) -> None:
        encoders = self._config.encoders
        if encoders.kind == "counts":
            for i, count in enumerate(reading.counts or ()):
                if i < len(WHEELS) and count is not None and finite(count):
                    self._turns[i] = float(count) / (encoders.counts_per_rev or 1.0)
            return
        for i, rate in enumerate(reading.wheel_speed_radps or ()):
            if i < len(WHEELS) and rate is not None and finite(rate):
                passed_s = max(0.0, reading.t_s - self._told_s.get(i, reading.t_s))
                so_far = 0.0 if math.isnan(self._turns[i]) else self._turns[i]
                self._turns[i] = so_far + float(rate) * passed_s / (2.0 * math.pi)
                self._told_s[i] = reading.t_s

    def _in_body(self, values: Sequence[float] | None, bias: Triple) -> Triple | None:
        if values is None or len(values) != 3 or not all(map(finite, values)):
            return None
        own = [v - b for v, b in zip(values, bias, strict=True)]
        x, y, z = (sum(r * v for r, v in zip(row, own, strict=True)) for row in self._rows)
        return (x, y, z)
