"""Pulses from a 16-channel I2C pulse board (PCA9685 and its copies), through smbus2.

The board repeats its pulses by itself: they go on when this program is killed, and only a power
cut or its output-enable pin stops them. Registers and formulas are those of the chip's public
datasheet (NXP PCA9685, section 7.3), written from memory.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any

from slipguard.plugin import WhenSilent
from slipguard_pulses.outputs import PulseOutputs, PulseSettings

MODE1, MODE2 = 0x00, 0x01
LED0_ON_L = 0x06
PRE_SCALE = 0xFE
SLEEP, AUTO_INCREMENT = 0x10, 0x20
TOTEM_POLE = 0x04
FULL_OFF = 0x10  # bit 4 of LEDn_OFF_H
STEPS = 4096
WAKE_S = 500e-6
"""The oscillator needs this long after sleep."""


def prescale(oscillator_hz: float, frame_hz: float) -> int:
    """Divider for a frame rate: round(clock / (4096 rate)) - 1 (datasheet 7.3.5)."""
    return round(oscillator_hz / (STEPS * frame_hz)) - 1


def open_bus(number: int) -> Any:
    """The bus ``/dev/i2c-number``."""
    from smbus2 import SMBus

    return SMBus(number)


class BoardOutputs(PulseOutputs):
    """Outputs are the board's, 0 to 15.

    Every ``set_us`` reads the board's mode first: one that lost its power for a moment sleeps,
    its servos are limp; it is set up again at once and counted.

    Attributes
    ----------
    resets : int
        How often the board was found asleep.
    """

    when_silent = WhenSilent("holds_last")
    count = 16

    def __init__(
        self,
        settings: PulseSettings,
        make_bus: Callable[[int], Any] = open_bus,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.resets = 0
        self._bus_number = settings.bus
        self._address = settings.address
        self._prescale = prescale(settings.oscillator_hz, settings.frame_hz)
        self._step_us = (self._prescale + 1) / settings.oscillator_hz * 1e6
        self._make_bus = make_bus
        self._sleep = sleep
        self._bus: Any = None
        self._counts: dict[int, int | None] = {}
        self._turn = 0

    def open(self, pulses_us: Mapping[int, float]) -> None:
        self._bus = self._make_bus(self._bus_number)
        self._counts = {output: self._count(us) for output, us in pulses_us.items()}
        # A board that runs at the right rate may be holding the rover on a slope, left so by a
        # program that was killed: it is not stopped for a moment, only told the new pulses.
        if self._read(MODE1) & SLEEP or self._read(PRE_SCALE) != self._prescale:
            self._set_up()
        else:
            self._bus.write_byte_data(self._address, MODE1, AUTO_INCREMENT)
            self._send(self._counts)

    def set_us(self, pulses_us: Mapping[int, float | None]) -> None:
        new = {output: self._count(us) for output, us in pulses_us.items()}
        changed = {o: c for o, c in new.items() if self._counts.get(o) != c}
        self._counts.update(new)
        if self._read(MODE1) & SLEEP:
            self.resets += 1
            self._set_up()
            return
        try:
            self._send(changed)
        except BaseException:
            # Not known to have arrived: sent again next time, changed or not.
            self._counts.update(dict.fromkeys(changed, -1))
            raise

    def close(self) -> None:
        """Let go of the bus; the board repeats its last pulses."""
        if self._bus is not None:
            self._bus.close()
            self._bus = None

    def _set_up(self) -> None:
        """Pulses first, then awake, so that no output ever shows anything else."""
        write = self._bus.write_byte_data
        write(self._address, MODE1, SLEEP | AUTO_INCREMENT)
        write(self._address, MODE2, TOTEM_POLE)
        write(self._address, PRE_SCALE, self._prescale)  # can be written asleep alone
        self._send(self._counts)
        write(self._address, MODE1, AUTO_INCREMENT)
        self._sleep(WAKE_S)

    def _send(self, counts: Mapping[int, int | None]) -> None:
        for output, count in counts.items():
            off = [0, FULL_OFF] if count is None else [count & 0xFF, count >> 8]
            register = LED0_ON_L + 4 * output
            self._bus.write_i2c_block_data(self._address, register, [0, 0, *off])

    def _read(self, register: int) -> int:
        value: int = self._bus.read_byte_data(self._address, register)
        return value

    def _count(self, pulse_us: float | None) -> int | None:
        return None if pulse_us is None else min(STEPS - 1, round(pulse_us / self._step_us))
