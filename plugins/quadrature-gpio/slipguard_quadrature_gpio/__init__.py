"""Wheel encoders on the pins of a Linux computer, through the kernel's GPIO character device.

The kernel stamps and numbers every edge as it happens and keeps it until it is read, so a busy
computer loses none until its buffer is full, and then the numbers tell how many.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from slipguard import WHEELS, Reading
from slipguard.plugin import Health, Register, SensorSource, hookimpl, setting
from slipguard_quadrature_gpio.decoder import PulseDecoder, QuadratureDecoder

KERNEL_EVENTS = 1024
"""Edges the kernel keeps for us: the most it allows (16 for each of 64 lines)."""
MOST_EVENTS = 4 * KERNEL_EVENTS
"""Edges taken in one go, so that a line that oscillates does not hold up the loop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoder:
    """One encoder and its lines."""

    a: int = setting(low=0, high=511, doc="line of channel A")
    b: int | None = setting(
        None, low=0, high=511, doc="line of channel B; none: one channel, no direction"
    )
    reverse: bool = setting(False, doc="count the other way: mounted mirrored")

    def __post_init__(self) -> None:
        if self.reverse and self.b is None:
            raise ValueError("reverse: found true, expected channel B: one channel cannot tell")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    wheels: dict[str, Encoder] = setting(choices=WHEELS, doc="the encoder of each wheel")
    chip: str = setting("/dev/gpiochip0", doc="device of the lines")
    bias: str = setting(
        "pull_up",
        choices=("as_is", "disabled", "pull_up", "pull_down"),
        doc="resistor",
    )
    debounce_us: int = setting(
        0, unit="us", low=0, high=5000, doc="edges nearer than this are one: for switches"
    )
    glitch_us: float = setting(
        20.0, unit="us", low=0, high=5000, doc="edges of one line nearer than this are counted as "
        "suspicious"
    )  # fmt: skip

    def __post_init__(self) -> None:
        if not self.wheels:
            raise ValueError("wheels: found none, expected at least one of fl, fr, rl, rr")
        taken: dict[int, str] = {}
        for name, line in _lines(self).items():
            if line in taken:
                raise ValueError(f"wheels: {taken[line]} and {name} are on one line, {line}")
            taken[line] = name


def request_lines(settings: Settings) -> Any:
    """Ask the kernel for both edges of every line, through gpiod."""
    from datetime import timedelta

    import gpiod
    from gpiod.line import Bias, Clock, Direction, Edge

    line = gpiod.LineSettings(
        direction=Direction.INPUT,
        edge_detection=Edge.BOTH,
        bias=getattr(Bias, settings.bias.upper()),
        debounce_period=timedelta(microseconds=settings.debounce_us),
        event_clock=Clock.MONOTONIC,
    )
    return gpiod.request_lines(
        settings.chip,
        consumer="slipguard",
        config={tuple(_lines(settings).values()): line},
        event_buffer_size=KERNEL_EVENTS,
    )


class QuadratureGpio(SensorSource):
    """Cumulative counts of up to four wheels; a wheel without encoder is None."""

    provides = ("counts",)

    def __init__(
        self,
        settings: Settings,
        request: Callable[[Settings], Any] = request_lines,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._make_request = request
        self._clock = clock
        self._request: Any = None
        self._decoders: dict[str, QuadratureDecoder | PulseDecoder] = {}
        self._targets: dict[int, tuple[str, str]] = {
            line: (name.partition(".")[0], name.partition(".")[2])
            for name, line in _lines(settings).items()
        }
        self._seen: dict[int, tuple[int, int]] = {}  # line: its last number and time stamp
        self._lost = 0
        self._glitches = 0

    def _open(self) -> None:
        from gpiod.line import Value

        self._request = self._make_request(self._settings)
        offsets = list(_lines(self._settings).values())
        values = self._request.get_values(offsets)
        level = {o: int(v is Value.ACTIVE) for o, v in zip(offsets, values, strict=True)}
        self._decoders = {
            wheel: PulseDecoder(level[encoder.a])
            if encoder.b is None
            else QuadratureDecoder(level[encoder.a], level[encoder.b])
            for wheel, encoder in self._settings.wheels.items()
        }

    def _read(self) -> Reading:
        taken = 0
        while taken < MOST_EVENTS and self._request.wait_edge_events(0):
            events = self._request.read_edge_events(KERNEL_EVENTS)
            for event in events:
                self._take(event)
            taken += len(events)
        # Always: that no edge came is news too, the wheel stands.
        return Reading(t_s=self._clock(), counts=tuple(self._count(wheel) for wheel in WHEELS))

    def _health(self) -> Health:
        invalid = sum(decoder.invalid for decoder in self._decoders.values())
        return Health(
            counts={
                "invalid_transitions": invalid,
                "lost_edges": self._lost,
                "suspicious_edges": self._glitches,
            }
        )

    def _close(self) -> None:
        if self._request is not None:
            self._request.release()
            self._request = None

    def _take(self, event: Any) -> None:
        line = event.line_offset
        number, stamp_ns = self._seen.get(line, (event.line_seqno - 1, None))
        self._lost += max(0, event.line_seqno - number - 1)
        if stamp_ns is not None and event.timestamp_ns - stamp_ns < self._settings.glitch_us * 1e3:
            self._glitches += 1
        self._seen[line] = (event.line_seqno, event.timestamp_ns)
        wheel, channel = self._targets[line]
        self._decoders[wheel].edge(channel, int(event.event_type is event.Type.RISING_EDGE))

    def _count(self, wheel: str) -> int | None:
        decoder = self._decoders.get(wheel)
        if decoder is None:
            return None
        return -decoder.count if self._settings.wheels[wheel].reverse else decoder.count


def _lines(settings: Settings) -> dict[str, int]:
    """Line of every channel, by name: ``'fl.a'``."""
    found = {}
    for wheel, encoder in settings.wheels.items():
        found[f"{wheel}.a"] = encoder.a
        if encoder.b is not None:
            found[f"{wheel}.b"] = encoder.b
    return found


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the encoders."""
    register.sensor_source(QuadratureGpio, Settings)
