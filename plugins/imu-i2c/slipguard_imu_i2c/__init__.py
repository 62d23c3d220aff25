"""A 6-axis motion sensor on I2C: the MPU-6050 and its copies."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from slipguard import Reading
from slipguard.plugin import Health, Register, SensorSource, hookimpl, setting
from slipguard_imu_i2c import registers as reg

RESET_S = 0.1
"""The chip needs this long after a reset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    bus: int = setting(1, low=0, high=255, doc="number of the bus, 1 for /dev/i2c-1")
    address: int = setting(0x68, low=0x03, high=0x77, doc="0x68, or 0x69 with pin AD0 high")
    accel_range_g: int = setting(8, unit="g", low=2, high=16, doc="full scale: 2, 4, 8 or 16")
    gyro_range_dps: int = setting(
        1000, unit="deg/s", low=250, high=2000, doc="full scale: 250, 500, 1000 or 2000"
    )
    lowpass_hz: int = setting(
        44, unit="Hz", low=5, high=184, doc="low-pass filter: 184, 94, 44, 21, 10 or 5"
    )
    rate_hz: float = setting(200.0, unit="Hz", low=4, high=1000, doc="samples a second")
    who_am_i: int = setting(
        0x68, low=0, high=255, doc="identity the chip must give; some copies give another"
    )
    silent_s: float = setting(
        0.1, unit="s", low=0.02, high=5, doc="no new sample for so long is a failure"
    )

    def __post_init__(self) -> None:
        for key, known in (
            ("accel_range_g", reg.ACCEL_RANGE_G),
            ("gyro_range_dps", reg.GYRO_RANGE_DPS),
            ("lowpass_hz", reg.LOWPASS_HZ),
        ):
            value = getattr(self, key)
            if value not in known:
                raise ValueError(
                    f"{key}: found {value}, expected one of {', '.join(map(str, known))}"
                )


def open_bus(number: int) -> Any:
    """The bus ``/dev/i2c-number``, through smbus2."""
    from smbus2 import SMBus

    return SMBus(number)


class ImuI2c(SensorSource):
    """Specific force and rates in the chip's own axes; ``imu.rotation_deg`` says how it sits.

    A chip that lost its supply for a moment wakes asleep and measures nothing: after
    ``silent_s`` it is set up again, and counted.
    """

    provides = ("accel_mps2", "gyro_radps")

    def __init__(
        self,
        settings: Settings,
        make_bus: Callable[[int], Any] = open_bus,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._settings = settings
        self._make_bus = make_bus
        self._clock = clock
        self._sleep = sleep
        self._bus: Any = None
        self._sample_s = 0.0
        self._temperature_c: float | None = None
        self._resets = 0

    def _open(self) -> None:
        self._bus = self._make_bus(self._settings.bus)
        found = self._read_byte(reg.WHO_AM_I)
        if found != self._settings.who_am_i:
            raise OSError(
                f"the chip at 0x{self._settings.address:02x} says it is 0x{found:02x}, expected "
                f"0x{self._settings.who_am_i:02x} (who_am_i)"
            )
        self._write_byte(reg.PWR_MGMT_1, reg.RESET)
        self._sleep(RESET_S)
        self._set_up()

    def _read(self) -> Reading | None:
        now_s = self._clock()
        if not self._read_byte(reg.INT_STATUS) & reg.DATA_READY:
            if now_s - self._sample_s > self._settings.silent_s:
                self._revive()
            return None
        block = self._bus.read_i2c_block_data(self._settings.address, reg.ACCEL_XOUT_H, 14)
        settings = self._settings
        accel, self._temperature_c, gyro = reg.decode(
            bytes(block), settings.accel_range_g, settings.gyro_range_dps
        )
        self._sample_s = now_s
        return Reading(t_s=now_s, accel_mps2=accel, gyro_radps=gyro)

    def _health(self) -> Health:
        silent_s = self._clock() - self._sample_s
        silent = silent_s > self._settings.silent_s
        temperature = self._temperature_c
        return Health(
            failed=self.provides if silent else (),
            message=f"no new sample for {silent_s:.2f} s" if silent else "",
            temperature_c={"gyro_radps": temperature} if temperature is not None else {},
            counts={"resets": self._resets},
        )

    def _close(self) -> None:
        if self._bus is not None:
            self._bus.close()
            self._bus = None

    def _set_up(self) -> None:
        settings = self._settings
        self._write_byte(reg.PWR_MGMT_1, reg.CLOCK_GYRO_X)
        self._write_byte(reg.CONFIG, reg.LOWPASS_HZ[settings.lowpass_hz])
        self._write_byte(reg.SMPLRT_DIV, reg.divider(settings.rate_hz))
        self._write_byte(reg.ACCEL_CONFIG, reg.ACCEL_RANGE_G[settings.accel_range_g] << 3)
        self._write_byte(reg.GYRO_CONFIG, reg.GYRO_RANGE_DPS[settings.gyro_range_dps] << 3)
        self._write_byte(reg.INT_ENABLE, reg.DATA_READY)
        self._sample_s = self._clock()

    def _revive(self) -> None:
        """Set up a chip that sleeps; leave alone one that is awake but slow."""
        if self._read_byte(reg.PWR_MGMT_1) & reg.SLEEP:
            since_s = self._sample_s
            self._set_up()
            self._sample_s = since_s  # it has failed until it measures
            self._resets += 1

    def _read_byte(self, register: int) -> int:
        value: int = self._bus.read_byte_data(self._settings.address, register)
        return value

    def _write_byte(self, register: int, value: int) -> None:
        self._bus.write_byte_data(self._settings.address, register, value)


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the motion sensor."""
    register.sensor_source(ImuI2c, Settings)
