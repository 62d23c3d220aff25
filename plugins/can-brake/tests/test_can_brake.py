"""Brakes on a CAN bus: the conformance kit and the nodes' side, on python-can's virtual bus."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import can
import cantools
import pytest
import slipguard_can_brake
import yaml
from slipguard_can_brake import CanBrake, Settings

from slipguard import WHEELS, ConfigError
from slipguard.plugin import BRAKES
from slipguard.plugin.host import Host
from slipguard.testing import ManualClock, make_config, make_decision, make_plugin
from slipguard.testing.kit import ActuatorContract

DBC = Path(slipguard_can_brake.__file__).parent / "brakes.dbc"
_numbers = itertools.count()


class Nodes:
    """The four brakes on the other end of the bus."""

    def __init__(self, channel):
        self.database = cantools.database.load_file(DBC)
        self.bus = can.Bus(interface="virtual", channel=channel)
        self.commands = []
        self.beat = 0

    def heard(self):
        """Every command frame so far, decoded, oldest first."""
        while (frame := self.bus.recv(0.0)) is not None:
            assert frame.arbitration_id == 0x120
            self.commands.append(self.database.decode_message(0x120, frame.data))
        return self.commands

    def report(self, wheels=WHEELS, count=True, **values):
        """Each node sends its status."""
        self.beat += count
        for wheel in wheels:
            message = self.database.get_message_by_name(f"BrakeStatus{wheel.upper()}")
            status = {"Position": 0, "Temperature": 25, "Fault": 0, **values}
            data = message.encode({**status, "AliveCounter": self.beat % 16})
            self.send(message.frame_id, data)

    def send(self, frame_id, data, **options):
        self.bus.send(
            can.Message(arbitration_id=frame_id, data=data, is_extended_id=False, **options)
        )


class Flaky:
    """A bus that can be broken."""

    def __init__(self, bus):
        self.bus = bus
        self.broken = False

    def send(self, *arguments, **options):
        if self.broken:
            raise can.CanOperationError("Network is down", 100)
        self.bus.send(*arguments, **options)

    def recv(self, timeout):
        return self.bus.recv(timeout)

    def shutdown(self):
        self.bus.shutdown()


class Bench:
    """The plugin, its bus and the nodes."""

    def __init__(self, **settings):
        channel = f"test-{next(_numbers)}"
        self.clock = ManualClock()
        self.nodes = Nodes(channel)
        self.flaky = None
        settings = {"node_when_silent": "applies", "node_timeout_s": 0.2, **settings}
        self.brake = CanBrake(
            Settings(channel=channel, interface="virtual", **settings), self._bus, self.clock
        )

    def _bus(self, settings):
        self.flaky = Flaky(slipguard_can_brake.open_bus(settings))
        return self.flaky

    def close(self):
        self.brake.close()
        self.nodes.bus.shutdown()


@pytest.fixture
def bench():
    bench = Bench()
    yield bench
    bench.close()


class TestCanBrake(ActuatorContract):
    """The whole kit, frame by frame over a virtual bus."""

    section = "can-brake: {channel: can0, node_when_silent: applies, node_timeout_s: 0.2}"

    @pytest.fixture
    def actuator(self, bench):
        return bench.brake

    @pytest.fixture
    def outputs(self, bench):
        def read():
            last = bench.nodes.heard()[-1] if bench.nodes.heard() else {}
            return {f"brake.{w}": last.get(f"Brake{w.upper()}", 0) / 100 for w in WHEELS}

        return read

    @pytest.fixture
    def break_hardware(self, bench):
        return lambda broken: setattr(bench.flaky, "broken", broken)


def test_the_bytes_on_the_bus(bench):
    """Worked out by hand: 10 bits each of 0.1 %, little endian; counter in the top nibble.

    fl 100 % = 1000 = 0x3E8 in bits 0-9, fr 50 % = 500 = 0x1F4 in bits 10-19,
    rl 0 in bits 20-29, rr 25 % = 250 = 0x0FA in bits 30-39:
    0x3E8 | 0x1F4 << 10 | 0x0FA << 30 = 0x3E_807D_03E8, then the counter 0, 1, ...
    """
    bench.brake.open()
    for _ in range(2):
        bench.brake.apply(make_decision(brakes=(1.0, 0.5, 0.0, 0.25)))
    first, second = bench.nodes.bus.recv(0), bench.nodes.bus.recv(0)
    assert first.arbitration_id == 0x120
    assert not first.is_extended_id
    expected = (0x3E8 | 0x1F4 << 10 | 0x0FA << 30).to_bytes(5, "little")
    assert bytes(first.data) == expected + b"\x00"
    assert bytes(second.data) == expected + b"\x10"


def test_the_counter_goes_round(bench):
    """Every frame counts, so that the nodes notice a sender that is frozen."""
    bench.brake.open()
    for _ in range(40):
        bench.brake.apply(make_decision())
    assert [c["AliveCounter"] for c in bench.nodes.heard()] == [i % 16 for i in range(40)]


def test_what_the_nodes_measure_is_reported(bench):
    """Position and temperature of each node come back by channel."""
    bench.brake.open()
    bench.nodes.report(["fl", "rr"], Position=37.5, Temperature=81)
    health = bench.brake.health()
    assert health.position == pytest.approx({"brake.fl": 0.375, "brake.rr": 0.375})
    assert health.temperature_c == {"brake.fl": 81, "brake.rr": 81}


def test_a_silent_node_costs_its_own_wheel_alone(bench):
    """And it is well again when it is heard again."""
    bench.brake.open()
    for _ in range(10):
        bench.nodes.report(["fl", "fr", "rl"])
        bench.brake.apply(make_decision())
        health = bench.brake.health()
        bench.clock.advance(0.05)
    assert health.failed == ("brake.rr",)
    assert health.message == "rr not heard for 0.4 s"
    bench.nodes.report()
    assert bench.brake.health().failed == ()


def test_a_node_whose_counter_stands_still_is_dead(bench):
    """A frozen controller that repeats its last frame does not pass for a living one."""
    bench.brake.open()
    for _ in range(10):
        bench.nodes.report(count=False)
        bench.brake.health()
        bench.clock.advance(0.05)
    assert set(bench.brake.health().failed) == {f"brake.{wheel}" for wheel in WHEELS}


def test_a_fault_bit_is_a_failure(bench):
    """The node knows best."""
    bench.brake.open()
    bench.nodes.report()
    bench.nodes.report(["rl"], Fault=1)
    health = bench.brake.health()
    assert health.failed == ("brake.rl",)
    assert health.message == "rl reports a fault"


def test_bus_off_fails_all_wheels_until_something_is_heard(bench):
    """A short circuit on the bus is told as what it is."""
    bench.brake.open()
    bench.nodes.report()
    bench.nodes.send(0x40, bytes(8), is_error_frame=True)
    health = bench.brake.health()
    assert len(health.failed) == 4
    assert health.message == "the CAN controller is bus-off"
    assert health.counts["error_frames"] == 1
    bench.nodes.report()
    assert bench.brake.health().failed == ()


@pytest.mark.parametrize("status", [{}, {"fl": "BrakeStatusFL"}])
def test_bus_off_needs_no_status_messages(status):
    """Where nodes send none, bus-off is all there is to notice; it ends when the bus is back."""
    bench = Bench(status=status, heartbeat_s=5.0)
    bench.brake.open()
    assert bench.brake.health().failed == ()
    for back in ({"frame_id": 0x100, "is_error_frame": True}, {"frame_id": 0x7FF}):
        bench.nodes.send(0x40, bytes(8), is_error_frame=True)
        health = bench.brake.health()
        assert health.failed == BRAKES
        assert health.message == "the CAN controller is bus-off"
        bench.nodes.send(0x04, bytes(8), is_error_frame=True)  # a warning changes nothing
        assert bench.brake.health().failed == BRAKES
        bench.nodes.send(data=bytes(8), **back)
        assert bench.brake.health().failed == ()
    bench.close()


def test_rubbish_on_the_bus_is_counted_and_nothing_else(bench):
    """Foreign frames are ignored; a status that is too short is counted."""
    bench.brake.open()
    bench.nodes.report()
    bench.nodes.send(0x130, b"\x01")
    bench.nodes.send(0x7FF, bytes(8))
    health = bench.brake.health()
    assert health.failed == ()
    assert health.counts["bad_frames"] == 1


def test_a_flooded_bus_does_not_hold_up_the_loop(bench):
    """One call takes a limited number of frames, whatever comes in."""
    bench.brake.open()
    for _ in range(1000):
        bench.nodes.send(0x7FF, b"")
    bench.brake.health()
    assert bench.flaky.bus.recv(0.0) is not None


def test_the_host_names_the_wheel_and_brakes_on_with_the_others():
    """Through the host: an alert for the driver, the channel for the loop."""
    bench = Bench()
    plugin = make_plugin("can-brake", actuator=lambda: bench.brake)
    config = make_config("can-brake: {}")
    with Host(config, plugins=[plugin], clock=bench.clock, threads=False) as host:
        told = []
        for i in range(60):
            bench.nodes.report(WHEELS if i < 20 else ("fl", "fr", "rr"))
            bench.clock.advance(0.01)
            told += host.apply(make_decision(i * 0.01, brakes=(0.5, 0.5, 0.5, 0.5)))
        assert list(host.failed) == ["brake.rl"]
    assert any("brake.rl: rl not heard" in alert.message for alert in told)
    assert bench.nodes.heard()[-1]["BrakeFL"] == 100  # the safe state at the end
    bench.close()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("dbc: /no/such.dbc", "dbc: cannot read /no/such.dbc: No such file or directory"),
        ("command: Brakes", "command: no message 'Brakes' in the DBC file; it has BrakeCommand"),
        ("signals: {fl: Left}", "signals: no signal 'Left' in BrakeCommand; it has BrakeFL"),
        ("signals: {}", "signals: found none"),
        (
            "signals: {fl: BrakeFL}\n  status: {rl: BrakeStatusRL}",
            "status: rl has no command signal",
        ),
        ("status: {fl: BrakeCommand}", "position_signal: no signal 'Position' in BrakeCommand"),
        ("node_timeout_s: -1", "node_timeout_s: found -1, expected a number from 0 to 10 s"),
    ],
)
def test_wrong_settings_are_told_with_their_place(more, said):
    """What does not fit the DBC file is found on the desk, with line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"can-brake:\n  channel: can0\n  node_when_silent: applies\n  {more}"))
    # A key that was not given is told at the beginning of its section.
    line = 7 if said.startswith("position_signal") else 9 + more.count("\n")
    assert str(caught.value).startswith(f"rover.yaml:{line}: plugins.can-brake.{said}")


def test_a_file_that_is_no_dbc_is_told(tmp_path):
    """The parser's own words, on one line."""
    path = tmp_path / "notes.dbc"
    path.write_text("hello")
    with pytest.raises(ValueError, match=r"dbc: .*notes\.dbc is no DBC file: "):
        Settings(channel="can0", node_when_silent="applies", dbc=str(path))


def test_the_readme_examples_work(tmp_path):
    """What the worked scenarios say is what the plugin takes."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    first, second = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    host = Host(make_config(yaml.safe_dump(yaml.safe_load(first)["plugins"])))
    assert host.unserved == ("throttle",)
    foreign = DBC.read_text()
    for ours, theirs in {
        "BrakeCommand": "ACT_CMD",
        **{f"BrakeStatus{w.upper()}": f"ACT{i}_STAT" for i, w in enumerate(WHEELS, 1)},
        **{f"Brake{w.upper()}": f"Act{i}Target" for i, w in enumerate(WHEELS, 1)},
        "AliveCounter": "Alive",
        "Position": "Travel",
        "Fault": "Err",
    }.items():
        foreign = re.sub(rf"\b{ours}\b", theirs, foreign)
    path = tmp_path / "actuators.dbc"
    path.write_text(foreign)
    plugins = yaml.safe_load(second)["plugins"]
    plugins["can-brake"]["dbc"] = str(path)
    host = Host(make_config(yaml.safe_dump(plugins)))
    assert host.unserved == ("throttle",)
