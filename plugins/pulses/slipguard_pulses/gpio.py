"""Pulses from the computer's own pins, through gpiozero.

Which library drives the pins is gpiozero's choice (environment variable GPIOZERO_PIN_FACTORY).
Most of them time pulses in software: a busy computer makes servos tremble. They stop with the
program, so a servo without power lets go: a hold does not outlive it. One is different: with
``pigpio`` a daemon makes the pulses, and it goes on with the last ones for ever when this program
is killed. So that one must be named, and is never fallen back on in silence.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

from slipguard import PluginError
from slipguard.plugin import WhenSilent
from slipguard_pulses.outputs import PulseOutputs, PulseSettings


class GpioOutputs(PulseOutputs):
    """Outputs are GPIO numbers."""

    count = 64

    def __init__(self, settings: PulseSettings) -> None:
        daemon = os.environ.get("GPIOZERO_PIN_FACTORY") == "pigpio"
        self.when_silent = WhenSilent("holds_last" if daemon else "releases")
        self._frame_us = 1e6 / settings.frame_hz
        self._frame_hz = settings.frame_hz
        self._devices: dict[int, Any] = {}

    def open(self, pulses_us: Mapping[int, float]) -> None:
        from gpiozero import Device, PWMOutputDevice

        Device.ensure_pin_factory()
        if self.when_silent.does != "holds_last" and _is_daemon(Device.pin_factory):
            raise PluginError(
                "the pins are driven by the pigpio daemon, whose pulses go on when this program "
                "is killed: set GPIOZERO_PIN_FACTORY to pigpio, so that this is known, or to lgpio"
            )
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


def _is_daemon(factory: Any) -> bool:
    return any(kind.__module__ == "gpiozero.pins.pigpio" for kind in type(factory).__mro__)
