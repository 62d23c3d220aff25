"""A motion sensor on I2C: the conformance kit, and registers against physics."""

from __future__ import annotations

import math
import re
import struct
from pathlib import Path

import pytest
import yaml
from slipguard_imu_i2c import ImuI2c, Settings, registers

from slipguard import ConfigError, PluginError
from slipguard.plugin.host import Host
from slipguard.testing import ManualClock, make_config, serve_i2c
from slipguard.testing.kit import SensorSourceContract


class FakeChip:
    """The sensor by its registers, behind the calls of smbus2 that are used.

    As its register map gives it (from memory): PWR_MGMT_1 resets to 0x40, asleep; asleep it
    measures nothing; reading INT_STATUS clears data ready; values are big endian.
    """

    def __init__(self, identity=0x68):
        self.identity = identity
        self.broken = False
        self.closed = False
        self.power_cycle()

    def power_cycle(self):
        self.registers = bytearray(128)
        self.registers[0x6B] = 0x40
        self.registers[0x75] = self.identity

    def measure(self, accel_g=(0, 0, 1), gyro_dps=(0, 0, 0), temperature_c=36.53):
        """One sample, with the ranges the registers ask for."""
        if self.registers[0x6B] & 0x40:
            return
        per_g = 16384 >> (self.registers[0x1C] >> 3 & 3)
        per_dps = 131.072 / 2 ** (self.registers[0x1B] >> 3 & 3)
        raw = [
            *(a * per_g for a in accel_g),
            (temperature_c - 36.53) * 340,
            *(g * per_dps for g in gyro_dps),
        ]
        limited = [min(max(round(value), -32768), 32767) for value in raw]
        self.registers[0x3B:0x49] = struct.pack(">7h", *limited)
        self.registers[0x3A] |= 1

    def read_byte_data(self, address, register):
        self._reach(address)
        value = self.registers[register]
        if register == 0x3A:
            self.registers[0x3A] = 0
        return value

    def read_i2c_block_data(self, address, register, length):
        self._reach(address)
        assert length <= 32  # the most one transfer of the system takes
        return list(self.registers[register : register + length])

    def write_byte_data(self, address, register, value):
        self._reach(address)
        if register == 0x6B and value & 0x80:
            self.power_cycle()
            return
        self.registers[register] = value

    def close(self):
        self.closed = True

    def _reach(self, address):
        if self.broken or address != 0x68:
            raise OSError(121, "Remote I/O error")


class Bench:
    def __init__(self, chip=None, **settings):
        self.chip = chip or FakeChip()
        self.clock = ManualClock(10.0)
        self.imu = ImuI2c(Settings(**settings), lambda n: self.chip, self.clock, lambda s: None)


@pytest.fixture
def bench():
    return Bench()


class TestImuI2c(SensorSourceContract):
    """The whole kit on the fake chip."""

    section = "imu-i2c: {}"

    @pytest.fixture
    def source(self, bench):
        return bench.imu

    @pytest.fixture
    def feed(self, bench):
        return bench.chip.measure

    @pytest.fixture
    def break_hardware(self, bench):
        return lambda broken: setattr(bench.chip, "broken", broken)


def test_through_the_real_bus_library(monkeypatch):
    """What smbus2 makes of our calls is what the chip must be asked."""
    chip = FakeChip()
    serve_i2c(monkeypatch, chip)
    with ImuI2c(Settings(), sleep=lambda s: None) as imu:
        chip.measure((0.5, 0, -1), (10, 0, 0))
        reading = imu.read()
    assert reading.accel_mps2 == pytest.approx((4.903, 0, -9.807), abs=0.01)
    assert reading.gyro_radps == pytest.approx((math.radians(10), 0, 0), abs=0.001)


@pytest.mark.parametrize("range_g", [2, 4, 8, 16])
@pytest.mark.parametrize("range_dps", [250, 500, 1000, 2000])
def test_physics_comes_out_whatever_the_range(range_g, range_dps):
    """Level rest reads +9.80665 m/s2 on z; 90 deg/s is pi/2 rad/s; within one step."""
    bench = Bench(accel_range_g=range_g, gyro_range_dps=range_dps)
    with bench.imu:
        bench.chip.measure((0, 0, 1), (0, -90, 90))
        reading = bench.imu.read()
    step_mps2 = range_g * 9.80665 / 32768
    step_radps = math.radians(range_dps) / 32768
    assert reading.accel_mps2 == pytest.approx((0, 0, 9.80665), abs=step_mps2)
    assert reading.gyro_radps == pytest.approx((0, -math.pi / 2, math.pi / 2), abs=step_radps)


def test_scale_factors_are_those_of_the_register_map():
    """MPU-6050: 16384 LSB/g at 2 g, 131 LSB/(deg/s) at 250 (from memory)."""
    one_g = struct.pack(">7h", 16384, 0, 0, 0, 131, 0, 0)
    accel, temperature_c, gyro = registers.decode(one_g, 2, 250)
    assert accel[0] == pytest.approx(9.80665)
    assert math.degrees(gyro[0]) == pytest.approx(1.0, rel=1e-3)
    assert temperature_c == pytest.approx(36.53)


def test_the_chip_is_set_up_as_asked():
    """Registers after opening: awake, filter, rate, ranges."""
    bench = Bench(rate_hz=200, lowpass_hz=94, accel_range_g=4, gyro_range_dps=2000)
    bench.imu.open()
    found = {r: bench.chip.registers[r] for r in (0x19, 0x1A, 0x1B, 0x1C, 0x38, 0x6B)}
    assert found == {0x19: 4, 0x1A: 2, 0x1B: 3 << 3, 0x1C: 1 << 3, 0x38: 1, 0x6B: 1}


def test_the_same_sample_is_not_read_twice(bench):
    """Nothing new is None: a loop faster than the chip does not invent measurements."""
    with bench.imu:
        bench.chip.measure()
        assert bench.imu.read() is not None
        assert bench.imu.read() is None


def test_a_full_scale_value_is_passed_on_for_the_core_to_see(bench):
    """Saturation is judged by the core, which knows imu.accel_range_mps2 (78.4 for 8 g)."""
    with bench.imu:
        bench.chip.measure(accel_g=(20, 0, -20), gyro_dps=(3000, 0, 0))
        reading = bench.imu.read()
    assert reading.accel_mps2[0] >= 78.4
    assert reading.accel_mps2[2] <= -78.4
    assert reading.gyro_radps[0] >= 17.4


def test_another_chip_is_refused_with_what_was_found():
    """A compass at the same address is no motion sensor."""
    bench = Bench(FakeChip(identity=0x48))
    with pytest.raises(OSError, match="the chip at 0x68 says it is 0x48, expected 0x68"):
        bench.imu.open()
    assert bench.chip.closed
    with Bench(FakeChip(identity=0x98), who_am_i=0x98).imu:
        pass


def test_a_chip_that_lost_its_supply_is_set_up_again(bench):
    """Asleep after a brown-out: reported as failed, woken, counted, and it measures again."""
    with bench.imu:
        bench.chip.measure()
        bench.imu.read()
        bench.chip.power_cycle()
        for _ in range(12):
            bench.clock.advance(0.01)
            bench.chip.measure()
            assert bench.imu.read() is None
            if bench.imu.health().failed:
                break
        assert bench.imu.health().failed == ("accel_mps2", "gyro_radps")
        assert "no new sample for 0.1" in bench.imu.health().message
        bench.chip.measure((0, 0, 1))
        assert bench.imu.read().accel_mps2[2] == pytest.approx(9.80665, abs=0.01)
        assert bench.imu.health().failed == ()
        assert bench.imu.health().counts == {"resets": 1}


def test_a_chip_that_is_awake_but_silent_is_reported_not_reset(bench):
    """Resetting a chip that hangs in another way would hide it."""
    with bench.imu:
        bench.clock.advance(1.0)
        assert bench.imu.read() is None
        assert bench.imu.health().failed == bench.imu.provides
        assert bench.imu.health().counts == {"resets": 0}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("accel_range_g: 3", "accel_range_g: found 3, expected one of 2, 4, 8, 16"),
        ("gyro_range_dps: 300", "gyro_range_dps: found 300, expected one of 250, 500, 1000, 2000"),
        ("lowpass_hz: 50", "lowpass_hz: found 50, expected one of 184, 94, 44, 21, 10, 5"),
        ("address: 0x80", "address: found 128, expected a whole number from 3 to 119"),
    ],
)
def test_wrong_settings_are_told_with_their_place(text, said):
    """Every mistake in the file names line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"imu-i2c:\n  {text}"))
    assert str(caught.value).startswith(f"rover.yaml:7: plugins.imu-i2c.{said}")


def test_a_bus_that_is_not_there_is_one_line():
    """Through the host, with the real library: plugin, package and what the system says."""
    with pytest.raises(PluginError, match=r"plugin imu-i2c .* cannot be opened: \w+Error: "):
        Host(make_config("imu-i2c: {bus: 250}"), threads=False).open()


def test_the_readme_example_works():
    """What the worked scenario says is what plugin and core take."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    values = yaml.safe_load(example)
    Host(make_config(yaml.safe_dump(values["plugins"])))
    assert values["imu"]["accel_range_mps2"] <= 8 * 9.80665 * 32767 / 32768
