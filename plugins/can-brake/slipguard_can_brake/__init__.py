"""Brakes whose nodes listen on a CAN bus; messages as a DBC file describes them."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from slipguard import WHEELS, Decision
from slipguard.plugin import BRAKES, Actuator, Health, Register, WhenSilent, hookimpl, setting
from slipguard_can_brake.layout import Layout, read_layout

SEND_WITHIN_S = 0.002
MOST_FRAMES = 200
"""Frames taken from the bus in one go: a flooded bus does not hold up the loop."""
BUS_OFF, RESTARTED = 0x40, 0x100
"""Bits of an error frame's id: the controller has left the bus, is back (Linux, can/error.h)."""
DEFAULT_SIGNALS = {wheel: f"Brake{wheel.upper()}" for wheel in WHEELS}
DEFAULT_STATUS = {wheel: f"BrakeStatus{wheel.upper()}" for wheel in WHEELS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    channel: str = setting(doc="name of the bus, e.g. can0")
    interface: str = setting("socketcan", doc="interface of python-can")
    bitrate: int | None = setting(
        None, unit="bit/s", low=10_000, high=1_000_000, doc="none: as the system has set it"
    )
    dbc: str | None = setting(None, doc="DBC file; none: the one that comes with the plugin")
    command: str = setting("BrakeCommand", doc="message with the brake commands")
    signals: dict[str, str] | None = setting(
        None, choices=WHEELS, doc="command signal of each wheel that has a brake"
    )
    counter_signal: str | None = setting("AliveCounter", doc="counter in every message; none: no")
    status: dict[str, str] | None = setting(
        None, choices=WHEELS, doc="status message of each wheel; {}: the nodes send none"
    )
    position_signal: str | None = setting("Position", doc="of a status: brake travel; none: no")
    temperature_signal: str | None = setting("Temperature", doc="of a status: degC; none: no")
    fault_signal: str | None = setting("Fault", doc="of a status: not 0: cannot brake; none: no")
    heartbeat_s: float = setting(
        0.25, unit="s", low=0.02, high=5, doc="a node silent this long has failed"
    )
    node_when_silent: str = setting(
        choices=("holds_last", "releases", "applies"),
        doc="what the NODES do when commands stop; try it, wheels off the ground",
    )
    node_timeout_s: float = setting(
        0.0, unit="s", low=0, high=10, doc="how long the nodes wait before they do so"
    )
    safe_brake: float = setting(1.0, unit="-", low=0, high=1, doc="brake at the end and in trouble")

    def __post_init__(self) -> None:
        self.layout()

    def layout(self) -> Layout:
        """The DBC file, with what the settings name in it."""
        signals = self.signals if self.signals is not None else DEFAULT_SIGNALS
        if not signals:
            raise ValueError("signals: found none, expected at least one of fl, fr, rl, rr")
        statuses = self.status
        if statuses is None:
            statuses = {wheel: DEFAULT_STATUS[wheel] for wheel in signals}
        for wheel in statuses:
            if wheel not in signals:
                raise ValueError(f"status: {wheel} has no command signal under signals")
        return read_layout(
            self.dbc,
            self.command,
            signals,
            self.counter_signal,
            statuses,
            {
                "position_signal": self.position_signal,
                "temperature_signal": self.temperature_signal,
                "fault_signal": self.fault_signal,
                "counter_signal": self.counter_signal,
            },
        )


def open_bus(settings: Settings) -> Any:
    """The bus of the settings, through python-can."""
    import can

    options: dict[str, Any] = {} if settings.bitrate is None else {"bitrate": settings.bitrate}
    return can.Bus(
        interface=settings.interface, channel=settings.channel, ignore_config=True, **options
    )


@dataclass(slots=True)
class _Node:
    """What is known of one brake on the bus."""

    heard_s: float
    counter: float | None = None
    fault: bool = False
    position: float | None = None
    temperature_c: float | None = None


@dataclass(slots=True)
class _Counts:
    error_frames: int = 0
    bad_frames: int = 0
    bus_off: bool = False
    nodes: dict[str, _Node] = field(default_factory=dict)


class CanBrake(Actuator):
    """One command frame a step with every brake in it; one status frame a node.

    A node that is silent, whose counter stands still, or that reports a fault is reported as
    failed, and only its wheel.
    """

    def __init__(
        self,
        settings: Settings,
        make_bus: Callable[[Settings], Any] = open_bus,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._make_bus = make_bus
        self._clock = clock
        self._layout = settings.layout()
        self.channels = tuple(c for c in BRAKES if _wheel(c) in self._layout.signals)
        self.when_silent = WhenSilent(settings.node_when_silent, settings.node_timeout_s)
        self._bus: Any = None
        self._count = 0
        self._seen = _Counts()

    def _open(self) -> None:
        self._bus = self._make_bus(self._settings)
        now_s = self._clock()
        wheels = {wheel for wheel, _ in self._layout.statuses.values()}
        self._seen = _Counts(nodes={wheel: _Node(now_s) for wheel in wheels})

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        self._send(command)

    def _safe_state(self, reason: str) -> None:
        self._send(dict.fromkeys(self.channels, self._settings.safe_brake))

    def _close(self) -> None:
        if self._bus is not None:
            self._bus.shutdown()
            self._bus = None

    def _health(self) -> Health:
        self._listen()
        failed = self._failures()
        nodes = self._seen.nodes.items()
        return Health(
            failed=tuple(failed),
            message="; ".join(dict.fromkeys(failed.values())),
            position={f"brake.{w}": n.position for w, n in nodes if n.position is not None},
            temperature_c={
                f"brake.{w}": n.temperature_c for w, n in nodes if n.temperature_c is not None
            },
            counts={
                "error_frames": self._seen.error_frames,
                "bad_frames": self._seen.bad_frames,
            },
        )

    def _failures(self) -> dict[str, str]:
        """Channels that do not work, and why."""
        if self._seen.bus_off:
            # Every brake, also one whose node sends no status: no command leaves this computer.
            return dict.fromkeys(self.channels, "the CAN controller is bus-off")
        now_s, found = self._clock(), {}
        for wheel, node in self._seen.nodes.items():
            silent_s = now_s - node.heard_s
            if silent_s > self._settings.heartbeat_s:
                found[f"brake.{wheel}"] = f"{wheel} not heard for {silent_s:.1f} s"
            elif node.fault:
                found[f"brake.{wheel}"] = f"{wheel} reports a fault"
        return found

    def _send(self, command: Mapping[str, float]) -> None:
        import can

        layout = self._layout
        values: dict[str, float] = {signal.name: 0 for signal in layout.command.signals}
        for channel, value in command.items():
            signal = layout.signals[_wheel(channel)]
            values[signal.name] = value * signal.maximum
        if layout.counter is not None:
            values[layout.counter.name] = self._count
            self._count = (self._count + 1) % 2**layout.counter.length
        self._bus.send(
            can.Message(
                arbitration_id=layout.command.frame_id,
                is_extended_id=layout.command.is_extended_frame,
                data=layout.command.encode(values, strict=False),
            ),
            timeout=SEND_WITHIN_S,
        )

    def _listen(self) -> None:
        for _ in range(MOST_FRAMES):
            frame = self._bus.recv(0.0)
            if frame is None:
                return
            if frame.is_error_frame:
                self._seen.error_frames += 1
                if frame.arbitration_id & (BUS_OFF | RESTARTED):
                    self._seen.bus_off = not frame.arbitration_id & RESTARTED
                continue
            self._seen.bus_off = False  # whatever is heard, it is heard on the bus
            if frame.arbitration_id in self._layout.statuses:
                self._hear(*self._layout.statuses[frame.arbitration_id], frame.data)

    def _hear(self, wheel: str, message: Any, data: bytes) -> None:
        try:
            values = message.decode(data, decode_choices=False)
        except Exception:  # cantools and its bit reader raise errors of several kinds
            self._seen.bad_frames += 1
            return
        settings, node = self._settings, self._seen.nodes[wheel]
        counter = values.get(settings.counter_signal)
        if counter is None or counter != node.counter:
            node.heard_s = self._clock()
        node.counter = counter
        node.fault = bool(values.get(settings.fault_signal, 0))
        node.temperature_c = values.get(settings.temperature_signal)
        position = values.get(settings.position_signal)
        if position is not None:
            full = message.get_signal_by_name(settings.position_signal).maximum or 1.0
            share = position / full
            node.position = min(max(share, 0.0), 1.0) if math.isfinite(share) else None


def _wheel(channel: str) -> str:
    return channel.removeprefix("brake.")


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the brakes."""
    register.actuator(CanBrake, Settings)
