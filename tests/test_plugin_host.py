"""The host: what a rover file names is built, opened, called, and let go in its safe state."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import pytest

from slipguard import ConfigError, PluginError, Reading
from slipguard.plugin import (
    BRAKES,
    CHANNELS,
    DRIVER,
    MEASURES,
    THROTTLE,
    AlertSink,
    Health,
    SensorSource,
    setting,
)
from slipguard.plugin.discover import Plugin
from slipguard.plugin.host import Host
from slipguard.testing import (
    ManualClock,
    MockActuator,
    MockSettings,
    make_alert,
    make_config,
    make_decision,
    make_plugin,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """Settings of the sink below."""

    rows: int = setting(unit="rows", low=1, high=100, doc="height of the screen")


class ListSink(AlertSink):
    """A sink that keeps what it was sent."""

    def __init__(self, settings=None):
        self.sent = []
        self.shown = []
        self.error = None

    def _open(self):
        pass

    def _send(self, alert):
        if self.error:
            raise self.error
        self.sent.append(alert)

    def _update(self, decision):
        self.shown.append(decision)

    def _close(self):
        pass


class Wheels(SensorSource):
    """A source whose next answer a test sets."""

    provides = ("counts",)

    def __init__(self):
        self.next = None

    def _open(self):
        pass

    def _read(self):
        if isinstance(self.next, Exception):
            raise self.next
        return self.next

    def _close(self):
        pass


def a_host(*devices, **options):
    """A host of ready-made devices, called inline, on a clock that a test moves."""
    kinds = {MockActuator: "actuator", ListSink: "alert_sink", Wheels: "sensor_source"}
    plugins = [
        make_plugin(f"p{i}", **{kinds[type(device)]: lambda device=device: device})
        for i, device in enumerate(devices)
    ]
    names = "\n".join(f"{plugin.name}: {{}}" for plugin in plugins)
    options = {"threads": False, "clock": ManualClock(), **options}
    return Host(make_config(names), plugins=plugins, **options)


def mock(*channels):
    return MockActuator(MockSettings(channels=channels or (*BRAKES, THROTTLE)))


def test_a_decision_reaches_every_actuator_with_its_own_channels():
    """Each plugin gets its share, exactly, with the time of the decision."""
    front, rest = mock("brake.fl", "brake.fr"), mock("brake.rl", "brake.rr", THROTTLE)
    with a_host(front, rest) as host:
        host.apply(make_decision(1.5, brakes=(0.1, 0.2, 0.3, 0.4), throttle=-0.5))
    front.assert_commands([(1.5, {"brake.fl": 0.1, "brake.fr": 0.2})])
    rest.assert_commands([(1.5, {"brake.rl": 0.3, "brake.rr": 0.4, "throttle": -0.5})])


def test_leaving_the_host_reaches_the_safe_state_first():
    """However a program ends, the motor is neutral and the brakes are on before letting go."""
    actuator = mock()

    def drive():
        with a_host(actuator) as host:
            host.apply(make_decision(throttle=0.8))
            raise KeyError("a bug in the loop")

    with pytest.raises(KeyError):
        drive()
    assert actuator.events[:3] == ["open", "apply", "safe_state: KeyError: 'a bug in the loop'"]
    assert actuator.events[-1] == "close"
    actuator.assert_safe()


def test_building_touches_no_hardware():
    """A rover file can be checked on a desk."""
    actuator = mock()
    a_host(actuator)
    assert actuator.events == []


def test_an_unknown_plugin_is_told_with_its_line():
    """A typing mistake must not mean: no brakes."""
    plugins = [make_plugin("servo-brake", actuator=mock)]
    with pytest.raises(
        ConfigError,
        match=r"^rover\.yaml:7: plugins\.servo-brak: no plugin of this name is installed; "
        r"did you mean 'servo-brake'\?$",
    ):
        Host(make_config("\nservo-brak: {}"), plugins=plugins)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("screen: {rows: 0}", "rover.yaml:6: plugins.screen.rows: found 0, "
                              "expected a whole number from 1 to 100 rows"),
        ("screen: {rows: 2.5}", "rover.yaml:6: plugins.screen.rows: found 2.5, "),
        ("screen: {rows: 3, row: 1}", "rover.yaml:6: plugins.screen.row: unknown key; "
                                      "did you mean 'rows'?"),
        ("screen:", "rover.yaml:6: plugins.screen.rows: missing; expected a whole "
                    "number from 1 to 100 rows: height of the screen"),
        ("screen:\n  rows:\n    - 3", "rover.yaml:7: plugins.screen.rows: found [3], "),
        ("screen: 3", "rover.yaml:6: plugins.screen: found 3, expected a section"),
    ],
)  # fmt: skip
def test_a_bad_setting_is_told_with_file_line_and_key(text, said):
    """The plugin's own schema speaks like the rest of the rover file."""
    plugin = make_plugin("screen", alert_sink=ListSink, settings=Screen)
    with pytest.raises(ConfigError) as caught:
        Host(make_config(text), plugins=[plugin])
    assert str(caught.value).startswith(said)


def test_two_plugins_for_one_channel_are_refused_naming_both():
    """Which of the two holds the brake must not depend on luck."""
    plugins = [
        make_plugin("a", actuator=lambda: mock("brake.fl", THROTTLE), package="acme-a 1.0"),
        make_plugin("b", actuator=lambda: mock("brake.fl"), package="bolt-b 2.0"),
    ]
    with pytest.raises(PluginError) as caught:
        Host(make_config("a: {}\nb: {}"), plugins=plugins)
    said = "brake.fl: two plugins each: plugin a (acme-a 1.0) and plugin b (bolt-b 2.0); leave one"
    assert said in str(caught.value)


def test_what_the_driver_asks_for_is_nothing_a_sensor_provides():
    """It would bypass age and signature of the driver's messages; and 'throttle' is a channel."""
    assert not set(MEASURES) & {*DRIVER, *CHANNELS}
    for name in DRIVER:
        source = Wheels()
        source.provides = ("counts", name)
        with pytest.raises(PluginError, match=rf"Wheels.provides names '{name}', which is the dr"):
            a_host(source)
    sneaky = Wheels()
    with a_host(sneaky) as host:
        sneaky.next = Reading(t_s=0.0, counts=(1, 1, 1, 1), throttle=1.0)
        assert host.read(0.0) == Reading(t_s=0.0)
        assert "filled 'throttle'" in host.failed["counts"]


def test_one_plugin_serves_twice_under_names_of_the_builder():
    """A pulse board at the front, another at the back: two sections, each with its settings."""
    made = []

    def make(settings):
        made.append(MockActuator(settings))
        return made[-1]

    board = make_plugin("board", actuator=make, settings=MockSettings, package="acme 1.0")
    text = """
    board: {channels: [brake.fl, brake.fr]}
    rear-brakes:
      plugin: board
      channels: [brake.rl, brake.rr]
    """
    with Host(make_config(text), plugins=[board], threads=False) as host:
        host.apply(make_decision(brakes=(0.1, 0.2, 0.3, 0.4)))
        assert [device.name for device in made] == ["board", "rear-brakes"]
        made[1]._write = lambda *_: 1 / 0
        host.apply(make_decision(0.01))
        assert host.failed["brake.rl"].startswith("plugin rear-brakes (acme 1.0): ZeroDivision")
    made[0].assert_commands(
        [(0.0, {"brake.fl": 0.1, "brake.fr": 0.2}), (0.01, {"brake.fl": 0.0, "brake.fr": 0.0})]
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("rear:\n  plugin: bord", "rover.yaml:7: plugins.rear.plugin: no plugin of this name is "
                                  "installed; did you mean 'board'?"),
        ("rear:\n  plugin: 3", "rover.yaml:7: plugins.rear.plugin: found 3, expected the name"),
        ("rear:\n  plugin: board\n  chanels: []", "rover.yaml:8: plugins.rear.chanels: unknown "
                                                  "key; did you mean 'channels'?"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_named_section_is_told_with_its_place(text, said):
    """As in a section that bears the plugin's own name."""
    board = make_plugin("board", actuator=MockActuator, settings=MockSettings)
    with pytest.raises(ConfigError) as caught:
        Host(make_config(text), plugins=[board])
    assert str(caught.value).startswith(said)


def test_every_problem_is_one_line():
    """The builder mends all of it in one go."""
    plugins = [
        Plugin(name="a", package="acme-a 1.0", problem="cannot import acme_a: SyntaxError"),
        make_plugin("b", actuator=lambda: 1 / 0, package="bolt-b 2.0"),
        make_plugin("c", actuator=lambda: "not an actuator", package="core-c 3.0"),
    ]
    with pytest.raises(PluginError) as caught:
        Host(make_config("a: {}\nb: {}\nc: {}"), plugins=plugins)
    assert str(caught.value).splitlines() == [
        "plugin a (acme-a 1.0): cannot import acme_a: SyntaxError",
        "plugin b (bolt-b 2.0): cannot be built: ZeroDivisionError: division by zero",
        "plugin c (core-c 3.0): built 'not an actuator', expected one derived from Actuator",
    ]


def test_a_brake_without_a_plugin_is_a_loud_alert():
    """Nobody drives believing in a brake that nothing serves."""
    sink = ListSink()
    with a_host(mock("brake.fl", "brake.fr", "brake.rl"), sink) as host:
        alerts = host.apply(make_decision())
        assert host.unserved == ("brake.rr", "throttle")
    assert [(a.level, a.topic) for a in alerts] == [("critical", "plugin_missing")] * 2
    assert "NO PLUGIN brakes brake.rr" in alerts[0].message
    assert sink.sent == list(alerts)


def test_a_plugin_that_cannot_be_opened_lets_the_others_go():
    """A start that failed half way leaves no servo powered."""
    good, bad = mock("brake.fl"), mock("brake.fr")
    bad._open = lambda: 1 / 0
    with pytest.raises(PluginError, match=r"plugin p1 \(test-package 1\.0\): cannot be opened: "
                                          r"ZeroDivisionError"):  # fmt: skip
        a_host(good, bad).open()
    assert good.events[-1] == "close"
    good.assert_safe()


def test_a_failing_actuator_is_named_and_the_others_go_on():
    """One broken plugin costs its own channels, nobody else's."""
    bad, good, sink = (
        mock("brake.fl", "brake.fr"),
        mock("brake.rl", "brake.rr", THROTTLE),
        ListSink(),
    )
    bad.before_write = lambda: 1 / 0
    with a_host(bad, good, sink) as host:
        (alert,) = host.apply(make_decision(2.0, brakes=(1, 1, 1, 1)))
        assert host.failed.keys() == {"brake.fl", "brake.fr"}
        assert "ZeroDivisionError" in host.failed["brake.fl"]
    assert alert.level == "critical"
    assert alert.t_s == 2.0
    assert alert.message == "plugin p0 (test-package 1.0): ZeroDivisionError: division by zero"
    assert len(good.commands) == 1
    assert sink.sent == [alert]


def test_a_bad_answer_is_a_failure_too():
    """A plugin that returns nonsense is not believed."""
    for bad_answer in (42, Health(failed=("brake.xx",)), Health(position={"brake.fl": 7.0})):
        actuator = mock()
        actuator.reported = bad_answer
        with a_host(actuator) as host:
            (alert,) = host.apply(make_decision())
            assert set(host.failed) == {*BRAKES, THROTTLE}
        assert "_health" in alert.message


def test_a_decision_out_of_range_reaches_no_hardware():
    """Not even a fault in the core can send NaN to a servo."""
    actuator = mock()
    with a_host(actuator) as host:
        (alert,) = host.apply(make_decision(brakes=(0.0, float("nan"), 0.0, 0.0)))
    assert actuator.commands == []
    assert "brake.fr: found nan, expected a number from 0 to 1" in alert.message


def test_hardware_that_reports_a_failure_costs_those_channels_alone():
    """A dead node on a bus is told by wheel, once, and told again when it is back."""
    actuator = mock()
    with a_host(actuator) as host:
        assert host.apply(make_decision()) == ()
        actuator.reported = Health(failed=("brake.rl",), message="no heartbeat for 0.3 s")
        (alert,) = host.apply(make_decision())
        assert alert.message.endswith("brake.rl: no heartbeat for 0.3 s")
        assert host.apply(make_decision()) == ()
        assert list(host.failed) == ["brake.rl"]
        actuator.reported = Health()
        (alert,) = host.apply(make_decision())
        assert alert.level == "info"
        assert host.failed == {}


def test_measured_brake_positions_become_part_of_the_reading():
    """What the actuator measures is what the guard is told."""
    actuator = mock()
    actuator.reported = Health(position={"brake.fl": 0.25, "brake.rr": 0.5})
    with a_host(actuator) as host:
        assert host.read(0.0).brake_position is None
        host.apply(make_decision())
        assert host.read(0.01).brake_position == (0.25, None, None, 0.5)
        actuator.before_write = lambda: 1 / 0
        host.apply(make_decision())
        assert host.read(0.02).brake_position is None


def test_a_source_fills_its_fields_and_nothing_else():
    """Readings of several sources become one; what is not new is None."""
    wheels = Wheels()
    with a_host(mock(), wheels) as host:
        assert host.read(1.0) == Reading(t_s=1.0)
        wheels.next = Reading(t_s=1.005, counts=(1, 2, 3, 4))
        assert host.read(1.01) == Reading(t_s=1.01, counts=(1, 2, 3, 4))


@pytest.mark.parametrize("answer", [OSError("unplugged"), "rubbish", Reading(t_s=0.0, steer=0.3)])
def test_a_source_that_fails_leaves_its_fields_empty_and_is_named(answer):
    """The guard sees a sensor without news; the driver hears which plugin it is."""
    wheels = Wheels()
    wheels.next = answer
    with a_host(mock(), wheels) as host:
        assert host.read(0.0) == Reading(t_s=0.0)
        assert list(host.failed) == ["counts"]
        (alert,) = host.apply(make_decision())
    assert alert.message.startswith("plugin p1 (test-package 1.0): ")


def test_a_failing_sink_is_told_to_the_other_sinks():
    """When the network is gone the screen says so."""
    bad, good = ListSink(), ListSink()
    bad.error = OSError("network unreachable")
    with a_host(mock(), bad, good) as host:
        assert host.apply(make_decision(alerts=(make_alert(),))) == ()
        (told,) = host.apply(make_decision())
        assert told.level == "warning"
        assert told.message == "plugin p1 (test-package 1.0): OSError: network unreachable"
        assert good.sent == [make_alert(), told]
        bad.error = None


def test_the_same_with_threads():
    """Commands, alerts and closing work through threads as they do inline."""
    actuator, sink = mock(), ListSink()
    actuator.deadline_s = 60.0
    with a_host(actuator, sink, threads=True) as host:
        for i in range(50):
            host.apply(make_decision(i * 0.01, alerts=(make_alert(t_s=float(i)),)))
    assert [t_s for t_s, _ in actuator.commands] == [i * 0.01 for i in range(50)]
    assert [alert.t_s for alert in sink.sent] == [float(i) for i in range(50)]
    actuator.assert_safe()


def test_a_hanging_brake_costs_two_rounds_then_recovers():
    """The loop goes on, the channel is reported, and the newest decision follows the hang."""
    brake, motor = mock(*BRAKES), mock(THROTTLE)
    motor.deadline_s = 60.0
    entered, gate = threading.Event(), threading.Event()
    brake.before_write = lambda: (entered.set(), gate.wait(60))
    with a_host(brake, motor, threads=True) as host:
        host.apply(make_decision(0.00))
        assert entered.wait(60)
        host.apply(make_decision(0.01))
        assert set(host.failed) == set(BRAKES)
        assert len(motor.commands) == 2
        brake.before_write = None
        gate.set()
        for i in range(2, 100_000):
            host.apply(make_decision(i * 0.01))
            if not host.failed:
                break
        assert brake.commands[-1][0] == motor.commands[-1][0]
    brake.assert_safe()


def test_status_shows_every_object():
    """The terminal view and the logs need who, what and how it is doing."""
    bad = mock("brake.fl")
    bad.before_write = lambda: 1 / 0
    with a_host(bad, ListSink(), Wheels()) as host:
        host.read(0.0)
        host.apply(make_decision())
        rows = {row.plugin: row for row in host.status}
    assert (rows["p0"].condition, rows["p0"].failures) == ("failed", 1)
    assert rows["p0"].serves == ("brake.fl",)
    assert rows["p1"].kind == "alert sink"
    assert rows["p2"].kind == "sensor source"
    assert rows["p2"].calls == 1


def test_a_watchdog_can_reach_the_safe_state_from_its_own_thread():
    """When the loop hangs somebody else must be able to stop the rover."""
    actuator = mock()
    reached = threading.Event()
    with a_host(actuator, threads=True, clock=time.monotonic) as host:
        actuator.deadline_s = 60.0
        host.apply(make_decision(throttle=1.0))
        safe = actuator._safe_state

        def watched(reason):
            safe(reason)
            reached.set()

        actuator._safe_state = watched
        watchdog = threading.Thread(target=host.panic, args=("the loop hangs",))
        watchdog.start()
        watchdog.join()
        assert reached.wait(60)
        assert "safe_state: the loop hangs" in actuator.events


def test_an_interrupt_from_the_keyboard_reaches_the_program_and_the_safe_state():
    """Ctrl-C is the operator's wish, never a plugin's failure; also half way through opening."""
    actuator, second = mock("brake.fl"), mock("brake.fr")

    def interrupt():
        raise KeyboardInterrupt

    def drive():
        with a_host(actuator) as host:
            actuator.before_write = interrupt
            host.apply(make_decision())

    with pytest.raises(KeyboardInterrupt):
        drive()
    actuator.assert_safe()
    first = mock("brake.fl")
    second._open = interrupt
    with pytest.raises(KeyboardInterrupt):
        a_host(first, second).open()
    assert first.events[-1] == "close"
    first.assert_safe()
