"""The fault table: each fault played in closed loop, and what came of it, measured.

    python tests/live_faults.py        # prints the table of the README

The rover drives 1.5 m/s on the level, simulated; the loop runs at 100 Hz in virtual time. Its
throttle's hardware goes to neutral by itself 0.3 s after the last command.
"""

from __future__ import annotations

import errno
import math
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from live_bench import (
    FAULT_S,
    PERIOD_S,
    SILENT_S,
    Hang,
    Outcome,
    Part,
    Rig,
    broken,
    level,
)

from slipguard.live import Receiver, Recorder, Watchdog
from slipguard.live.command import Command, sign
from slipguard.live.recorder import DriveFile
from slipguard.plugin import Health
from slipguard.reading import WHEELS
from slipguard.simulate.faults import EncoderFault, ImuFault

STOP = "motor off, gentle stop, hold"
CANNOT_SEE = "-"
PLUGIN_DEADLINE_S = 0.02
"""Of the plugin that hangs, in real time; the others may take as long as they need."""


@dataclass(frozen=True)
class Row:
    """One fault."""

    name: str
    does: str
    play: Callable[[], Outcome]
    stops: bool = True  # False: the rover drives on
    silent: bool = False  # True: nothing need be told
    throttle_obeys: bool = True  # False: the fault is the throttle's own


def _part(name: str, **fault: object) -> Callable[[], Outcome]:
    def play() -> Outcome:
        with Rig() as rig:

            def happen() -> None:
                for key, value in fault.items():
                    setattr(getattr(rig, name), key, value)

            return rig.after(happen)

    return play


def _hang(name: str) -> Callable[[], Outcome]:
    def play() -> Outcome:
        rig = Rig(threads=True)
        part: Part = getattr(rig, name)
        part.deadline_s = PLUGIN_DEADLINE_S
        hang = Hang()
        try:
            with rig:
                return rig.after(lambda: setattr(part, "fault", hang), 10.0)
        finally:
            hang.release.set()

    return play


def _sensor(*faults: ImuFault | EncoderFault, seconds: float = 3.0) -> Callable[[], Outcome]:
    def play() -> Outcome:
        with Rig(level(faults=faults)) as rig:
            return rig.after(lambda: None, seconds)

    return play


def _imu(kind: str) -> Callable[[], Outcome]:
    return _sensor(ImuFault(kind=kind, start_s=FAULT_S))  # type: ignore[arg-type]


def _encoder(kind: str, *wheels: str, seconds: float = 3.0) -> Callable[[], Outcome]:
    faults = [EncoderFault(kind=kind, wheel=w, start_s=FAULT_S) for w in wheels]  # type: ignore[arg-type]
    return _sensor(*faults, seconds=seconds)


def link_lost() -> Outcome:
    """The radio is silent."""
    with Rig(level(link=lambda t_s: t_s < FAULT_S)) as rig:
        return rig.after(lambda: None)


class Sender:
    """The scenario's driver behind real messages, with a clock of its own."""

    def __init__(self, rig: Rig) -> None:
        self.shift_s = 0.0
        self._rig = rig
        self._receiver = Receiver(None, 0.6, lambda: "token")
        self._seq = 0

    def poll(self, now_s: float) -> Command | None:
        command = self._rig.rover.poll(now_s)
        assert command is not None
        body = (
            f'{{"token": "token", "seq": {self._seq}, "sent_s": {now_s + self.shift_s}, '
            f'"age_s": 0.0, "throttle": {command.throttle}, "steer": {command.steer}, '
            '"motor_enabled": true}'
        )
        self._seq += 1
        self._receiver.receive(sign(body.encode(), None), now_s)
        return self._receiver.command(now_s)

    def news(self, now_s: float) -> str | None:
        return None

    def close(self) -> None:
        pass


def _senders_clock(by_s: float) -> Callable[[], Outcome]:
    def play() -> Outcome:
        rig = Rig()
        sender = rig.loop.operator = Sender(rig)
        with rig:
            return rig.after(lambda: setattr(sender, "shift_s", by_s))

    return play


def loop_hangs() -> Outcome:
    """The loop does not come back for 10 s; the watchdog's thread acts meanwhile."""
    with Rig() as rig:
        loop = rig.loop

        def panic(reason: str) -> None:
            rig.host.panic(reason)

        dog = Watchdog(lambda: loop._last_s, rig.clock, loop.settings.stall_s, panic)
        rig.drive(FAULT_S)
        at_s, x_m = rig.t_s, rig.rover.plant.truth().x_m
        zero_s = seen_s = still_s = None
        moved_m = 0.0
        for _ in range(500):  # the time of the hang, as the watchdog's thread lives it
            rig.clock.advance(0.02)
            dog.check()
            rig.move()
            rig.rover.live_until(rig.t_s)
            since_s = rig.t_s - at_s
            if dog.hangs and seen_s is None:
                seen_s = since_s
            if rig.throttle.command["throttle"] == 0.0 and zero_s is None:
                zero_s = since_s
            if abs(rig.rover.plant.truth().speed_mps) < 0.02 and still_s is None:
                still_s, moved_m = since_s, rig.rover.plant.truth().x_m - x_m
        done = rig.loop.round()  # it comes back, and does not drive on
        assert done.sent.throttle == 0.0
        return Outcome(
            round(seen_s or math.nan, 3),
            round(zero_s or math.nan, 3),
            round(still_s or math.nan, 3),
            moved_m,
            0.0,
            done.stopped_by,
            [],
        )


def disk_full() -> Outcome:
    """No space left on device."""
    full = [False]

    class File(DriveFile):
        def push(self) -> int:
            if full[0]:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return super().push()

    with tempfile.TemporaryDirectory() as folder:
        recorder = Recorder(folder, "counts", make_file=File)
        with Rig(recorder=recorder) as rig:
            rig.on_round = lambda rig: recorder.pump()

            def happen() -> None:
                full[0] = True
                recorder._pushed_s = -math.inf

            outcome = rig.after(happen)
        full[0] = False
        recorder.close()
    return outcome


def _sink(make: Callable[[], Callable[[], object]], threads: bool = False) -> Callable[[], Outcome]:
    def play() -> Outcome:
        fault = make()
        with Rig(threads=threads) as rig:

            def happen() -> None:
                rig.sink.fault = fault
                rig.loop._tell("info", "test", "something to pass on")

            try:
                return rig.after(happen)
            finally:
                if isinstance(fault, Hang):
                    fault.release.set()

    return play


def broker_gone() -> Outcome:
    """The broker of the real plugin ends; without mosquitto there never was one."""
    from slipguard_mqtt_alert import MqttAlert, Settings

    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = [program, "-p", str(port)] if program else [sys.executable, "-c", ""]
    broker = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    rig = Rig(threads=True)
    sink = MqttAlert(Settings(port=port, state_period_s=0.05))
    rig.use_sink(sink)
    try:
        with rig:
            if program:
                _until(lambda: sink.is_connected)

            def happen() -> None:
                broker.kill()
                _until(lambda: not sink.is_connected)

            return rig.after(happen)
    finally:
        broker.kill()
        broker.wait()


def _until(true: Callable[[], bool]) -> None:
    """Wait for something another process does; it takes milliseconds."""
    for _ in range(2000):
        if true():
            return
        time.sleep(0.005)
    raise TimeoutError


def can_bus_off() -> Outcome:
    """The CAN controller of the brakes leaves the bus: the real plugin on a virtual bus."""
    import can
    import cantools
    import slipguard_can_brake
    from slipguard_can_brake import BUS_OFF, CanBrake, Settings

    dbc = Path(slipguard_can_brake.__file__).with_name("brakes.dbc")
    database = cantools.database.load_file(dbc)
    bus = can.Bus(interface="virtual", channel="fault table", ignore_config=True)

    class Nodes:
        """The brake nodes, which hold the last command that reached them."""

        command = dict.fromkeys((f"brake.{w}" for w in WHEELS), 1.0)
        beat = 0
        bus_off = False

        def live(self) -> None:
            """Take the command, and each send a status."""
            while (frame := bus.recv(0.0)) is not None:
                if not self.bus_off:
                    heard = database.decode_message(frame.arbitration_id, frame.data)
                    self.command = {
                        f"brake.{w}": float(heard[f"Brake{w.upper()}"]) / 100 for w in WHEELS
                    }
            self.beat = (self.beat + 1) % 16
            for wheel in () if self.bus_off else WHEELS:
                message = database.get_message_by_name(f"BrakeStatus{wheel.upper()}")
                status = {"Position": 100 * self.command[f"brake.{wheel}"], "Temperature": 25}
                data = message.encode({**status, "Fault": 0, "AliveCounter": self.beat})
                bus.send(can.Message(arbitration_id=message.frame_id, data=data))

    nodes = Nodes()
    rig = Rig()
    settings = Settings(channel="fault table", interface="virtual", node_when_silent="applies")
    rig.use_brakes(CanBrake(settings, clock=rig.clock), nodes)
    rig.on_round = lambda rig: nodes.live()

    def happen() -> None:
        nodes.bus_off = True
        nodes.command = dict.fromkeys(nodes.command, 1.0)  # they apply when commands stop
        bus.send(can.Message(arbitration_id=BUS_OFF, is_error_frame=True, is_extended_id=False))

    with rig:
        outcome = rig.after(happen)
    bus.shutdown()
    return outcome


def asked_to_end() -> Outcome:
    """SIGTERM and SIGINT lead here."""
    with Rig() as rig:
        return rig.after(lambda: rig.loop.stop("asked to end by SIGTERM"))


def exception() -> Outcome:
    """A fault of slipguard itself: the loop ends, the actuators are sent to their safe state."""
    rig = Rig()
    at_s = zero_s = still_s = math.nan
    x_m = 0.0
    try:
        with rig:
            rig.drive(FAULT_S)
            at_s, x_m = rig.t_s, rig.rover.plant.truth().x_m
            rig.loop._guard = None  # type: ignore[assignment]
            rig.loop.round()
    except AttributeError:
        zero_s = rig.t_s - at_s
    assert (rig.throttle.command["throttle"], *rig.front.command.values()) == (0.0, 1.0, 1.0)
    while math.isnan(still_s):
        rig.clock.advance(PERIOD_S)
        rig.move()
        rig.rover.live_until(rig.t_s)
        if abs(rig.rover.plant.truth().speed_mps) < 0.02:
            still_s = rig.t_s - at_s
    travel_m = rig.rover.plant.truth().x_m - x_m
    return Outcome(round(zero_s, 6), round(zero_s, 6), round(still_s, 6), travel_m, 0.0, (), [])


OWN = f"the others brake; its hardware goes to neutral after {SILENT_S:g} s by itself"
SAYS = "drives on; the driver is told"
ROWS = (
    Row("brake plugin raises", STOP, _part("front", fault=broken())),
    Row("brake plugin hangs for 10 s", STOP, _hang("front")),
    Row("brake plugin returns nonsense", STOP, _part("front", fault=lambda: 42)),
    Row("brake plugin's health is nonsense", STOP, _part("front", reported="fine")),
    Row(
        "brake hardware reports a failure",
        STOP,
        _part("rear", reported=Health(failed=("brake.rl",), message="servo stalled")),
    ),
    Row("CAN bus-off (`can-brake`)", "motor off; the nodes brake by themselves", can_bus_off),
    Row("throttle plugin raises", OWN, _part("throttle", fault=broken()), throttle_obeys=False),
    Row("throttle plugin hangs for 10 s", OWN, _hang("throttle"), throttle_obeys=False),
    Row("sensor plugin raises", STOP, _part("senses", fault=broken())),
    Row("sensor plugin hangs for 10 s", STOP, _hang("senses")),
    Row("sensor plugin returns nonsense", STOP, _part("senses", fault=lambda: {"counts": 3})),
    Row("IMU saturated", STOP, _imu("saturated")),
    Row("IMU gives no number", STOP, _imu("nan")),
    Row("IMU missing", STOP, _imu("missing")),
    Row("IMU frozen", STOP, _imu("frozen")),
    Row("one encoder dead", STOP, _encoder("dead", "rl", seconds=12.0)),
    Row("all encoders silent", STOP, _encoder("none", *WHEELS)),
    Row("link lost", STOP, link_lost),
    Row("sender's clock put back by an hour", STOP, _senders_clock(-3600.0)),
    Row("sender's clock put forward by an hour", "drives on", _senders_clock(3600.0), False, True),
    Row("loop hangs for 10 s", "safe state by the watchdog, then held", loop_hangs),
    Row("fault of slipguard itself (exception)", "safe state at once; the program ends", exception),
    Row("SIGTERM, SIGINT", f"{STOP}; the program ends", asked_to_end),
    Row("disk full", SAYS, disk_full, stops=False),
    Row("broker gone (`mqtt-alert`)", SAYS, broker_gone, stops=False),
    Row("alert sink raises", SAYS, _sink(lambda: broken("no route to host")), stops=False),
    Row("alert sink hangs", SAYS, _sink(Hang, threads=True), stops=False),
)


def table() -> str:
    """The table in Markdown."""

    def ms(seconds: float | None) -> str:
        return CANNOT_SEE if seconds is None else f"{1e3 * seconds:.0f} ms"

    lines = [
        "| fault | found after | throttle at zero after | at rest after | on the way | what the "
        "rover does |",
        "|---|---|---|---|---|---|",
    ]
    for row in ROWS:
        o = row.play()
        rest = "-" if o.standstill_s is None else f"{o.standstill_s:.2f} s"
        way = f"{o.travel_m:.2f} m" if row.stops else "-"
        found = ms(o.seen_s if row.stops else None)
        lines.append(
            f"| {row.name} | {found} | {ms(o.throttle_zero_s)} | {rest} | {way} | {row.does} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    print(table())
