"""Encoders and IMU of the simulated rover: what truth looks like from inside."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.reading import WHEELS, Triple
from slipguard.simulate.faults import EncoderFault, ImuFault
from slipguard.simulate.settings import SimSettings

Array = NDArray[np.float64]


def mount_rotation(rotation_deg: Triple) -> Array:
    """Rotation matrix from sensor axes to body axes: yaw, pitch, roll about own axes."""
    (cr, sr), (cp, sp), (cy, sy) = (
        (math.cos(math.radians(a)), math.sin(math.radians(a))) for a in rotation_deg
    )
    roll = np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    pitch = np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]])
    yaw = np.array([[cy, -sy, 0], [sy, cy, 0], [0, 0, 1]])
    turned: Array = yaw @ pitch @ roll
    return turned


class _Delay:
    """Values of some ticks ago; between ticks by interpolation."""

    def __init__(self, delay_s: float, dt_s: float) -> None:
        self._whole, self._part = divmod(delay_s / dt_s, 1.0)
        if self._part < 1e-9:
            self._part = 0.0
        self._past: deque[Array] = deque(maxlen=int(self._whole) + 2)

    def __call__(self, value: Array) -> Array:
        self._past.append(value)
        newest = len(self._past) - 1
        a = self._past[max(0, newest - int(self._whole))]
        if not self._part:
            return a
        b = self._past[max(0, newest - int(self._whole) - 1)]
        blend: Array = a + self._part * (b - a)
        return blend


class EncoderModel:
    """Counts (or speeds) of the four hubs, relative to the chassis, as they arrive.

    A count is the floor of the hub's angle in counts plus a phase that differs from run to
    run. A one-channel sensor counts every edge upwards.
    """

    def __init__(
        self,
        config: Config,
        dt_s: float,
        faults: Sequence[EncoderFault],
        rng: np.random.Generator,
    ) -> None:
        self._settings = config.encoders
        self._faults = [(WHEELS.index(f.wheel), f) for f in faults]
        self._rng = rng
        self._delay = _Delay(config.encoders.delay_s, dt_s)
        self._period = 1.0 / config.encoders.rate_hz
        self._next_s = 0.0
        self._per_rad = (config.encoders.counts_per_rev or 0.0) / (2 * math.pi)
        self._phase = rng.uniform(0, 1, 4)
        self._raw: Array | None = None
        self._shown = np.zeros(4)

    def sample(self, t_s: float, angle_rad: Array, rate_radps: Array) -> list[float | None] | None:
        """Take one tick; return the four values when a reading is due, else None."""
        speeds = self._settings.kind == "speed"
        late = self._delay(rate_radps if speeds else angle_rad)
        due = t_s >= self._next_s - 1e-9
        if due:
            self._next_s += self._period
        if speeds:
            if not due:
                return None
            noise = self._settings.speed_noise_radps * self._rng.standard_normal(4)
            values: list[float | None] = [round(float(v), 4) for v in late + noise]
            for wheel, fault in self._faults:
                if fault.start_s <= t_s < fault.end_s:
                    values[wheel] = None if fault.kind == "none" else 0.0
            return values
        raw = np.floor(late * self._per_rad + self._phase)
        if self._raw is None:
            self._raw = raw
        step = raw - self._raw
        for wheel, fault in self._faults:
            if fault.start_s <= t_s < fault.end_s:
                step[wheel] = self._spoil(fault, step[wheel], raw[wheel])
        self._raw = raw
        self._shown += np.abs(step) if self._settings.direction == "unsigned" else step
        if not due:
            return None
        counts: list[float | None] = [int(c) for c in self._shown]
        for wheel, fault in self._faults:
            if fault.kind == "none" and fault.start_s <= t_s < fault.end_s:
                counts[wheel] = None
        return counts

    def _spoil(self, fault: EncoderFault, step: float, raw: float) -> float:
        if fault.kind == "dead":
            return 0.0
        if fault.kind == "missing_teeth":
            teeth = self._settings.counts_per_rev or 1.0
            present = (1 - fault.amount) * teeth

            def seen(count: float) -> float:
                return count // teeth * math.floor(present) + min(count % teeth, present) // 1

            return seen(raw) - seen(raw - step)
        if fault.kind == "bounce":
            return step + math.copysign(self._rng.poisson(fault.amount * abs(step)), step)
        return step


class ImuSpoiler:
    """What an IMU with faults makes of its samples, force and rate in one (6,)."""

    def __init__(self, config: Config, faults: Sequence[ImuFault]) -> None:
        imu = config.imu
        self._faults = list(faults)
        self._range = np.repeat([imu.accel_range_mps2, imu.gyro_range_radps], 3)
        self._last: Array = np.zeros(6)

    def __call__(self, t_s: float, value: Array) -> tuple[Triple, Triple] | None:
        """The sample as it arrives, rounded; None: nothing does."""
        for fault in self._faults:
            if fault.start_s <= t_s < fault.end_s:
                if fault.kind == "missing":
                    return None
                if fault.kind == "frozen":
                    value = self._last
                elif fault.kind == "saturated":
                    value = self._range.copy()
                else:
                    value = np.full(6, math.nan)
        self._last = value
        a, b, c, d, e, f = value.tolist()
        return (
            (round(a, 4), round(b, 4), round(c, 4)),
            (round(d, 5), round(e, 5), round(f, 5)),
        )


class ImuModel:
    """Specific force and angular rate as the sensor reports them.

    Error per axis: white noise (the rover file's standard deviation of one sample), a bias
    drawn per run that walks randomly, vibration tones tied to wheel speed, full scale.
    """

    TONES_PER_REV = np.array([14.0, 31.0, 53.0])  # tyre lugs and gear mesh; invented

    def __init__(
        self,
        config: Config,
        sim: SimSettings,
        dt_s: float,
        faults: Sequence[ImuFault],
        rng: np.random.Generator,
    ) -> None:
        imu = config.imu
        self._spoil = ImuSpoiler(config, faults)
        self._rng = rng
        self._to_sensor = mount_rotation(imu.rotation_deg).T
        self._delay = _Delay(imu.delay_s, dt_s)
        pair = np.repeat
        self._noise = pair([imu.accel_noise_mps2, imu.gyro_noise_radps], 3)
        self._range = pair([imu.accel_range_mps2, imu.gyro_range_radps], 3)
        spread = pair([sim.accel_bias_sd_mps2, sim.gyro_bias_sd_radps], 3)
        known = np.array([*imu.accel_bias_mps2, *imu.gyro_bias_radps])
        self._bias = known + spread * rng.standard_normal(6)
        walk = [sim.accel_drift_mps2_per_sqrt_s, sim.gyro_drift_radps_per_sqrt_s]
        self._walk = pair(walk, 3) * math.sqrt(dt_s)
        shake = pair([sim.vibration_mps2_per_mps, sim.vibration_radps_per_mps], 3)
        self._shake = shake[:, None] * rng.normal(0, 1 / math.sqrt(3), (6, 3))
        self._phase = rng.uniform(0, 2 * math.pi, 3)
        self._turn = self.TONES_PER_REV * dt_s
        self._draws = np.zeros((0, 12))
        self._used = 0

    def sample(
        self, t_s: float, force: Array, rate: Array, rim_mps: float, wheel_radps: float
    ) -> tuple[Triple, Triple] | None:
        """One sample from true specific force and rate in body axes; None: nothing arrived."""
        if self._used >= len(self._draws):
            self._draws, self._used = self._rng.standard_normal((500, 12)), 0
        draw = self._draws[self._used]
        self._used += 1
        self._bias += self._walk * draw[6:]
        self._phase += self._turn * wheel_radps
        clean = np.concatenate((self._to_sensor @ force, self._to_sensor @ rate))
        value = self._delay(clean + self._shake @ np.sin(self._phase) * rim_mps)
        value = value + self._bias + self._noise * draw[:6]
        value = np.clip(value, -self._range, self._range)
        return self._spoil(t_s, value)
