"""A pulse board by its registers, behind the calls of smbus2 that are used: for tests."""

from __future__ import annotations

OSCILLATOR_HZ = 25e6


class FakeBoard:
    """The chip: registers, sleep, auto-increment, and the pulses that come out.

    Behaviour as the chip's datasheet gives it (from memory): MODE1 resets to 0x11; PRE_SCALE
    resets to 0x1E and can be written asleep alone; block writes need auto-increment (AI);
    asleep, nothing comes out; bit 4 of LEDn_OFF_H is full off.
    """

    def __init__(self, address: int = 0x40) -> None:
        self.address = address
        self.broken = False
        self.closed = False
        self.writes = 0
        self.slept = 0
        self.power_cycle()

    def power_cycle(self) -> None:
        """Lose the supply for a moment."""
        self.registers = bytearray(256)
        self.registers[0x00] = 0x11
        self.registers[0x01] = 0x04
        self.registers[0xFE] = 0x1E
        for output in range(16):
            self.registers[0x06 + 4 * output + 3] = 0x10

    def pulse_us(self, output: int) -> float | None:
        """Width of the pulse on an output; None: no pulses."""
        on_l, on_h, off_l, off_h = self.registers[0x06 + 4 * output :][:4]
        if self.registers[0x00] & 0x10 or off_h & 0x10:
            return None
        count = (off_h & 0x0F) << 8 | off_l
        start = (on_h & 0x0F) << 8 | on_l
        return (count - start) * (self.registers[0xFE] + 1) / OSCILLATOR_HZ * 1e6

    def frame_hz(self) -> float:
        """Pulses a second."""
        return OSCILLATOR_HZ / 4096 / (self.registers[0xFE] + 1)

    # -- smbus2 ---------------------------------------------------------------------------

    def write_byte_data(self, address: int, register: int, value: int) -> None:
        """As smbus2."""
        self._reach(address)
        assert 0 <= value <= 255
        self.writes += 1
        if register == 0xFE and not self.registers[0x00] & 0x10:
            return  # awake: ignored by the chip
        if register == 0x00 and value & 0x10:
            self.slept += 1
        self.registers[register] = value

    def write_i2c_block_data(self, address: int, register: int, values: list[int]) -> None:
        """As smbus2."""
        self._reach(address)
        self.writes += 1
        for value in values:
            assert isinstance(value, int)
            assert 0 <= value <= 255
            self.registers[register] = value
            if self.registers[0x00] & 0x20:
                register += 1

    def read_byte_data(self, address: int, register: int) -> int:
        """As smbus2."""
        self._reach(address)
        return self.registers[register]

    def close(self) -> None:
        """As smbus2."""
        self.closed = True

    def _reach(self, address: int) -> None:
        if self.broken or address != self.address:
            raise OSError(121, "Remote I/O error")
