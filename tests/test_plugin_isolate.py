"""One plugin object that is late, fails, hangs or recovers: what is told and what is tried."""

from __future__ import annotations

import itertools
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slipguard.plugin.caller import InlineCaller, ThreadCaller
from slipguard.plugin.isolate import GIVE_UP_S, LONGEST_PAUSE_S, STEADY_S, Condition, Isolated
from slipguard.testing import ManualClock

PERIOD_S = 0.01
DEADLINE_S = 0.005


class Bench:
    """An isolated object, a clock, and what was told."""

    def __init__(self):
        self.clock = ManualClock()
        self.told = []
        self.tried = 0
        self.isolated = Isolated(
            InlineCaller(self.clock),
            DEADLINE_S,
            "critical",
            lambda level, message: self.told.append((level, message)),
        )

    def round(self, takes_s=0.001, error=None):
        """One loop period; True when the object was called."""
        before = self.tried

        def call():
            self.tried += 1
            self.clock.advance(takes_s)
            if error is not None:
                raise error
            return "answer"

        now_s = self.clock()
        self.isolated.begin(now_s, call)
        self.answer = self.isolated.end(now_s)
        self.clock.now_s = max(self.clock.now_s, now_s + PERIOD_S)
        return self.tried > before

    def fine(self, for_s):
        for _ in range(round(for_s / PERIOD_S) + 1):
            self.round()


@pytest.fixture
def bench():
    return Bench()


def test_an_answer_in_time_is_fine(bench):
    """Nothing is told and nothing counted against a plugin that works."""
    bench.fine(1.0)
    assert bench.isolated.condition is Condition.OK
    assert bench.answer == "answer"
    assert bench.told == []
    assert bench.isolated.tally.worst_s == pytest.approx(0.001)


def test_one_late_answer_is_told_but_is_no_failure(bench):
    """An operating system that steals a few milliseconds once must not stop the rover."""
    bench.round(takes_s=0.008)
    assert bench.isolated.condition is Condition.LATE
    assert bench.isolated.works
    bench.round()
    assert bench.isolated.condition is Condition.OK
    assert bench.told == [("warning", "did not answer within 5 ms")]


def test_late_now_and_then_is_not_told_every_time(bench):
    """The driver's screen is not flooded by a plugin that is sometimes a little late."""
    for _ in range(100):
        bench.round(takes_s=0.008)
        bench.round()
    assert len(bench.told) == 1
    assert bench.isolated.tally.late == 100


def test_two_late_answers_in_a_row_are_a_failure(bench):
    """A brake that keeps missing its deadline does not obey."""
    bench.round(takes_s=0.008)
    bench.round(takes_s=0.008)
    assert bench.isolated.condition is Condition.FAILED
    assert bench.told[-1] == ("critical", "did not answer within 5 ms")


def test_an_exception_is_a_failure_at_once_and_told_once(bench):
    """The loop knows within the same period; the driver hears it once, not 100 times a second."""
    bench.round(error=OSError(121, "Remote I/O error"))
    assert bench.isolated.condition is Condition.FAILED
    for _ in range(500):
        bench.round(error=OSError(121, "Remote I/O error"))
    assert bench.told == [("critical", "OSError: [Errno 121] Remote I/O error")]


def test_a_failure_is_tried_again_at_once_then_ever_more_rarely(bench):
    """A glitch costs one period; a dead device costs little time and is still found alive."""
    tries = [bench.round(error=OSError("no")) for _ in range(1000)]
    assert tries[:2] == [True, True]
    times_s = [i * PERIOD_S for i, tried in enumerate(tries) if tried]
    gaps_s = [round(b - a, 6) for a, b in itertools.pairwise(times_s)]
    assert gaps_s == sorted(gaps_s)
    assert gaps_s[-1] == pytest.approx(LONGEST_PAUSE_S, abs=1.5 * PERIOD_S)


def test_recovery_is_told_when_it_has_lasted(bench):
    """One good call among bad ones is not 'works again'."""
    bench.round(error=OSError("no"))
    bench.round()
    assert bench.isolated.works
    assert len(bench.told) == 1
    bench.fine(STEADY_S)
    assert bench.told[-1] == ("info", "works again")


def test_a_flapping_plugin_is_one_trouble(bench):
    """Fail, work, fail, work: told once, and pauses grow all the same."""
    for _ in range(300):
        bench.round(error=OSError("no"))
        bench.round()
    assert len(bench.told) == 1
    assert bench.tried < 600


@given(st.lists(st.sampled_from(["fine", "late", "raise", "exit"]), max_size=200))
def test_whatever_happens_the_host_goes_on(outcomes):
    """No sequence of faults raises, stops the retries, or muddles what is told."""
    bench = Bench()
    idle = 0
    for outcome in outcomes:
        error = {"raise": ValueError("bad"), "exit": SystemExit(1)}.get(outcome)
        called = bench.round(takes_s=0.02 if outcome == "late" else 0.001, error=error)
        idle = 0 if called else idle + 1
        assert idle * PERIOD_S <= LONGEST_PAUSE_S + PERIOD_S
        if called and error is not None:
            assert not bench.isolated.works
        if called and outcome == "fine":
            assert bench.isolated.works
    levels = [level for level, _ in bench.told if level != "warning"]
    assert levels == ["critical", "info"] * (len(levels) // 2) + ["critical"] * (len(levels) % 2)


class Gate:
    """A call that hangs until let go."""

    def __init__(self):
        self.entered = threading.Event()
        self.open = threading.Event()
        self.left = threading.Event()

    def __call__(self):
        self.entered.set()
        self.open.wait(60)
        self.left.set()


@pytest.fixture
def gate():
    gate = Gate()
    yield gate
    gate.open.set()


def threaded(told):
    caller = ThreadCaller("test")
    return Isolated(caller, DEADLINE_S, "critical", lambda *what: told.append(what)), caller


def test_a_hang_does_not_hold_up_the_loop(gate):
    """end() comes back while the call is still inside the plugin."""
    isolated, caller = threaded([])
    isolated.begin(0.0, gate)
    assert isolated.end(0.0) is None
    assert not gate.left.is_set()
    assert isolated.condition is Condition.LATE
    isolated.begin(PERIOD_S, gate)
    assert isolated.condition is Condition.FAILED
    caller.stop()


def test_a_hanging_object_is_not_called_again_meanwhile(gate):
    """A plugin never sees two calls at a time."""
    isolated, caller = threaded([])
    isolated.begin(0.0, gate)
    isolated.end(0.0)
    calls = []
    for i in range(20):
        isolated.begin(i * PERIOD_S, lambda: calls.append(1))
        isolated.end(i * PERIOD_S)
    assert calls == []
    gate.open.set()
    gate.left.wait(60)
    while caller.running_s is not None and caller.finish(60.0) is None:
        pass
    isolated.begin(1.0, lambda: calls.append(1))
    isolated.end(1.0)
    caller.stop()


def test_what_never_comes_back_is_given_up_and_told(gate):
    """After two seconds the driver knows that this one is gone for good."""

    class Forever(InlineCaller):
        running_s = GIVE_UP_S + 0.1

        def finish(self, within_s):
            return None

    told = []
    isolated = Isolated(Forever(ManualClock()), DEADLINE_S, "critical", lambda *w: told.append(w))
    isolated.begin(0.0, lambda: None)
    assert isolated.condition is Condition.GIVEN_UP
    assert not isolated.works
    assert told == [("critical", "hangs for 2.1 s: given up, not called again")]
    isolated.begin(10.0, lambda: pytest.fail("called again"))
    assert isolated.end(10.0) is None


def test_the_safe_state_follows_a_hang(gate):
    """What was forced while a call hangs runs as soon as it ends, before anything else."""
    isolated, caller = threaded([])
    done = threading.Event()
    isolated.begin(0.0, gate)
    isolated.end(0.0)
    isolated.force(done.set)
    assert "still busy" in isolated.wait(0.0)
    assert not done.is_set()
    gate.open.set()
    assert done.wait(60)
    caller.stop()


def test_a_plugin_that_exits_does_not_end_the_thread():
    """sys.exit() inside a plugin is a failure like any other."""
    caller = ThreadCaller("test")

    def leave():
        raise SystemExit(3)

    caller.start(leave)
    assert isinstance(caller.finish(60.0).error, SystemExit)
    caller.start(lambda: "alive")
    assert caller.finish(60.0).value == "alive"
    caller.stop()
