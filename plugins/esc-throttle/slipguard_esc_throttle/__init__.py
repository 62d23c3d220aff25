"""The motor's throttle, on an electronic speed controller that takes servo pulses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from slipguard_pulses import FULL_RANGE_US, PulseOutputs, PulseSettings, Slew, make_outputs

from slipguard import Decision
from slipguard.plugin import THROTTLE, Actuator, Health, Register, hookimpl, setting
from slipguard_esc_throttle.gearbox import Ceremony, Gear, Gearbox

LOWEST_US, HIGHEST_US = FULL_RANGE_US


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    output: int = setting(low=0, high=63, doc="output of the pulse board, or GPIO number")
    pulses: PulseSettings = setting(PulseSettings(), doc="how the pulses are made")
    neutral_us: float = setting(
        1500.0, unit="us", low=LOWEST_US, high=HIGHEST_US, doc="pulse of neutral"
    )
    trim_us: float = setting(
        0.0, unit="us", low=-100, high=100, doc="added to neutral, until the motor is still"
    )
    forward_us: float = setting(
        2000.0, unit="us", low=LOWEST_US, high=HIGHEST_US, doc="pulse of full forward"
    )
    reverse_us: float = setting(
        1000.0, unit="us", low=LOWEST_US, high=HIGHEST_US, doc="pulse of full reverse"
    )
    start_us: float = setting(
        0.0, unit="us", low=0, high=100, doc="the controller's own dead band, stepped over"
    )
    dead_band: float = setting(
        0.03, unit="-", low=0, high=0.3, doc="requests up to this are neutral"
    )
    forward_rate: float = setting(1.0, unit="-", low=0.05, high=1, doc="scale of forward")
    reverse_rate: float = setting(1.0, unit="-", low=0.05, high=1, doc="scale of reverse")
    rise_per_s: float = setting(
        4.0, unit="1/s", above=0, doc="fastest rise of the throttle; it falls at once"
    )
    arm_s: float = setting(
        2.0, unit="s", low=0, high=30, doc="unbroken neutral until the controller is armed"
    )
    double_tap: bool = setting(
        True, doc="the controller reverses only after brake, neutral, reverse"
    )
    tap_level: float = setting(0.2, unit="-", low=0.05, high=1, doc="how hard the first tap brakes")
    tap_s: float = setting(0.15, unit="s", low=0.02, high=2, doc="shortest first tap")
    neutral_s: float = setting(0.15, unit="s", low=0.02, high=2, doc="neutral after the first tap")
    rest_mps: float = setting(
        0.15, unit="m/s", above=0, doc="faster than this the first tap goes on braking"
    )

    def __post_init__(self) -> None:
        center_us = self.neutral_us + self.trim_us
        low, high = sorted((self.reverse_us, self.forward_us))
        if not low < center_us < high:
            raise ValueError(
                f"neutral_us: found {center_us:g} with trim, expected between reverse_us "
                f"{self.reverse_us:g} and forward_us {self.forward_us:g}"
            )
        count = make_outputs(self.pulses).count
        if self.output >= count:
            raise ValueError(
                f"output: found {self.output}, expected 0 to {count - 1} "
                f"with driver {self.pulses.driver}"
            )

    def pulse_us(self, level: float) -> float:
        """Pulse for what the controller is asked, -1..1."""
        center_us = self.neutral_us + self.trim_us
        if level == 0.0:
            return center_us
        end_us = self.forward_us if level > 0 else self.reverse_us
        start_us = min(self.start_us, abs(end_us - center_us))
        way = 1 if end_us > center_us else -1
        return center_us + way * (start_us + abs(level) * (abs(end_us - center_us) - start_us))


class EscThrottle(Actuator):
    """The decision's throttle, through the ceremony the controller asks for."""

    channels = (THROTTLE,)

    def __init__(self, settings: Settings, outputs: PulseOutputs | None = None) -> None:
        self._settings = settings
        self._outputs = outputs if outputs is not None else make_outputs(settings.pulses)
        self.when_silent = self._outputs.when_silent
        self._rise = Slew(0.0, settings.rise_per_s)
        self._gearbox = Gearbox(
            Ceremony(
                arm_s=settings.arm_s,
                double_tap=settings.double_tap,
                tap_s=settings.tap_s,
                tap_level=settings.tap_level,
                neutral_s=settings.neutral_s,
                rest_mps=settings.rest_mps,
            )
        )

    @property
    def gear(self) -> Gear:
        """Where the ceremony stands."""
        return self._gearbox.gear

    def _open(self) -> None:
        self._outputs.open({self._settings.output: self._settings.pulse_us(0.0)})

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        settings = self._settings
        level = self._gearbox.step(
            command[THROTTLE], settings.dead_band, decision.estimate.speed_mps, decision.t_s
        )
        if self.gear is Gear.BRAKE:
            # Braking is not scaled and needs no gentle beginning; what follows does.
            self._rise.jump(0.0)
            self._rise.step(0.0, decision.t_s)
        else:
            level *= settings.forward_rate if level > 0 else settings.reverse_rate
            level = self._gently(level, decision.t_s)
        self._send(level)

    def _safe_state(self, reason: str) -> None:
        self._gearbox.lock()
        self._rise.jump(0.0)
        self._send(0.0)

    def _health(self) -> Health:
        resets = getattr(self._outputs, "resets", 0)
        return Health(counts={"board_resets": resets} if resets else {})

    def _close(self) -> None:
        self._outputs.close()

    def _gently(self, level: float, t_s: float) -> float:
        """Towards neutral at once, away from it no faster than ``rise_per_s``."""
        if self._rise.value * level < 0:
            self._rise.jump(0.0)
        elif abs(level) < abs(self._rise.value):
            self._rise.jump(level)
        return self._rise.step(level, t_s)

    def _send(self, level: float) -> None:
        self._outputs.set_us({self._settings.output: self._settings.pulse_us(level)})


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the throttle."""
    register.actuator(EscThrottle, Settings)
