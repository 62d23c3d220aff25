"""How a plugin's method is called: in a thread of its own, so that a hang stays there.

Both callers run one call at a time and in order; ``InlineCaller`` does so at once and in the
thread that asks, for replay and for tests that must not wait.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any, Protocol

Clock = Callable[[], float]


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one call ended. ``error`` is None when it returned ``value``."""

    value: Any
    error: BaseException | None
    took_s: float


class Caller(Protocol):
    """Runs calls to one plugin object."""

    def start(self, call: Callable[[], Any]) -> None:
        """Begin a call; not while another one runs."""

    def finish(self, within_s: float) -> Outcome | None:
        """Its outcome, waiting until ``within_s`` after the start; None: it still runs."""

    def queue(self, call: Callable[[], Any]) -> None:
        """Run this once what runs now has ended; its outcome is dropped."""

    def stop(self) -> None:
        """Take no more calls."""

    @property
    def running_s(self) -> float | None:
        """How long the present call has been running; None: none is."""


class InlineCaller:
    """Calls at once, in the thread that asks. A hang is only seen afterwards."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._outcome: Outcome | None = None

    def start(self, call: Callable[[], Any]) -> None:
        self._outcome = _run(call, self._clock)
        if isinstance(self._outcome.error, KeyboardInterrupt):
            raise self._outcome.error  # the operator's, not the plugin's

    def finish(self, within_s: float) -> Outcome | None:
        outcome, self._outcome = self._outcome, None
        return outcome

    def queue(self, call: Callable[[], Any]) -> None:
        _run(call, self._clock)

    def stop(self) -> None:
        pass

    @property
    def running_s(self) -> float | None:
        return None


class ThreadCaller:
    """Calls in a thread of its own.

    Python cannot end a thread that hangs: it is left behind, and it does not keep the program
    from ending.
    """

    def __init__(self, name: str) -> None:
        self._calls: SimpleQueue[tuple[Callable[[], Any], bool] | None] = SimpleQueue()
        self._outcomes: SimpleQueue[Outcome] = SimpleQueue()
        self._started_s: float | None = None
        threading.Thread(target=self._serve, name=name, daemon=True).start()

    def start(self, call: Callable[[], Any]) -> None:
        if self._started_s is not None:
            raise RuntimeError("a call is still running")
        self._started_s = time.monotonic()
        self._calls.put((call, True))

    def finish(self, within_s: float) -> Outcome | None:
        if self._started_s is None:
            return None
        left_s = within_s - (time.monotonic() - self._started_s)
        try:
            outcome = self._outcomes.get(left_s > 0, left_s if left_s > 0 else None)
        except Empty:
            return None
        self._started_s = None
        return outcome

    def queue(self, call: Callable[[], Any]) -> None:
        self._calls.put((call, False))

    def stop(self) -> None:
        self._calls.put(None)

    @property
    def running_s(self) -> float | None:
        return None if self._started_s is None else time.monotonic() - self._started_s

    def _serve(self) -> None:
        while (item := self._calls.get()) is not None:
            call, wanted = item
            outcome = _run(call, time.monotonic)
            if wanted:
                self._outcomes.put(outcome)
            del item, call, outcome  # keep nothing alive while waiting


def _run(call: Callable[[], Any], clock: Clock) -> Outcome:
    started_s = clock()
    try:
        value = call()
    except BaseException as err:  # SystemExit too: a plugin must not end a thread or the loop
        return Outcome(None, err, clock() - started_s)
    return Outcome(value, None, clock() - started_s)
