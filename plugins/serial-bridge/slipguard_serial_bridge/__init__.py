"""Sensors that a microcontroller reads, over a serial line; see ``protocol`` for the lines."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from slipguard import Reading
from slipguard.plugin import Health, Register, SensorSource, hookimpl, setting
from slipguard_serial_bridge.protocol import CLOCK_US, FIELDS, Line, Value
from slipguard_serial_bridge.receiver import Receiver

MOST_BYTES = 8192
"""Taken in one go, so that a flooded line does not hold up the loop."""
CREEP_S = 1e-4
"""How much the offset between the two clocks may grow each second of theirs: 100 ppm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    port: str = setting(doc="serial device, e.g. /dev/ttyACM0")
    baud: int = setting(
        115200, unit="bit/s", low=1200, high=4_000_000, doc="no meaning for USB devices"
    )
    provides: tuple[str, ...] = setting(
        ("counts",), choices=FIELDS, doc="what of the lines is used"
    )
    silent_s: float = setting(
        0.1, unit="s", low=0.02, high=10, doc="no good line for so long is a failure"
    )
    late_s: float = setting(
        0.05, unit="s", low=0.001, high=10, doc="a line this much later than the fastest is counted"
    )

    def __post_init__(self) -> None:
        if not self.provides or len(set(self.provides)) != len(self.provides):
            raise ValueError(f"provides: found {list(self.provides)}, expected some, each once")


def open_port(settings: Settings) -> Any:
    """The serial device, through pyserial; reading it never waits."""
    import serial

    return serial.Serial(settings.port, settings.baud, timeout=0, exclusive=True)


class SerialBridge(SensorSource):
    """The newest value of everything the lines carry, with faults counted.

    A device that was unplugged is opened again at each reading until it is there.
    """

    def __init__(
        self,
        settings: Settings,
        make_port: Callable[[Settings], Any] = open_port,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.provides = settings.provides
        self._settings = settings
        self._make_port = make_port
        self._clock = clock
        self._port: Any = None
        self._receiver = Receiver()
        self._stamps = Stamps()
        self._heard_s = 0.0
        self._late = 0

    def _open(self) -> None:
        self._port = self._make_port(self._settings)
        self._heard_s = self._clock()

    def _read(self) -> Reading | None:
        lines = self._receiver.feed(self._bytes())
        if not lines:
            return None
        now_s = self._clock()
        self._heard_s = now_s
        values: dict[str, Value] = {}
        t_s = now_s
        for line in lines:
            t_s = self._stamps.of(line, now_s)
            self._late += now_s - t_s > self._settings.late_s
            values.update(
                (name, value) for name, value in line.values.items() if name in self.provides
            )
        return Reading(t_s=t_s, **values)  # type: ignore[arg-type]

    def _health(self) -> Health:
        faults = self._receiver.faults
        silent_s = self._clock() - self._heard_s
        silent = silent_s > self._settings.silent_s
        return Health(
            failed=self.provides if silent else (),
            message=f"no good line for {silent_s:.2f} s" if silent else "",
            counts={
                "damaged_lines": faults.damaged,
                "lost_lines": faults.lost,
                "repeated_lines": faults.repeated,
                "restarts": faults.restarts,
                "late_lines": self._late,
            },
        )

    def _close(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None

    def _bytes(self) -> bytes:
        if self._port is None:
            self._port = self._make_port(self._settings)
            self._receiver.begin()
        try:
            data: bytes = self._port.read(MOST_BYTES)
        except Exception:
            port, self._port = self._port, None
            port.close()
            raise
        return data


class Stamps:
    """When a line was written, on our clock.

    The sender's clock keeps time but has its own zero; lines arrive early or late. The fastest
    line so far gives the offset; it may creep, so that clocks of different speed do not part.
    """

    def __init__(self) -> None:
        self._offset_s: float | None = None
        self._stamp_s = -math.inf
        self._sender_s = 0.0
        self._last_us: int | None = None

    def of(self, line: Line, now_s: float) -> float:
        """Time of ``line``, which arrived at ``now_s``; never after it, never going back."""
        step_us = 0 if self._last_us is None else (line.clock_us - self._last_us) % CLOCK_US
        if step_us > CLOCK_US // 2:  # the sender began anew
            step_us, self._offset_s = 0, None
        self._last_us = line.clock_us
        self._sender_s += step_us * 1e-6
        offset_s = now_s - self._sender_s
        if self._offset_s is not None:
            offset_s = min(offset_s, self._offset_s + step_us * 1e-6 * CREEP_S)
        self._offset_s = offset_s
        self._stamp_s = min(now_s, max(self._stamp_s, self._sender_s + offset_s))
        return self._stamp_s


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the bridge."""
    register.sensor_source(SerialBridge, Settings)
