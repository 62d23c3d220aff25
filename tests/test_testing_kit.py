"""The conformance kit: our mock passes it, and it catches what it is there to catch."""

from __future__ import annotations

import contextlib
import time

import pytest

from slipguard.plugin import Health
from slipguard.testing import MockActuator, MockSettings
from slipguard.testing.kit import ActuatorContract

pytest_plugins = ["pytester"]


class BreakableMock(MockActuator):
    """A mock whose writes can be made to fail."""

    def break_it(self, broken):
        self.before_write = self._fail if broken else None

    def _fail(self):
        raise OSError("unplugged")

    def outputs(self):
        return self.position


class TestMockActuator(ActuatorContract):
    """The mock is a plugin like any other."""

    section = "mock-actuator: {}"
    settle_s = 0.1  # it is there at once

    @pytest.fixture
    def actuator(self):
        return BreakableMock(MockSettings())

    @pytest.fixture
    def outputs(self, actuator):
        return lambda: actuator.position or dict.fromkeys(actuator.channels, 0.0)

    @pytest.fixture
    def break_hardware(self, actuator):
        return actuator.break_it


class Swallows(BreakableMock):
    """Hides that the hardware failed."""

    def _write(self, command, decision):
        with contextlib.suppress(OSError):
            super()._write(command, decision)


class SwapsSides(BreakableMock):
    """Brakes the wrong wheel."""

    def _write(self, command, decision):
        swapped = {**command, "brake.fl": command["brake.fr"], "brake.fr": command["brake.fl"]}
        super()._write(swapped, decision)


class Forgets(BreakableMock):
    """Does nothing on a safe state."""

    def _safe_state(self, reason):
        pass


class DiesWithTime(BreakableMock):
    """Cannot stand a clock that goes back."""

    def _write(self, command, decision):
        if self.commands and decision.t_s < self.commands[-1][0]:
            raise ValueError("time went back")
        super()._write(command, decision)


class NeverWell(BreakableMock):
    """Reports healthy hardware as failed."""

    def _health(self):
        return Health(failed=("brake.fl",), message="no")


class ChecksNothing(BreakableMock):
    """Lets a command out of range through."""

    def apply(self, decision):
        self._check_open("apply")
        values = dict(zip(self.channels, (*decision.brakes, decision.throttle), strict=True))
        self._write(values, decision)


class Waits(BreakableMock):
    """Takes its time over every command."""

    def _write(self, command, decision):
        time.sleep(0.05)
        super()._write(command, decision)


class StaysBroken(BreakableMock):
    """Never works again after one failure."""

    dead = False

    def _fail(self):
        self.dead = True

    def _write(self, command, decision):
        super()._write(command, decision)
        if self.dead:
            raise OSError("still broken")


CATCHES = {
    "a_hardware_fault_is_raised_not_hidden": Swallows,
    "commands_reach_the_hardware": SwapsSides,
    "safe_state_works_from_every_state": Forgets,
    "survives_time_that_stands_goes_back_or_leaps": DiesWithTime,
    "healthy_hardware_is_reported_healthy": NeverWell,
    "refuses_what_is_out_of_range": ChecksNothing,
    "refuses_what_is_not_finite": ChecksNothing,
    "obeys_again_when_the_hardware_is_mended": StaysBroken,
    "no_call_sleeps_longer_than_its_deadline": Waits,
}


@pytest.mark.parametrize(("name", "kind"), CATCHES.items(), ids=list(CATCHES))
def test_the_kit_catches(pytester, name, kind):
    """Each of these tests fails on an actuator that does what it forbids, and on no good one."""
    pytester.makepyfile(
        f"""
        import pytest
        from slipguard.testing.kit import ActuatorContract
        from {__name__} import {kind.__name__} as Kind, TestMockActuator as Good

        class TestIt(Good):
            @pytest.fixture
            def actuator(self):
                return Kind()
        """
    )
    pytester.syspathinsert(__file__.rpartition("/")[0])
    result = pytester.runpytest_inprocess(
        "-q", "-k", f"TestIt and {name}", "-p", "no:cacheprovider"
    )
    outcomes = result.parseoutcomes()
    assert outcomes.get("failed", 0) >= 1, outcomes
    assert outcomes.get("errors", 0) == 0


def test_the_kit_has_the_promised_breadth():
    """Some thirty named tests, each saying in a sentence what it protects."""
    tests = [name for name in dir(ActuatorContract) if name.startswith("test_")]
    assert len(tests) >= 30
    assert all(getattr(ActuatorContract, name).__doc__ for name in tests)


def test_a_kit_without_its_fixture_says_what_is_missing(pytester):
    """An author who forgets something reads what to write."""
    pytester.makepyfile(
        """
        from slipguard.testing.kit import ActuatorContract

        class TestMine(ActuatorContract):
            pass
        """
    )
    result = pytester.runpytest_inprocess("-q", "-p", "no:cacheprovider")
    result.stdout.fnmatch_lines(["*give TestMine a fixture 'actuator'*"])
    result.stdout.fnmatch_lines(["*set TestMine.section, e.g. section = *"])


def test_a_section_that_is_out_of_date_is_named_as_such(pytester):
    """An author who renames a setting reads what to mend, in every test that needs the section."""
    pytester.makepyfile(
        f"""
        from {__name__} import TestMockActuator as Good

        class TestIt(Good):
            section = "mock-actuator: {{chanels: [throttle]}}"
        """
    )
    pytester.syspathinsert(__file__.rpartition("/")[0])
    result = pytester.runpytest_inprocess(
        "-q", "-k", "TestIt and refused", "-p", "no:cacheprovider"
    )
    assert result.parseoutcomes()["failed"] >= 3
    result.stdout.fnmatch_lines(
        ["*mend TestIt.section first, it is refused: rover.yaml:6: *.chanels: unknown key*"]
    )


def test_what_touches_the_outside_while_building_is_caught(pytester):
    """A plugin that opens its device in __init__ cannot be checked on a desk."""
    pytester.makepyfile(
        """
        from slipguard.testing.kit.common import PluginContract

        class TestIt(PluginContract):
            section = "mock-actuator: {}"

            def test_importing_and_building_touch_nothing_outside(self, monkeypatch):
                from slipguard.testing.kit import common
                monkeypatch.setattr(
                    common,
                    "_IMPORT_AND_BUILD",
                    common._IMPORT_AND_BUILD + "open('/dev/tty')",
                )
                super().test_importing_and_building_touch_nothing_outside()
        """
    )
    result = pytester.runpytest_inprocess("-q", "-k", "touch", "-p", "no:cacheprovider")
    result.stdout.fnmatch_lines(["*touched the outside: open /dev/tty*"])
