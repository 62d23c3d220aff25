"""Brake servos on PWM outputs that the Linux kernel drives.

The kernel's interface is files (its documentation: "Using PWMs with the sysfs interface"): a
number written to ``export`` makes a folder ``pwmN``, in which ``period`` and ``duty_cycle`` take
nanoseconds and ``enable`` takes 0 or 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from slipguard import WHEELS, Decision
from slipguard.plugin import Actuator, Register, WhenSilent, hookimpl, setting

PERIOD_NS = 20_000_000
"""50 pulses a second, which every hobby servo takes. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    outputs: dict[str, int] = setting(
        choices=WHEELS, low=0, high=31, doc="PWM output of each wheel that has a brake"
    )
    chip: str = setting("/sys/class/pwm/pwmchip0", doc="the kernel's folder of the outputs")
    released_us: float = setting(
        1100.0, unit="us", low=800, high=2200, doc="pulse at which the brake is surely free"
    )
    full_us: float = setting(1900.0, unit="us", low=800, high=2200, doc="pulse of the full brake")

    def __post_init__(self) -> None:
        if not self.outputs:
            raise ValueError("outputs: found none, expected at least one of fl, fr, rl, rr")
        if len(set(self.outputs.values())) < len(self.outputs):
            raise ValueError("outputs: two wheels are on one output")
        if self.released_us == self.full_us:
            raise ValueError(f"full_us: found {self.full_us:g}, expected other than released_us")


class KernelPwm:
    """The hardware: outputs of one chip."""

    def __init__(self, chip: str) -> None:
        self._chip = Path(chip)

    def start(self, output: int, duty_ns: int) -> None:
        """Take an output and begin to send pulses."""
        if not (self._chip / f"pwm{output}").exists():
            self._write("export", output)
        # In this order: the kernel refuses a duty cycle longer than the period.
        self._write(f"pwm{output}/period", PERIOD_NS)
        self.set(output, duty_ns)
        self._write(f"pwm{output}/enable", 1)

    def set(self, output: int, duty_ns: int) -> None:
        """Change the width of the pulses."""
        self._write(f"pwm{output}/duty_cycle", duty_ns)

    def _write(self, name: str, value: int) -> None:
        (self._chip / name).write_text(f"{value}\n", encoding="ascii")


class PwmBrake(Actuator):
    """A servo a wheel. The pulses go on after the end: the brakes stay where they are."""

    when_silent = WhenSilent("holds_last")

    def __init__(self, settings: Settings, pwm: Callable[[str], KernelPwm] = KernelPwm) -> None:
        self._settings = settings
        self._make_pwm = pwm
        self._outputs = {
            f"brake.{wheel}": settings.outputs[wheel]
            for wheel in WHEELS
            if wheel in settings.outputs
        }
        self.channels = tuple(self._outputs)
        self._pwm: KernelPwm | None = None

    def _open(self) -> None:
        self._pwm = self._make_pwm(self._settings.chip)
        for output in self._outputs.values():
            # On at once: the rover may have been restarted on a slope.
            self._pwm.start(output, self._duty_ns(1.0))

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        assert self._pwm is not None
        for channel, value in command.items():
            self._pwm.set(self._outputs[channel], self._duty_ns(value))

    def _safe_state(self, reason: str) -> None:
        assert self._pwm is not None
        for output in self._outputs.values():
            self._pwm.set(output, self._duty_ns(1.0))

    def _close(self) -> None:
        # Nothing is switched off: a servo without pulses is limp, and its brake lets go.
        self._pwm = None

    def _duty_ns(self, level: float) -> int:
        settings = self._settings
        travel_us = settings.full_us - settings.released_us
        return round(1000.0 * (settings.released_us + level * travel_us))


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the brakes."""
    register.actuator(PwmBrake, Settings)
