"""Servo brakes: the conformance kit on both drivers, and the travel of a servo."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
import yaml
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin
from hypothesis import given
from hypothesis import strategies as st
from slipguard_pulses import PulseSettings
from slipguard_pulses.board import BoardOutputs
from slipguard_pulses.fake_board import FakeBoard
from slipguard_servo_brake import Servo, ServoBrake, Settings

from slipguard import WHEELS, ConfigError
from slipguard.plugin.host import Host
from slipguard.testing import make_config, make_decision
from slipguard.testing.kit import ActuatorContract

SERVOS = {
    "fl": Servo(output=0),
    "fr": Servo(output=1, reverse=True),
    "rl": Servo(output=2, released_us=1850, touch_us=1700, full_us=1200),
    "rr": Servo(output=3, dead_band=0.0),
}
SECTION = """
servo-brake:
  servos:
    fl: {output: 0}
    fr: {output: 1, reverse: true}
    rl: {output: 2, released_us: 1850, touch_us: 1700, full_us: 1200}
    rr: {output: 3, dead_band: 0.0}
"""


def command_of(wheel, pulse_us):
    """The command a pulse stands for, worked out by hand for the servos above."""
    if pulse_us is None:
        return 0.0  # limp: released
    match wheel:
        case "fl" | "rr":
            return (pulse_us - 1100) / 800
        case "fr":
            return (1900 - pulse_us) / 800
        case "rl":
            return max(0.0, (1700 - pulse_us) / 500)


class OnBoard:
    """Fixtures: the brakes on a fake pulse board."""

    section = SECTION

    @pytest.fixture
    def board(self):
        return FakeBoard()

    @pytest.fixture
    def actuator(self, board):
        pulses = BoardOutputs(PulseSettings(), make_bus=lambda n: board, sleep=lambda s: None)
        return ServoBrake(Settings(servos=SERVOS), pulses)

    @pytest.fixture
    def outputs(self, board):
        return lambda: {
            f"brake.{wheel}": command_of(wheel, board.pulse_us(SERVOS[wheel].output))
            for wheel in WHEELS
        }

    @pytest.fixture
    def break_hardware(self, board):
        return lambda broken: setattr(board, "broken", broken)


class TestOnThePulseBoard(OnBoard, ActuatorContract):
    """The whole kit through the registers of the board."""

    def test_what_a_killed_program_leaves_is_said(self, actuator):
        """The board repeats its last pulses."""
        assert actuator.when_silent.does == "holds_last"

    def test_starts_holding(self, opened, outputs):
        """A program that starts on a slope presses first and asks then."""
        assert outputs() == pytest.approx(dict.fromkeys(outputs(), 1.0), abs=0.01)

    def test_stays_on_when_closed(self, opened, outputs):
        """The end of the program is no reason to roll away."""
        opened.apply(make_decision(brakes=(0, 0, 0, 0)))
        opened.close()
        assert outputs() == pytest.approx(dict.fromkeys(outputs(), 1.0), abs=0.01)

    def test_a_brown_out_of_the_board_is_overcome_and_counted(self, opened, outputs, board):
        """Servos that went limp hold again at the next command."""
        for i in range(100):
            opened.apply(make_decision(i * 0.01, brakes=(1, 1, 1, 1)))
        board.power_cycle()
        opened.apply(make_decision(1.0, brakes=(1, 1, 1, 1)))
        assert outputs() == pytest.approx(dict.fromkeys(outputs(), 1.0), abs=0.01)
        assert opened.health().counts == {"board_resets": 1}


class TestOnPins(ActuatorContract):
    """The whole kit through gpiozero's mock pins."""

    section = SECTION.replace("servo-brake:", "servo-brake:\n  pulses: {driver: gpio}")

    @pytest.fixture
    def pins(self):
        before = Device.pin_factory
        Device.pin_factory = MockFactory(pin_class=MockPWMPin)
        yield Device.pin_factory
        Device.pin_factory.reset()
        Device.pin_factory = before

    @pytest.fixture
    def actuator(self, pins):
        return ServoBrake(Settings(servos=SERVOS, pulses=PulseSettings(driver="gpio")))

    @pytest.fixture
    def outputs(self, pins):
        def read():
            found = {}
            for wheel in WHEELS:
                pin = pins.pin(SERVOS[wheel].output)
                pulse_us = pin.state * 20_000 if pin.frequency else None
                found[f"brake.{wheel}"] = command_of(wheel, pulse_us or None)
            return found

        return read

    @pytest.fixture
    def break_hardware(self, pins, monkeypatch):
        def breaks(broken):
            def fail(self, value):
                raise OSError("pin library gone")

            if broken:
                monkeypatch.setattr(MockPWMPin, "_set_state", fail)
            else:
                monkeypatch.undo()

        return breaks

    def test_what_a_killed_program_leaves_is_said(self, actuator):
        """Pulses stop, servos are limp."""
        assert actuator.when_silent.does == "releases"


def drive(actuator, brakes, from_s, to_s):
    for i in range(round(from_s * 100), round(to_s * 100)):
        actuator.apply(make_decision(i * 0.01, brakes=brakes))


class TestTravel(OnBoard):
    """What one servo does with a command."""

    def test_the_dead_band_leaves_the_brake_free(self, actuator, board):
        """A trembling command does not drag the pads."""
        with actuator:
            drive(actuator, (0.02, 0, 0, 0), 0, 1)
            assert board.pulse_us(0) == pytest.approx(1100, abs=3)
            drive(actuator, (0.03, 0, 0, 0), 1, 2)
            assert board.pulse_us(0) == pytest.approx(1124, abs=3)

    def test_a_small_command_already_touches(self, actuator, board):
        """With touch_us the free travel is crossed at once: no delay before the brake acts."""
        with actuator:
            drive(actuator, (0, 0, 0.03, 0), 0, 1)
            assert board.pulse_us(2) == pytest.approx(1685, abs=3)

    def test_no_pulse_changes_faster_than_its_limit(self, board):
        """The servo is not asked for more than it can do, nor the supply for a surge."""
        pulses = BoardOutputs(PulseSettings(), make_bus=lambda n: board, sleep=lambda s: None)
        settings = Settings(servos={"fl": Servo(output=0)}, slew_us_per_s=2000)
        with ServoBrake(settings, pulses) as actuator:
            last_us = board.pulse_us(0)
            for i in range(100):
                actuator.apply(make_decision(i * 0.01))
                now_us = board.pulse_us(0)
                assert abs(now_us - last_us) <= 20 + 5  # plus one step of the board
                last_us = now_us
            assert last_us == pytest.approx(1100, abs=3)

    def test_a_released_brake_may_rest_but_a_holding_one_never(self, board):
        """Pulses stop for quiet only, and come back with the first command."""
        pulses = BoardOutputs(PulseSettings(), make_bus=lambda n: board, sleep=lambda s: None)
        servos = {"fl": Servo(output=0), "fr": Servo(output=1)}
        with ServoBrake(Settings(servos=servos, rest_after_s=2.0), pulses) as actuator:
            drive(actuator, (0, 0.5, 0, 0), 0, 10)
            assert board.pulse_us(0) is None
            assert board.pulse_us(1) == pytest.approx(1500, abs=3)
            actuator.apply(make_decision(10.0, brakes=(0.5, 0.5, 0, 0)))
            assert board.pulse_us(0) is not None
            drive(actuator, (0, 0, 0, 0), 11, 20)
            assert board.pulse_us(1) is None
            actuator.safe_state("test")
            assert board.pulse_us(0) == pytest.approx(1900, abs=3)
            assert board.pulse_us(1) == pytest.approx(1900, abs=3)

    @given(
        st.floats(1000, 2000),
        st.floats(1000, 2000),
        st.floats(0, 1),
        st.booleans(),
        st.floats(0, 0.5),
        st.lists(st.floats(0, 1), min_size=2, max_size=10),
    )
    def test_more_brake_is_never_less_travel(
        self, released_us, full_us, touch, reverse, dead_band, commands
    ):
        """Monotonic, and always between 1000 and 2000 us, whatever the builder measured."""
        if released_us == full_us:
            return
        touch_us = min(max(released_us + touch * (full_us - released_us), 1000), 2000)
        low, high = sorted((released_us, full_us))
        servo = Servo(
            output=0,
            released_us=released_us,
            full_us=full_us,
            touch_us=min(max(touch_us, low), high),
            reverse=reverse,
            dead_band=dead_band,
        )
        pulses = [servo.pulse_us(command) for command in sorted(commands)]
        way = (full_us - released_us) * (-1 if reverse else 1)
        assert all(1000 - 1e-6 <= pulse <= 2000 + 1e-6 for pulse in pulses)
        assert all((b - a) * way >= -1e-6 for a, b in itertools.pairwise(pulses))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("servos: {fl: {output: 0, full_us: 2100}}",
         "rover.yaml:7: plugins.servo-brake.servos.fl.full_us: found 2100, "
         "expected a number from 1000 to 2000 us"),
        ("servos: {fl: {output: 0}, fx: {output: 1}}",
         "rover.yaml:7: plugins.servo-brake.servos.fx: unknown key; known: fl, fr, rl, rr"),
        ("servos: {fl: {output: 0}, fr: {output: 0}}",
         "rover.yaml:7: plugins.servo-brake.servos: fl and fr are on one output, 0"),
        ("servos: {fl: {output: 16}}",
         "rover.yaml:7: plugins.servo-brake.servos: fl.output is 16, expected 0 to 15"),
        ("servos: {fl: {output: 0, touch_us: 1000}}",
         "rover.yaml:7: plugins.servo-brake.servos.fl.touch_us: found 1000, expected between"),
        ("servos: {fl: {output: 0, full_us: 1100}}",
         "rover.yaml:7: plugins.servo-brake.servos.fl.full_us: found 1100, expected other"),
        ("servos: {}", "rover.yaml:7: plugins.servo-brake.servos: found none"),
        ("pulses: {driver: spi}\n  servos: {fl: {output: 0}}",
         "rover.yaml:7: plugins.servo-brake.pulses.driver: found 'spi', expected one of i2c, gpio"),
        ("servos: {fl: {out: 0}}",
         "rover.yaml:7: plugins.servo-brake.servos.fl.out: unknown key; did you mean 'output'?"),
    ],
)  # fmt: skip
def test_wrong_settings_are_told_with_their_place(text, said):
    """Every mistake in the file, down to one servo, names line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"servo-brake:\n  {text}"))
    assert str(caught.value).startswith(said)


def test_the_readme_example_works():
    """What the worked scenario says is what the plugin takes."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    plugins = yaml.safe_dump(yaml.safe_load(example)["plugins"])
    host = Host(make_config(plugins))
    assert host.unserved == ("throttle",)
