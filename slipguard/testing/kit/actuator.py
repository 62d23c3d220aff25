"""What every actuator must do."""

from __future__ import annotations

import contextlib
import math
import random
from collections.abc import Callable, Iterator, Mapping

import pytest

from slipguard.decision import Decision
from slipguard.errors import PluginError
from slipguard.plugin.contract import BRAKES, CHANNELS, THROTTLE, Actuator, Health, WhenSilent
from slipguard.plugin.host import Host
from slipguard.testing.clock import ManualClock
from slipguard.testing.kit.common import PluginContract, need, slept_s
from slipguard.testing.made_up import make_config, make_decision, make_plugin

Outputs = Callable[[], Mapping[str, float]]
PERIOD_S = 0.01


class ActuatorContract(PluginContract):
    """Inherit, set ``section``, give the fixture ``actuator``."""

    tolerance: float = 0.02
    """How near a held command must come to ``outputs``, in command units."""
    settle_s: float = 4.0
    """How long a command is held before ``outputs`` must have come near it, seconds."""
    safe_brake: float = 1.0
    """Where the settings of the fixture leave a brake in the safe state."""

    @pytest.fixture
    def actuator(self) -> Actuator:
        """REQUIRED: the actuator, built on fake hardware and not yet opened."""
        pytest.fail(f"give {type(self).__name__} a fixture 'actuator'")

    @pytest.fixture
    def outputs(self, actuator: Actuator) -> Outputs | None:
        """What the fake hardware does now: a function giving channel -> value, in command units
        (brakes 0..1, throttle -1..1). None: cannot be told.
        """
        return None

    @pytest.fixture
    def break_hardware(self, actuator: Actuator) -> Callable[[bool], None] | None:
        """A function that breaks the fake hardware (True) or mends it (False). None: cannot."""
        return None

    @pytest.fixture
    def opened(self, actuator: Actuator) -> Iterator[Actuator]:
        """The actuator, open; closed afterwards."""
        actuator.open()
        yield actuator
        actuator.close()

    # -- what it declares -----------------------------------------------------------------

    def test_declares_channels_that_exist(self, actuator: Actuator) -> None:
        """The host can tell who serves what, before anything is opened."""
        assert isinstance(actuator, Actuator)
        assert actuator.channels
        assert set(actuator.channels) <= set(CHANNELS)

    def test_says_what_its_hardware_does_when_commands_stop(self, actuator: Actuator) -> None:
        """The builder must know what a killed process leaves behind."""
        assert isinstance(actuator.when_silent, WhenSilent)

    def test_its_deadline_fits_a_control_loop(self, actuator: Actuator) -> None:
        """One call may not be allowed longer than a fifth of a second."""
        assert 0 < actuator.deadline_s <= 0.2

    def test_no_call_sleeps_longer_than_its_deadline(self, opened: Actuator) -> None:
        """The loop goes on without whoever is late twice, and stops the rover."""
        full = _decision(PERIOD_S, dict.fromkeys(CHANNELS, 1.0))
        for name, call in {
            "apply": lambda: (opened.apply(full), opened.health()),
            "safe_state": lambda: opened.safe_state("test"),
        }.items():
            asked_s = slept_s(call)
            assert asked_s < opened.deadline_s, (
                f"{name} sleeps {asked_s:g} s, its deadline is {opened.deadline_s:g} s: wait in a "
                "thread of your own, or not at all"
            )

    # -- life -----------------------------------------------------------------------------

    def test_refuses_commands_before_it_is_open(self, actuator: Actuator) -> None:
        """A command that goes nowhere must not look obeyed."""
        with pytest.raises(PluginError):
            actuator.apply(make_decision())

    def test_cannot_be_opened_twice(self, opened: Actuator) -> None:
        """Two owners of one device are a fault of the program."""
        with pytest.raises(PluginError):
            opened.open()

    def test_close_twice_is_fine(self, opened: Actuator) -> None:
        """Whoever cleans up may do so again."""
        opened.close()
        opened.close()
        assert not opened.is_open

    def test_close_without_open_is_fine(self, actuator: Actuator) -> None:
        """A start that failed cleans up what was never opened."""
        actuator.close()

    def test_refuses_commands_after_close(self, opened: Actuator) -> None:
        """A closed actuator obeys nothing and says so."""
        opened.close()
        for call in (
            lambda: opened.apply(make_decision()),
            lambda: opened.safe_state("late"),
            opened.health,
        ):
            with pytest.raises(PluginError):
                call()

    def test_works_as_a_context_manager(self, actuator: Actuator) -> None:
        """``with`` opens it and closes it."""
        with actuator as inside:
            inside.apply(make_decision())
        assert not actuator.is_open

    # -- decisions ------------------------------------------------------------------------

    def test_accepts_zero(self, opened: Actuator) -> None:
        """Brakes off, motor neutral."""
        _drive(opened, [{}] * 10)

    def test_accepts_every_extreme(self, opened: Actuator) -> None:
        """Each channel alone and all together at each end of its range."""
        for channel in CHANNELS:
            for value in (1.0, 0.0, -1.0) if channel == THROTTLE else (1.0, 0.0):
                _drive(opened, [{channel: value}])
        _drive(opened, [dict.fromkeys(CHANNELS, 1.0)])

    def test_accepts_every_decision_in_range(self, opened: Actuator) -> None:
        """A thousand decisions all over the range."""
        _drive(opened, _random_commands(1000))

    def test_accepts_the_smallest_steps(self, opened: Actuator) -> None:
        """Values next to zero and next to one are values."""
        tiny = math.ulp(0.0)
        below_one = math.nextafter(1.0, 0.0)
        for value in (tiny, 1e-12, below_one):
            _drive(opened, [dict.fromkeys(CHANNELS, value)])

    def test_survives_rapid_flips(self, opened: Actuator) -> None:
        """Full on, full off, forward, reverse, every hundredth of a second."""
        on = {**dict.fromkeys(BRAKES, 1.0), THROTTLE: 1.0}
        off = {THROTTLE: -1.0}
        _drive(opened, [on, off] * 500)

    def test_the_same_decision_again_is_fine(self, opened: Actuator) -> None:
        """A loop that has nothing new to say repeats itself."""
        decision = _decision(0.0, dict.fromkeys(CHANNELS, 0.5))
        for _ in range(100):
            opened.apply(decision)

    def test_survives_time_that_stands_goes_back_or_leaps(self, opened: Actuator) -> None:
        """A clock step must not stop the brakes."""
        for t_s in (100.0, 100.0, 99.0, 0.0, 1e9, -5.0, 1e9 + 0.01):
            opened.apply(_decision(t_s, dict.fromkeys(CHANNELS, 0.5)))

    @pytest.mark.parametrize("wrong", [-0.001, 1.001, 2.0, -1.5, 1e30])
    def test_refuses_what_is_out_of_range(
        self, opened: Actuator, outputs: Outputs | None, wrong: float
    ) -> None:
        """Refused with channel and value; the hardware keeps what it had."""
        self._refuses(opened, outputs, wrong)

    @pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
    def test_refuses_what_is_not_finite(
        self, opened: Actuator, outputs: Outputs | None, wrong: float
    ) -> None:
        """NaN never reaches a servo."""
        self._refuses(opened, outputs, wrong)

    def _refuses(self, opened: Actuator, outputs: Outputs | None, wrong: float) -> None:
        opened.apply(_decision(0.0, {}))
        before = dict(outputs()) if outputs is not None else None
        for channel in opened.channels:
            if channel == THROTTLE and -1.0 <= wrong <= 1.0:
                continue
            with pytest.raises(ValueError, match=channel.replace(".", r"\.")):
                opened.apply(_decision(PERIOD_S, {channel: wrong}))
        if outputs is not None:
            assert dict(outputs()) == before
        opened.apply(_decision(2 * PERIOD_S, {}))

    def test_commands_reach_the_hardware(self, opened: Actuator, outputs: Outputs | None) -> None:
        """A command that is held comes out, on its own channel and on no other."""
        out = need(outputs, "outputs")
        t_s = _hold(opened, 0.0, {}, self.settle_s)
        for channel in opened.channels:
            for value in (1.0, 0.5, -0.5) if channel == THROTTLE else (1.0, 0.5):
                t_s = _hold(opened, t_s, {channel: value}, self.settle_s)
                for other in opened.channels:
                    wanted = value if other == channel else 0.0
                    assert out()[other] == pytest.approx(wanted, abs=self.tolerance), (
                        f"{channel} held at {value:g} for {self.settle_s:g} s: {other} stands at "
                        f"{out()[other]:g}, expected {wanted:g}"
                    )
            t_s = _hold(opened, t_s, {}, self.settle_s)

    # -- safe state -----------------------------------------------------------------------

    def test_safe_state_works_from_every_state(
        self, opened: Actuator, outputs: Outputs | None
    ) -> None:
        """At once after opening, at rest, at full, in the middle of flips, after a refusal."""
        self._goes_safe(opened, outputs)
        for last in ({}, dict.fromkeys(CHANNELS, 1.0), {THROTTLE: -1.0}, *_random_commands(20)):
            _drive(opened, [*_random_commands(5), last])
            self._goes_safe(opened, outputs)
        with pytest.raises(ValueError, match="expected a number"):
            opened.apply(_decision(1.0, dict.fromkeys(CHANNELS, math.nan)))
        self._goes_safe(opened, outputs)

    def test_safe_state_again_is_fine(self, opened: Actuator, outputs: Outputs | None) -> None:
        """Whoever is worried may say so again."""
        for _ in range(3):
            self._goes_safe(opened, outputs)

    def test_obeys_again_after_the_safe_state(
        self, opened: Actuator, outputs: Outputs | None
    ) -> None:
        """The safe state is a state, not the end."""
        opened.safe_state("test")
        _hold(opened, 0.0, {}, self.settle_s)
        if outputs is not None:
            for channel in opened.channels:
                assert outputs()[channel] == pytest.approx(0.0, abs=self.tolerance)

    def _goes_safe(self, opened: Actuator, outputs: Outputs | None) -> None:
        opened.safe_state("test")
        if outputs is not None:
            for channel in opened.channels:
                wanted = 0.0 if channel == THROTTLE else self.safe_brake
                assert outputs()[channel] == pytest.approx(wanted, abs=self.tolerance), (
                    f"safe state: {channel} stands at {outputs()[channel]:g}, expected {wanted:g}"
                )

    # -- faults ---------------------------------------------------------------------------

    def test_a_hardware_fault_is_raised_not_hidden(
        self, opened: Actuator, break_hardware: Callable[[bool], None] | None
    ) -> None:
        """A brake that cannot be reached must not look obeyed: by an exception or by health."""
        breaks = need(break_hardware, "break_hardware")
        _hold(opened, 0.0, {}, 1.0)
        breaks(True)
        told = False
        for i in range(round(1.0 / PERIOD_S)):
            try:
                # Changing commands, for plugins that send only what is new.
                opened.apply(_decision(1.0 + i * PERIOD_S, dict.fromkeys(CHANNELS, i % 2 / 2)))
                told = told or bool(opened.health().failed)
            except Exception:
                told = True
        breaks(False)
        assert told, "one second of commands to broken hardware, and no complaint"

    def test_obeys_again_when_the_hardware_is_mended(
        self,
        opened: Actuator,
        outputs: Outputs | None,
        break_hardware: Callable[[bool], None] | None,
    ) -> None:
        """A fault that has passed costs the time it lasted, no more."""
        breaks = need(break_hardware, "break_hardware")
        t_s = _hold(opened, 0.0, {}, 1.0)
        breaks(True)
        for i in range(20):
            with contextlib.suppress(Exception):
                opened.apply(_decision(t_s + i * PERIOD_S, {}))
        breaks(False)
        t_s = _hold(opened, t_s + 1.0, {}, self.settle_s)
        channel = opened.channels[0]
        _hold(opened, t_s, {channel: 1.0}, self.settle_s)
        if outputs is not None:
            assert outputs()[channel] == pytest.approx(1.0, abs=self.tolerance)

    def test_closes_with_broken_hardware(
        self, actuator: Actuator, break_hardware: Callable[[bool], None] | None
    ) -> None:
        """Cleaning up comes to an end: closed, whether or not it complains."""
        breaks = need(break_hardware, "break_hardware")
        actuator.open()
        actuator.apply(make_decision())
        breaks(True)
        with contextlib.suppress(Exception):
            actuator.close()
        assert not actuator.is_open
        breaks(False)
        actuator.close()

    def test_an_exception_inside_stays_inside_the_host(
        self, actuator: Actuator, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The host names the plugin in an alert, and calls it again."""
        host, clock = _hosted(actuator)
        with host:
            host.apply(make_decision(clock()))
            with monkeypatch.context() as broken:
                broken.setattr(actuator, "_write", lambda *_: 1 / 0)
                (alert,) = host.apply(make_decision(clock()))
                assert "plugin under-test" in alert.message
                assert set(host.failed) == set(actuator.channels)
            clock.advance(PERIOD_S)
            host.apply(make_decision(clock()))
            assert not set(host.failed) & set(actuator.channels)

    def test_a_hang_is_seen_by_the_host_and_overcome(
        self, actuator: Actuator, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """After calls that took seconds, commands are obeyed again."""
        host, clock = _hosted(actuator)
        write = actuator._write

        def slow(command: Mapping[str, float], decision: Decision) -> None:
            clock.advance(3.0)
            write(command, decision)

        with host:
            with monkeypatch.context() as slowed:
                slowed.setattr(actuator, "_write", slow)
                for _ in range(2):
                    host.apply(make_decision(clock()))
                assert set(host.failed) == set(actuator.channels)
            clock.advance(2.0)
            host.apply(make_decision(clock()))
            assert not set(host.failed) & set(actuator.channels)

    # -- health ---------------------------------------------------------------------------

    def test_health_can_always_be_asked(self, opened: Actuator) -> None:
        """Before the first command, between commands, after the safe state."""
        assert isinstance(opened.health(), Health)
        _drive(opened, _random_commands(10))
        assert isinstance(opened.health(), Health)
        opened.safe_state("test")
        assert isinstance(opened.health(), Health)

    def test_healthy_hardware_is_reported_healthy(self, opened: Actuator) -> None:
        """Fake hardware that works is not reported as failed."""
        _hold(opened, 0.0, {}, 0.5)
        assert opened.health().failed == ()


def _decision(t_s: float, command: Mapping[str, float]) -> Decision:
    fl, fr, rl, rr = (command.get(channel, 0.0) for channel in BRAKES)
    return make_decision(t_s, brakes=(fl, fr, rl, rr), throttle=command.get(THROTTLE, 0.0))


def _drive(actuator: Actuator, commands: list[dict[str, float]]) -> None:
    for i, command in enumerate(commands):
        actuator.apply(_decision(i * PERIOD_S, command))


def _hold(actuator: Actuator, t_s: float, command: Mapping[str, float], for_s: float) -> float:
    """Give one command for a time; the time it ended."""
    for i in range(round(for_s / PERIOD_S) + 1):
        actuator.apply(_decision(t_s + i * PERIOD_S, command))
        actuator.health()
    return t_s + for_s + PERIOD_S


def _random_commands(count: int) -> list[dict[str, float]]:
    chance = random.Random(20)  # always the same, so that a failure can be looked at again
    return [
        {channel: chance.uniform(-1.0 if channel == THROTTLE else 0.0, 1.0) for channel in CHANNELS}
        for _ in range(count)
    ]


def _hosted(actuator: Actuator) -> tuple[Host, ManualClock]:
    clock = ManualClock()
    plugin = make_plugin("under-test", actuator=lambda: actuator)
    host = Host(make_config("under-test: {}"), plugins=[plugin], clock=clock, threads=False)
    # What other plugins would serve is not under test.
    host.unserved = ()
    return host, clock
