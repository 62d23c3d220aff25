"""The throttle on a speed controller: the conformance kit, arming, and brake, neutral, reverse."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from slipguard_esc_throttle import EscThrottle, Settings
from slipguard_esc_throttle.gearbox import _NEXT, Gear
from slipguard_pulses import PulseSettings
from slipguard_pulses.board import BoardOutputs
from slipguard_pulses.fake_board import FakeBoard

from slipguard import ConfigError
from slipguard.plugin.host import Host
from slipguard.testing import make_config, make_decision, make_estimate
from slipguard.testing.kit import ActuatorContract

STEP_S = 0.01


class Bench:
    """The throttle on a fake pulse board, driven on a clock of its own."""

    def __init__(self, **settings):
        self.board = FakeBoard()
        self.settings = Settings(output=8, **settings)
        pulses = BoardOutputs(PulseSettings(), make_bus=lambda n: self.board, sleep=lambda s: None)
        self.esc = EscThrottle(self.settings, pulses)
        self.t_s = 100.0

    @property
    def level(self):
        """What the controller sees, -1..1, by its pulse."""
        pulse_us = self.board.pulse_us(8)
        ahead = self.settings.forward_us > self.settings.reverse_us
        level = (pulse_us - 1500) / 500
        return level if ahead else -level

    def ask(self, throttle, for_s, speed_mps=0.0):
        """Ask for a time; what the controller saw at each step."""
        seen = []
        for _ in range(round(for_s / STEP_S)):
            estimate = make_estimate(self.t_s, speed_mps=speed_mps)
            self.esc.apply(make_decision(self.t_s, throttle=throttle, estimate=estimate))
            seen.append((self.esc.gear, self.level))
            self.t_s += STEP_S
        return seen

    def armed(self):
        self.esc.open()
        self.ask(0.0, self.settings.arm_s + 0.1)
        assert self.esc.gear is Gear.FORWARD
        return self


def levels(seen):
    return [level for _, level in seen]


def near(value):
    return pytest.approx(value, abs=0.006)  # one step of the board is 4.9 us of 500


class TestEscThrottle(ActuatorContract):
    """The whole kit, through the registers of the pulse board."""

    section = "esc-throttle: {output: 8}"
    settle_s = 6.0  # arming, or the ceremony before reverse, and the rise

    @pytest.fixture
    def bench(self):
        return Bench()

    @pytest.fixture
    def actuator(self, bench):
        return bench.esc

    @pytest.fixture
    def outputs(self, bench):
        return lambda: {"throttle": bench.level}

    @pytest.fixture
    def break_hardware(self, bench):
        return lambda broken: setattr(bench.board, "broken", broken)


def test_opens_at_neutral():
    """The first pulse a controller ever sees is neutral, trim included."""
    bench = Bench(trim_us=20)
    bench.esc.open()
    assert bench.board.pulse_us(8) == pytest.approx(1520, abs=3)


def test_arms_only_after_unbroken_neutral():
    """A throttle held from the start, or touched while arming, moves nothing."""
    bench = Bench(arm_s=2.0)
    bench.esc.open()
    assert set(levels(bench.ask(0.8, 5.0))) == {bench.level}
    assert bench.level == near(0)
    bench.ask(0.0, 1.9)
    bench.ask(0.5, 0.01)
    bench.ask(0.0, 1.9)
    assert bench.esc.gear is Gear.ARMING
    bench.ask(0.0, 0.2)
    assert bench.esc.gear is Gear.FORWARD
    bench.ask(0.8, 1.0)
    assert bench.level == near(0.8)


def test_rises_gently_and_falls_at_once():
    """A full pull takes a quarter of a second; letting go takes one step."""
    bench = Bench(rise_per_s=4.0).armed()
    seen = levels(bench.ask(1.0, 0.5))
    assert max(b - a for a, b in itertools.pairwise(seen)) <= 0.04 + 0.012
    assert seen[24] == near(1.0)
    bench.ask(0.3, STEP_S)
    assert bench.level == near(0.3)
    bench.ask(0.0, STEP_S)
    assert bench.level == near(0.0)


def test_reverse_from_rest_is_brake_neutral_reverse():
    """What the controller sees, in order and in time."""
    bench = Bench(tap_s=0.1, neutral_s=0.2, tap_level=0.2).armed()
    seen = bench.ask(-0.5, 1.0)
    order = [gear for i, (gear, _) in enumerate(seen) if i == 0 or seen[i - 1][0] is not gear]
    assert order == [Gear.BRAKE, Gear.NEUTRAL, Gear.REVERSE]
    spent = {gear: sum(g is gear for g, _ in seen) * STEP_S for gear in order}
    assert spent[Gear.BRAKE] == pytest.approx(0.1, abs=2 * STEP_S)
    assert spent[Gear.NEUTRAL] == pytest.approx(0.2, abs=2 * STEP_S)
    assert all(level == near(-0.2) for gear, level in seen if gear is Gear.BRAKE)
    assert all(level == near(0.0) for gear, level in seen if gear is Gear.NEUTRAL)
    assert bench.level == near(-0.5)


def test_at_speed_the_tap_brakes_until_the_rover_is_nearly_at_rest():
    """The second tap at speed would brake too, and reverse would never come."""
    bench = Bench(rest_mps=0.15).armed()
    assert {gear for gear, _ in bench.ask(-1.0, 3.0, speed_mps=2.0)} == {Gear.BRAKE}
    bench.ask(-1.0, 1.0, speed_mps=0.1)
    assert bench.esc.gear is Gear.REVERSE


def test_letting_go_during_the_tap_ends_it():
    """Who changes their mind is not reversed."""
    bench = Bench(tap_s=0.5).armed()
    bench.ask(-0.5, 0.2)
    bench.ask(0.0, STEP_S)
    assert (bench.esc.gear, bench.level) == (Gear.FORWARD, near(0.0))


def test_reverse_again_after_letting_go_needs_no_ceremony():
    """Still in reverse: only forward leads out of it."""
    bench = Bench().armed()
    bench.ask(-0.5, 2.0)
    bench.ask(0.0, 1.0)
    assert levels(bench.ask(-0.5, 1.0))[-1] == near(-0.5)
    assert bench.esc.gear is Gear.REVERSE
    bench.ask(0.5, 1.0)
    assert (bench.esc.gear, bench.level) == (Gear.FORWARD, near(0.5))
    assert bench.ask(-0.5, STEP_S)[0][0] is Gear.BRAKE


def test_controllers_without_the_ceremony_reverse_directly():
    """double_tap: false."""
    bench = Bench(double_tap=False).armed()
    seen = bench.ask(-0.5, 1.0)
    assert {gear for gear, _ in seen} == {Gear.REVERSE}
    assert bench.level == near(-0.5)


@pytest.mark.parametrize("interrupt", ["safe_state", "silence", "clock back"])
def test_after_an_interruption_nothing_moves_until_the_operator_lets_go(interrupt):
    """A link that returns with the stick still pulled does not launch the rover."""
    bench = Bench().armed()
    bench.ask(0.9, 1.0)
    if interrupt == "safe_state":
        bench.esc.safe_state("link lost")
        assert bench.level == near(0.0)
    elif interrupt == "silence":
        bench.t_s += 3.0
    else:
        bench.t_s -= 50.0
    assert levels(bench.ask(0.9, 2.0))[-1] == near(0.0)
    bench.ask(0.0, STEP_S)
    seen = levels(bench.ask(0.9, 1.0))
    assert seen[0] < 0.06
    assert seen[-1] == near(0.9)


def test_rates_scale_each_direction():
    """Half forward, a third back; the braking tap is not weakened."""
    bench = Bench(forward_rate=0.5, reverse_rate=0.33, tap_level=0.4).armed()
    bench.ask(1.0, 1.0)
    assert bench.level == near(0.5)
    assert bench.ask(-1.0, STEP_S)[0][1] == near(-0.4)
    bench.ask(-1.0, 2.0)
    assert bench.level == near(-0.33)


def test_small_requests_step_over_the_dead_band_of_the_controller():
    """With start_us the smallest request already turns the motor; neutral stays neutral."""
    settings = Settings(output=0, start_us=30)
    assert settings.pulse_us(0.0) == 1500
    assert settings.pulse_us(0.001) == pytest.approx(1530.47)
    assert settings.pulse_us(-0.001) == pytest.approx(1469.53)
    assert settings.pulse_us(1.0) == 2000


def test_a_motor_that_turns_the_wrong_way_is_turned_in_the_settings():
    """forward_us below reverse_us."""
    bench = Bench(forward_us=1000, reverse_us=2000).armed()
    bench.ask(0.5, 1.0)
    assert bench.board.pulse_us(8) == pytest.approx(1250, abs=3)
    assert bench.level == near(0.5)


@given(
    st.lists(
        st.tuples(st.floats(-1, 1), st.floats(-3, 3), st.sampled_from([1, 1, 1, 5, 100, -20])),
        max_size=80,
    )
)
def test_whatever_is_asked_the_motor_never_gets_more(asks):
    """Never beyond the request, never against it but for the tap, never a jump away from 0."""
    bench = Bench(arm_s=0.05, tap_level=0.2)
    bench.esc.open()
    last = 0.0
    for throttle, speed_mps, steps in asks:
        ((gear, level),) = bench.ask(throttle, STEP_S, speed_mps)
        if gear is Gear.BRAKE:
            assert throttle < 0
            assert level == near(-0.2)
            level = 0.0
        else:
            assert level * throttle >= 0 or level == near(0.0)
            assert abs(level) <= abs(throttle) + 0.006
            if level * last >= 0 and abs(level) > abs(last):
                assert abs(level) - abs(last) <= 4.0 * 0.1 + 0.012
        last = level
        bench.t_s += (steps - 1) * STEP_S


def test_every_state_is_in_the_table():
    """A new state cannot be forgotten in the table, nor in the README."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    assert set(_NEXT) == set(Gear)
    for gear in Gear:
        assert f"| {gear} |" in readme


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{}", "rover.yaml:6: plugins.esc-throttle.output: missing"),
        ("{output: 16}", "rover.yaml:6: plugins.esc-throttle.output: found 16, expected 0 to 15"),
        ("{output: 1, neutral_us: 1950, trim_us: 60}",
         "rover.yaml:6: plugins.esc-throttle.neutral_us: found 2010 with trim, expected between"),
        ("{output: 1, double_tap: 1}",
         "rover.yaml:6: plugins.esc-throttle.double_tap: found 1, expected true or false"),
    ],
)  # fmt: skip
def test_wrong_settings_are_told_with_their_place(text, said):
    """Every mistake in the file names line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"esc-throttle: {text}"))
    assert str(caught.value).startswith(said)


def test_the_readme_example_works():
    """What the worked scenario says is what the plugin takes."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    host = Host(make_config(yaml.safe_dump(yaml.safe_load(example)["plugins"])))
    assert "throttle" not in host.unserved
