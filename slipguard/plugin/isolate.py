"""One plugin object and how it is doing: late, failed, tried again, given up.

The rules, for every call:

- It answers in time: fine.
- It misses its deadline: late. Twice in a row, or still running at the next round: failed.
- It raises, or returns what it must not: failed.
- Failed: tried again at the next round, then after pauses that double up to a second.
- It does not come back at all: given up, and never called again.

A trouble is told once when it begins, and once when calls have gone well for a second.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from slipguard.plugin.caller import Caller
from slipguard.plugin.discover import one_line

Level = Literal["info", "warning", "critical"]
Tell = Callable[[Level, str], None]

GIVE_UP_S = 2.0
"""A call that runs longer than this is given up. Judgement, no source."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.02, 1.0
"""Pauses between tries: 0, 20 ms, 40 ms, ... 1 s. Judgement, no source."""
STEADY_S = 1.0
"""A trouble is over when calls have gone well this long."""
LATE_TOLD_EVERY_S = 10.0


class Condition(StrEnum):
    """How a plugin object is doing."""

    OK = "ok"
    LATE = "late"
    FAILED = "failed"
    GIVEN_UP = "given up"


@dataclass(slots=True)
class Tally:
    """Running totals of one plugin object."""

    calls: int = 0
    failures: int = 0
    late: int = 0
    worst_s: float = 0.0


class Isolated:
    """Calls one plugin object without letting it harm the caller.

    ``begin`` starts a call and returns at once; ``end`` waits for it no longer than the
    deadline. Several objects are begun, then ended, so that their times do not add up.
    """

    def __init__(self, caller: Caller, deadline_s: float, level: Level, tell: Tell) -> None:
        self.condition = Condition.OK
        self.reason = ""
        self.tally = Tally()
        self._caller = caller
        self._deadline_s = deadline_s
        self._level = level
        self._tell = tell
        self._begun = False
        self._misses = 0  # deadlines missed in a row
        self._trouble_tries = 0  # failures since the trouble began; 0: no trouble
        self._retry_s = float("-inf")
        self._well_since_s: float | None = None
        self._late_told_s = float("-inf")

    @property
    def works(self) -> bool:
        """Whether its last call did what was asked."""
        return self.condition in (Condition.OK, Condition.LATE)

    def begin(self, now_s: float, call: Callable[[], Any]) -> None:
        """Start ``call``, unless the last one still runs or it is too early to try again."""
        self._begun = False
        if self.condition is Condition.GIVEN_UP:
            return
        running_s = self._caller.running_s
        if running_s is not None:
            outcome = self._caller.finish(0.0)
            if outcome is None:
                self._still_running(now_s, running_s)
                return
            if outcome.error is not None:
                self._fail(now_s, one_line(outcome.error))
        if self.condition is Condition.FAILED and now_s < self._retry_s:
            return
        self.tally.calls += 1
        self._caller.start(call)
        self._begun = True

    def end(self, now_s: float) -> Any | None:
        """What the call returned; None when it failed, was late, or was not begun."""
        if not self._begun:
            return None
        self._begun = False
        outcome = self._caller.finish(self._deadline_s)
        if outcome is None:
            self._missed(now_s)
            return None
        self.tally.worst_s = max(self.tally.worst_s, outcome.took_s)
        if outcome.error is not None:
            self._fail(now_s, one_line(outcome.error))
            return None
        if outcome.took_s > self._deadline_s:
            self._missed(now_s)
        else:
            self._went_well(now_s)
        return outcome.value

    def force(self, call: Callable[[], Any]) -> None:
        """Start ``call`` whatever the condition; when a call still runs, right after it."""
        self._begun = self._caller.running_s is None or self._caller.finish(0.0) is not None
        if self._begun:
            self._caller.start(call)
        else:
            self._caller.queue(call)

    def wait(self, within_s: float) -> str | None:
        """Wait for the call that was forced; what went wrong with it, or None."""
        if not self._begun:
            return "still busy with an earlier call; this one follows if that ever ends"
        outcome = self._caller.finish(within_s)
        if outcome is None:
            return f"no answer within {within_s:g} s"
        return one_line(outcome.error) if outcome.error is not None else None

    def queue(self, call: Callable[[], Any]) -> None:
        """Make this call after what runs now; nobody waits for it. From any thread."""
        self._caller.queue(call)

    def stop(self) -> None:
        """Make no more calls."""
        self._caller.stop()

    def _went_well(self, now_s: float) -> None:
        self._misses = 0
        self.condition = Condition.OK
        if self._well_since_s is None:
            self._well_since_s = now_s
        if self._trouble_tries and now_s - self._well_since_s >= STEADY_S:
            self._trouble_tries = 0
            self.reason = ""
            self._tell("info", "works again")

    def _missed(self, now_s: float) -> None:
        self._misses += 1
        self.tally.late += 1
        what = f"did not answer within {self._deadline_s * 1e3:g} ms"
        if self._misses >= 2 or self.condition is Condition.FAILED:
            self._fail(now_s, what)
            return
        self.condition = Condition.LATE
        if now_s - self._late_told_s >= LATE_TOLD_EVERY_S:
            self._late_told_s = now_s
            self._tell("warning", what)

    def _still_running(self, now_s: float, running_s: float) -> None:
        if running_s < GIVE_UP_S:
            if self.condition is not Condition.FAILED:
                self._fail(now_s, f"did not answer within {self._deadline_s * 1e3:g} ms")
            self.reason = f"busy for {running_s * 1e3:.0f} ms"
            return
        self.condition = Condition.GIVEN_UP
        self.tally.failures += 1
        self.reason = f"hangs for {running_s:.1f} s: given up, not called again"
        self._tell(self._level, self.reason)

    def _fail(self, now_s: float, reason: str) -> None:
        self.condition = Condition.FAILED
        self.reason = reason
        self.tally.failures += 1
        self._well_since_s = None
        pause_s = 0.0
        if self._trouble_tries:
            pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** min(self._trouble_tries - 1, 10))
        else:
            self._tell(self._level, reason)
        self._trouble_tries += 1
        self._retry_s = now_s + pause_s
