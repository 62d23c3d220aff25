"""A hobby servo that presses the brake of each wheel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from slipguard_pulses import FULL_RANGE_US, PulseOutputs, PulseSettings, Slew, make_outputs

from slipguard import WHEELS, Decision
from slipguard.plugin import Actuator, Health, Register, hookimpl, setting

LOWEST_US, HIGHEST_US = FULL_RANGE_US
Pulse = TypeVar("Pulse", float, float | None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Servo:
    """One servo and the brake it presses."""

    output: int = setting(low=0, high=63, doc="output of the pulse board, or GPIO number")
    released_us: float = setting(
        1100.0,
        unit="us",
        low=LOWEST_US,
        high=HIGHEST_US,
        doc="pulse at which the brake is surely free",
    )
    touch_us: float | None = setting(
        None,
        unit="us",
        low=LOWEST_US,
        high=HIGHEST_US,
        doc="pulse at which the pad begins to touch; none: like released_us",
    )
    full_us: float = setting(
        1900.0, unit="us", low=LOWEST_US, high=HIGHEST_US, doc="pulse of the full brake"
    )
    reverse: bool = setting(
        False, doc="mounted mirrored: every pulse is mirrored about the middle, 1500 us"
    )
    dead_band: float = setting(
        0.02, unit="-", low=0, high=0.5, doc="commands up to this leave the brake released"
    )

    def __post_init__(self) -> None:
        touch_us = self.released_us if self.touch_us is None else self.touch_us
        low, high = sorted((self.released_us, self.full_us))
        if low == high:
            raise ValueError(f"full_us: found {self.full_us:g}, expected other than released_us")
        if not low <= touch_us <= high:
            raise ValueError(
                f"touch_us: found {touch_us:g}, expected between released_us "
                f"{self.released_us:g} and full_us {self.full_us:g}"
            )

    def pulse_us(self, command: float) -> float:
        """Pulse for a brake command 0..1.

        Up to the dead band released; above it from touch to full, in proportion.
        """
        if command <= self.dead_band:
            pulse_us = self.released_us
        else:
            touch_us = self.released_us if self.touch_us is None else self.touch_us
            pulse_us = touch_us + command * (self.full_us - touch_us)
        return LOWEST_US + HIGHEST_US - pulse_us if self.reverse else pulse_us


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    servos: dict[str, Servo] = setting(choices=WHEELS, doc="the servo of each wheel")
    pulses: PulseSettings = setting(PulseSettings(), doc="how the pulses are made")
    slew_us_per_s: float = setting(10_000.0, unit="us/s", above=0, doc="fastest change of a pulse")
    safe_brake: float = setting(
        1.0,
        unit="-",
        low=0,
        high=1,
        doc="brake at start, at the end and in trouble",
    )
    rest_after_s: float | None = setting(
        None,
        unit="s",
        low=1,
        doc="a brake released this long gets no pulses until it is needed; none: always powered",
    )

    def __post_init__(self) -> None:
        if not self.servos:
            raise ValueError("servos: found none, expected at least one of fl, fr, rl, rr")
        count = make_outputs(self.pulses).count
        taken: dict[int, str] = {}
        for wheel, servo in self.servos.items():
            if servo.output >= count:
                raise ValueError(
                    f"servos: {wheel}.output is {servo.output}, expected 0 to {count - 1} "
                    f"with driver {self.pulses.driver}"
                )
            if servo.output in taken:
                other = taken[servo.output]
                raise ValueError(f"servos: {other} and {wheel} are on one output, {servo.output}")
            taken[servo.output] = wheel


class ServoBrake(Actuator):
    """Commands to pulses, each servo with its own travel.

    A servo without pulses is limp and lets its brake go, so pulses stop only for a brake that
    is released (``rest_after_s``), never while it holds.
    """

    def __init__(self, settings: Settings, outputs: PulseOutputs | None = None) -> None:
        self._settings = settings
        self._outputs = outputs if outputs is not None else make_outputs(settings.pulses)
        self._servos = {
            f"brake.{wheel}": settings.servos[wheel] for wheel in WHEELS if wheel in settings.servos
        }
        self.channels = tuple(self._servos)
        self.when_silent = self._outputs.when_silent
        self._safe_us = {
            channel: servo.pulse_us(settings.safe_brake) for channel, servo in self._servos.items()
        }
        self._travel = {
            channel: Slew(pulse_us, settings.slew_us_per_s)
            for channel, pulse_us in self._safe_us.items()
        }
        self._released_s: dict[str, float | None] = dict.fromkeys(self.channels)

    def _open(self) -> None:
        # Holding: the rover may have been restarted on a slope.
        self._outputs.open(self._by_output(self._safe_us))

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        pulses_us: dict[str, float | None] = {}
        for channel, value in command.items():
            servo = self._servos[channel]
            target_us = servo.pulse_us(value)
            pulse_us = self._travel[channel].step(target_us, decision.t_s)
            released = value <= servo.dead_band and pulse_us == target_us
            resting = self._rests(channel, released, decision.t_s)
            pulses_us[channel] = None if resting else pulse_us
        self._outputs.set_us(self._by_output(pulses_us))

    def _safe_state(self, reason: str) -> None:
        for channel, pulse_us in self._safe_us.items():
            self._travel[channel].jump(pulse_us)
            self._released_s[channel] = None
        self._outputs.set_us(self._by_output(self._safe_us))

    def _health(self) -> Health:
        resets = getattr(self._outputs, "resets", 0)
        return Health(counts={"board_resets": resets} if resets else {})

    def _close(self) -> None:
        self._outputs.close()

    def _rests(self, channel: str, released: bool, t_s: float) -> bool:
        if not released or self._settings.rest_after_s is None:
            self._released_s[channel] = None
            return False
        since_s = self._released_s[channel]
        if since_s is None or t_s < since_s:
            self._released_s[channel] = since_s = t_s
        return t_s - since_s >= self._settings.rest_after_s

    def _by_output(self, pulses_us: Mapping[str, Pulse]) -> dict[int, Pulse]:
        return {self._servos[channel].output: us for channel, us in pulses_us.items()}


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the brakes."""
    register.actuator(ServoBrake, Settings)
