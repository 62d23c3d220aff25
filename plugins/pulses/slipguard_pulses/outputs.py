"""Where pulses come out, and the settings that choose it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

from slipguard.plugin import WhenSilent, setting

FULL_RANGE_US = (1000.0, 2000.0)
"""Pulse widths every hobby servo and speed controller takes. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseSettings:
    """How the pulses are made."""

    driver: str = setting(
        "i2c", choices=("i2c", "gpio"), doc="i2c: 16-channel pulse board; gpio: the computer's pins"
    )
    frame_hz: int = setting(50, unit="Hz", low=40, high=330, doc="pulses a second")
    bus: int = setting(1, low=0, high=255, doc="i2c only: number of the bus, 1 for /dev/i2c-1")
    address: int = setting(0x40, low=0x03, high=0x77, doc="i2c only: address of the board")
    oscillator_hz: float = setting(
        25e6,
        unit="Hz",
        low=20e6,
        high=30e6,
        doc="i2c only: the board's clock; boards differ by some percent, measure a pulse",
    )

    def __post_init__(self) -> None:
        longest_us = FULL_RANGE_US[1] * 1.1
        if self.frame_hz * longest_us > 1e6:
            raise ValueError(
                f"frame_hz: found {self.frame_hz}, expected room for pulses of {longest_us:g} us"
            )


class PulseOutputs(ABC):
    """Several outputs that each repeat one pulse. Building it touches nothing; ``open`` does."""

    when_silent: WhenSilent
    """What comes out when this program is killed."""
    count: int
    """Outputs are numbered from 0 to below this."""

    @abstractmethod
    def open(self, pulses_us: Mapping[int, float]) -> None:
        """Take hold of the hardware and begin with these pulses, by output."""

    @abstractmethod
    def set_us(self, pulses_us: Mapping[int, float | None]) -> None:
        """Change pulse widths, microseconds; None: no pulses, the servo is without power."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the hardware."""


def make_outputs(settings: PulseSettings) -> PulseOutputs:
    """The outputs that the settings choose."""
    # Imported here, so that the library of the driver not chosen need not work on this machine.
    if settings.driver == "gpio":
        from slipguard_pulses.gpio import GpioOutputs

        return GpioOutputs(settings)
    from slipguard_pulses.board import BoardOutputs

    return BoardOutputs(settings)
