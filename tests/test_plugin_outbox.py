"""The queue before each alert sink: a slow or dead one costs the loop nothing."""

from __future__ import annotations

import threading

import pytest

from slipguard.plugin import AlertSink
from slipguard.plugin.outbox import CAPACITY, LONGEST_PAUSE_S, Outbox
from slipguard.testing import ManualClock, make_alert, make_decision


class Sink(AlertSink):
    """Keeps what it was sent, or fails as told."""

    def __init__(self, state_period_s=None):
        self.state_period_s = state_period_s
        self.sent = []
        self.shown = []
        self.error = self.close_error = None
        self.on_send = lambda: None

    def _open(self):
        pass

    def _send(self, alert):
        self.on_send()
        if self.error:
            raise self.error
        self.sent.append(alert.message)

    def _update(self, decision):
        self.shown.append(decision.t_s)

    def _close(self):
        if self.close_error:
            raise self.close_error


class Bench:
    def __init__(self, **options):
        self.clock = ManualClock()
        self.sink = Sink(**options)
        self.sink.open()
        self.told = []
        self.outbox = Outbox(self.sink, self.clock, lambda *what: self.told.append(what))

    def post(self, *messages):
        for message in messages:
            self.outbox.post(make_alert(message))


def test_alerts_go_out_in_order():
    """The driver reads what happened in the order it happened."""
    bench = Bench()
    bench.post("a", "b", "c")
    bench.outbox.pump()
    assert bench.sink.sent == ["a", "b", "c"]


def test_when_it_is_full_the_newest_are_kept():
    """After a long silence the driver reads what is true now, not what was an hour ago."""
    bench = Bench()
    bench.post(*(str(i) for i in range(CAPACITY + 10)))
    bench.outbox.pump()
    assert bench.sink.sent == [str(i) for i in range(10, CAPACITY + 10)]
    assert bench.outbox.dropped == 10


def test_what_failed_is_sent_again_after_pauses_that_grow():
    """A dead network is not hammered, and no alert is lost when it returns soon."""
    bench = Bench()
    bench.sink.error = OSError("no route")
    bench.post("a")
    pauses_s = []
    for _ in range(12):
        pauses_s.append(bench.outbox.pump())
        bench.clock.advance(pauses_s[-1])
    assert pauses_s[:3] == pytest.approx([0.25, 0.5, 1.0])
    assert pauses_s[-1] == pytest.approx(LONGEST_PAUSE_S)
    assert bench.told == [("warning", "OSError: no route")]
    bench.sink.error = None
    bench.outbox.pump()
    assert bench.sink.sent == ["a"]
    assert bench.told[-1] == ("info", "works again")


def test_nothing_is_tried_during_a_pause():
    """The pause holds for new alerts too."""
    bench = Bench()
    bench.sink.error = OSError("no route")
    bench.post("a")
    bench.outbox.pump()
    bench.sink.error = None
    bench.post("b")
    assert bench.outbox.pump() == pytest.approx(0.25)
    assert bench.sink.sent == []
    bench.clock.advance(0.25)
    bench.outbox.pump()
    assert bench.sink.sent == ["a", "b"]


def test_the_state_is_shown_as_often_as_asked_and_newest_wins():
    """A sink that wants the state twice a second gets the newest, not every one."""
    bench = Bench(state_period_s=0.5)
    for i in range(200):
        bench.clock.now_s = i * 0.01
        bench.outbox.show(make_decision(i * 0.01))
        bench.outbox.pump()
    assert bench.sink.shown == pytest.approx([0.0, 0.5, 1.0, 1.5])


def test_a_sink_that_does_not_ask_is_not_shown_the_state():
    """update is optional: without state_period_s it is never called."""
    bench = Bench()
    bench.outbox.show(make_decision())
    bench.outbox.pump()
    assert bench.sink.shown == []


def test_a_hang_is_told_once_by_the_loop():
    """The sink's thread cannot tell that it hangs; the loop can."""
    bench = Bench()

    def hang():
        bench.outbox.check()
        bench.clock.advance(bench.sink.deadline_s + 1)
        bench.outbox.check()
        bench.outbox.check()
        assert not bench.outbox.works

    bench.sink.on_send = hang
    bench.post("a")
    bench.outbox.pump()
    assert bench.told == [("warning", "did not answer within 5 s; alerts wait, newest kept")]
    bench.outbox.check()
    assert bench.outbox.works


def test_a_hanging_sink_does_not_hold_up_posting_or_stopping():
    """The loop posts on, and the program ends, while a sink hangs in its own thread."""
    bench = Bench()
    entered, gate = threading.Event(), threading.Event()
    bench.sink.on_send = lambda: (entered.set(), gate.wait(60))
    bench.outbox.start_thread("test")
    bench.post("a")
    assert entered.wait(60)
    bench.post(*(str(i) for i in range(1000)))
    assert "left behind" in bench.outbox.stop(0.01)
    gate.set()


def test_stopping_sends_what_is_left():
    """The last alert before the end is the one that matters."""
    bench = Bench()
    bench.outbox.start_thread("test")
    bench.post("a", "b")
    assert bench.outbox.stop(60.0) is None
    assert bench.sink.sent == ["a", "b"]
    assert not bench.sink.is_open


def test_stopping_says_what_was_not_sent():
    """Nobody believes an alert went out that did not."""
    bench = Bench()
    bench.sink.error = OSError("no route")
    bench.post("a", "b")
    assert bench.outbox.stop(1.0) == "2 alerts were not sent: OSError: no route"


@pytest.mark.parametrize("error", [None, OSError("no route")])
def test_stopping_says_that_a_sink_could_not_be_closed(error):
    """And does not take it for the reason why alerts were not sent."""
    bench = Bench()
    bench.sink.error, bench.sink.close_error = error, ValueError("no such port")
    bench.post("a")
    unsent = "1 alerts were not sent: OSError: no route; " if error else ""
    assert bench.outbox.stop(1.0) == f"{unsent}close: ValueError: no such port"
