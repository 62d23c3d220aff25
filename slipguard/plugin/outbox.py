"""A queue before each alert sink, so that a slow one costs the loop nothing.

Newest wins: when the queue is full the oldest alert is dropped and counted, and of the states
in between only the newest is shown.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Any

from slipguard.decision import Alert, Decision
from slipguard.plugin.caller import Clock
from slipguard.plugin.contract import AlertSink
from slipguard.plugin.discover import one_line
from slipguard.plugin.isolate import Tell

CAPACITY = 64
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 30.0
"""Pauses between tries after a failure, doubling. Judgement, no source."""


class Outbox:
    """What waits to go out through one sink.

    ``post``, ``show`` and ``check`` are the loop's side and never block; ``pump`` is the sink's,
    called by its thread, or by the host where there are no threads.
    """

    def __init__(self, sink: AlertSink, clock: Clock, tell: Tell) -> None:
        self.sink = sink
        self.reason = ""
        self.sent = 0
        self.dropped = 0
        self.failures = 0
        self._clock = clock
        self._tell = tell
        self._wake = threading.Condition()
        self._alerts: deque[Alert] = deque(maxlen=CAPACITY)
        self._state: Decision | None = None
        self._state_due_s = float("-inf")
        self._busy_since_s: float | None = None
        self._hang_told = False
        self._tries = 0
        self._retry_s = float("-inf")
        self._stopping = False
        self._close_problem = ""
        self._thread: threading.Thread | None = None

    @property
    def works(self) -> bool:
        """Whether alerts get through, as far as is known."""
        return not self._tries and not self._hang_told

    def start_thread(self, name: str) -> None:
        """Send from a thread of its own."""
        self._thread = threading.Thread(target=self._serve, name=name, daemon=True)
        self._thread.start()

    def post(self, alert: Alert) -> None:
        """Queue an alert."""
        with self._wake:
            self.dropped += len(self._alerts) == CAPACITY
            self._alerts.append(alert)
            self._wake.notify()

    def show(self, decision: Decision) -> None:
        """Offer the newest decision; it is shown when the sink next wants one."""
        if self.sink.state_period_s is not None:
            # No wake-up: its thread looks when it is due.
            self._state = decision

    def check(self) -> None:
        """Notice a hang; called by the loop."""
        busy_since_s = self._busy_since_s
        if busy_since_s is None:
            self._hang_told = False
        elif not self._hang_told and self._clock() - busy_since_s > self.sink.deadline_s:
            self._hang_told = True
            self.reason = f"did not answer within {self.sink.deadline_s:g} s"
            self._tell("warning", f"{self.reason}; alerts wait, newest kept")

    def pump(self) -> float:
        """Do what is due now; seconds until something may be due again."""
        now_s = self._clock()
        if now_s < self._retry_s:
            return self._retry_s - now_s
        while True:
            with self._wake:
                alert = self._alerts[0] if self._alerts else None
            if alert is None:
                break
            if not self._call(self.sink.send, alert):
                return self._retry_s - self._clock()
            self.sent += 1
            with self._wake:  # unless it was dropped meanwhile
                if self._alerts and self._alerts[0] is alert:
                    self._alerts.popleft()
        return self._pump_state(now_s)

    def stop(self, within_s: float) -> str | None:
        """Send what is left, no longer than ``within_s``, then close; what went wrong."""
        with self._wake:
            self._stopping = True
            self._wake.notify()
        if self._thread is None:
            self._finish()
        else:
            self._thread.join(within_s)
            if self._thread.is_alive():
                return f"did not end within {within_s:g} s; left behind"
        left = len(self._alerts)
        unsent = f"{left} alerts were not sent: {self.reason}" if left else ""
        return "; ".join(filter(None, (unsent, self._close_problem))) or None

    def _pump_state(self, now_s: float) -> float:
        period_s = self.sink.state_period_s
        if period_s is None:
            return float("inf")
        if now_s >= self._state_due_s and self._state is not None:
            state, self._state = self._state, None
            self._state_due_s = now_s + period_s
            if not self._call(self.sink.update, state):
                return self._retry_s - self._clock()
        return max(self._state_due_s - self._clock(), period_s / 4)

    def _call(self, method: Callable[..., Any], argument: Alert | Decision) -> bool:
        self._busy_since_s = self._clock()
        try:
            method(argument)
        except BaseException as err:  # SystemExit too: it must not end the thread
            if self._thread is None and isinstance(err, KeyboardInterrupt):
                raise  # the operator's, not the plugin's
            self._failed(one_line(err))
            return False
        finally:
            self._busy_since_s = None
        if self._tries:
            self._tries = 0
            self._tell("info", "works again")
        return True

    def _failed(self, reason: str) -> None:
        self.failures += 1
        self.reason = reason
        if not self._tries:
            self._tell("warning", reason)
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** min(self._tries, 10))
        self._tries += 1
        self._retry_s = self._clock() + pause_s

    def _serve(self) -> None:
        while True:
            wait_s = self.pump()
            with self._wake:
                if self._stopping:
                    break
                if self._tries or not self._alerts:
                    self._wake.wait(min(wait_s, 3600.0))
        self._finish()

    def _finish(self) -> None:
        self._retry_s = float("-inf")  # one last try, without a pause
        self.pump()
        try:
            self.sink.close()
        except BaseException as err:
            self._close_problem = f"close: {one_line(err)}"
