"""Pulses from the computer's own pins, through gpiozero.

Which library drives the pins is gpiozero's choice (environment variable GPIOZERO_PIN_FACTORY).
Most of them time pulses in software: a busy computer makes servos tremble. They stop with the
program, so a servo without power lets go: a hold does not outlive it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from slipguard.plugin import WhenSilent
from slipguard_pulses.outputs import PulseOutputs, PulseSettings


class GpioOutputs(PulseOutputs):
    """Outputs are GPIO numbers."""

    when_silent = WhenSilent("releases")
    count = 64

    def __init__(self, settings: PulseSettings) -> None:
        self._frame_us = 1e6 / settings.frame_hz
        self._frame_hz = settings.frame_hz
        self._devices: dict[int, Any] = {}

    def open(self, pulses_us: Mapping[int, float]) -> None:
        from gpiozero import PWMOutputDevice

        for output, pulse_us in pulses_us.items():
            self._devices[output] = PWMOutputDevice(
                output, frequency=self._frame_hz, initial_value=pulse_us / self._frame_us
            )

    def set_us(self, pulses_us: Mapping[int, float | None]) -> None:
        for output, pulse_us in pulses_us.items():
            self._devices[output].value = 0.0 if pulse_us is None else pulse_us / self._frame_us

    def close(self) -> None:
        while self._devices:
            self._devices.popitem()[1].close()
