"""What ``slipguard run`` prints as lines: JSON for machines, alerts for logs.

A thread prints: a reader that does not read holds up nothing but the lines.
"""

from __future__ import annotations

import math
import sys
import threading
from collections import Counter, deque
from collections.abc import Iterable
from types import TracebackType
from typing import Any, Self

from slipguard.cli.drive_files import finding_name
from slipguard.cli.json_text import as_json
from slipguard.decision import Alert
from slipguard.finding import Finding
from slipguard.live import Round
from slipguard.reading import WHEELS
from slipguard.score import MERGE_GAP_S

MOST_LINES = 2000
CLOSE_WITHIN_S = 1.0


def print_json(document: dict[str, Any]) -> None:
    """One line of JSON on standard output."""
    print(as_json(document), flush=True)


class Lines:
    """Prints from a thread of its own; when it cannot keep up the oldest lines are dropped."""

    def __init__(self) -> None:
        self.dropped = 0
        self._lines: deque[str] = deque(maxlen=MOST_LINES)
        self._wake = threading.Event()
        self._ending = False
        self._thread = threading.Thread(target=self._serve, name="slipguard lines", daemon=True)

    def put(self, line: str) -> None:
        """Print this soon."""
        self.dropped += len(self._lines) == MOST_LINES
        self._lines.append(line)
        self._wake.set()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.end()
        self._ending = True
        self._wake.set()
        self._thread.join(CLOSE_WITHIN_S)

    def end(self) -> None:
        """What is still to be put."""

    def _serve(self) -> None:
        try:
            while not self._ending or self._lines:
                self._wake.wait()
                self._wake.clear()
                while self._lines:
                    print(self._lines.popleft())
                sys.stdout.flush()
        except (OSError, ValueError):
            pass  # nobody reads any more; the rover drives on


class JsonLines(Lines):
    """A line for every so many rounds, with the alerts of all of them, and one for the last."""

    def __init__(self, every: int) -> None:
        super().__init__()
        self._every = every
        self._rounds = 0
        self._alerts: list[Alert] = []
        self._pending: Round | None = None

    def watch(self, done: Round) -> None:
        """Take a round."""
        self._alerts += done.alerts
        self._rounds += 1
        self._pending = done
        if self._rounds % self._every == 0:
            self._put_pending()

    def _put_pending(self) -> None:
        if self._pending is not None:
            self.put(as_json(_document(self._pending, self._alerts, self.dropped)))
            self._alerts, self._pending = [], None

    def end(self) -> None:
        """The last round."""
        self._put_pending()


def _document(done: Round, alerts: list[Alert], dropped: int) -> dict[str, Any]:
    reading, sent, estimate = done.reading, done.sent, done.decision.estimate

    def by_wheel(values: tuple[float, ...]) -> dict[str, float]:
        return dict(zip(WHEELS, values, strict=True))

    return {
        "t_s": reading.t_s,
        "armed": done.armed,
        "speed_mps": estimate.speed_mps,
        "speed_sd_mps": estimate.speed_sd_mps,
        "grade_rad": estimate.grade_rad,
        "rim_mps": by_wheel(estimate.wheel_speed_mps),
        "slip_mps": by_wheel(estimate.slip_mps),
        "brakes": by_wheel(sent.brakes),
        "throttle_asked": reading.throttle,
        "throttle": sent.throttle,
        "throttle_limit": sent.throttle_limit,
        "hold": str(sent.hold),
        "command_age_s": reading.command_age_s,
        "findings": [finding_name(finding) for finding in sent.findings],
        "stopped_by": done.stopped_by,
        "failed": dict(done.failed),
        "alerts": [
            {"t_s": a.t_s, "level": a.level, "topic": a.topic, "message": a.message} for a in alerts
        ],
        "lines_dropped": dropped,
    }


class AlertLines(Lines):
    """A line for every alert, with the time since the first round."""

    def __init__(self) -> None:
        super().__init__()
        self._start_s: float | None = None

    def watch(self, done: Round) -> None:
        """Take a round."""
        if self._start_s is None:
            self._start_s = done.reading.t_s
        for alert in done.alerts:
            t_s = max(0.0, alert.t_s - self._start_s)
            self.put(f"{t_s:10.3f} s  {alert.level:8}  {printable(alert.message)}")


class Went:
    """How it went: the newest distance, and how often each kind of finding began."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self._distance_m = 0.0
        self._seen_s: dict[tuple[str | None, ...], float] = {}

    def watch(self, done: Round) -> None:
        """Take a round."""
        self._distance_m = done.decision.estimate.distance_m
        self.add(done.reading.t_s, done.sent.findings)

    def add(self, t_s: float, findings: Iterable[Finding]) -> None:
        """Take what is found now; what was gone for a moment only goes on."""
        for one in findings:
            key = (one.kind, one.wheel, one.sensor)
            self.counts[one.kind] += t_s - self._seen_s.get(key, -math.inf) > MERGE_GAP_S
            self._seen_s[key] = t_s

    def __str__(self) -> str:
        found = ", ".join(f"{kind.replace('_', ' ')} {n}" for kind, n in self.counts.most_common())
        found = f"findings: {found}" if found else "no findings"
        return f"Net distance {self._distance_m:.2f} m; {found}."


def printable(text: str) -> str:
    """Without control characters: a device's error text must not steer the terminal."""
    return "".join(c if c.isprintable() else " " for c in text)
