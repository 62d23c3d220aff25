"""Why the loop itself stops the rover, whatever the operator asks for.

The loop does it by telling the guard that the motor is disabled: the guard then cuts the
throttle, stops gently, holds, and lets nobody drive off before the stick was in neutral. Since
that is part of the reading, a replay of the recording decides the same.

Two kinds of reason. A *state* stops for as long as it lasts: a brake that does not obey, a
program that is to end. An *event* stops once: a sensor that fails, a loop that paused. When the
rover stands, the driver, who was told, may drive on carefully.
"""

from __future__ import annotations

from collections.abc import Iterable

from slipguard.decision import Decision, Hold
from slipguard.finding import Finding
from slipguard.plugin import CHANNELS


class Stops:
    """Reasons to stop, and when they are over."""

    def __init__(self, stop_on_faults: Iterable[str]) -> None:
        self.states: dict[str, str] = {}
        self.events: dict[str, str] = {}
        self._faults = frozenset(stop_on_faults)
        self._known: set[tuple[str, str | None]] = set()
        self._failed: frozenset[str] = frozenset()
        self._told: frozenset[str] = frozenset()

    def __bool__(self) -> bool:
        return bool(self.states or self.events)

    @property
    def reasons(self) -> tuple[str, ...]:
        """In words."""
        return (*self.states.values(), *self.events.values())

    def news(self) -> tuple[str, ...]:
        """Reasons that are new since the last call; not those of every start and end."""
        now = {**self.states, **self.events}
        fresh = tuple(r for name, r in now.items() if name not in self._told and name != "arming")
        self._told = frozenset(now)
        return fresh

    def state(self, name: str, reason: str | None) -> None:
        """Begin, change or (None) end a state."""
        if reason is None:
            self.states.pop(name, None)
        else:
            self.states[name] = reason

    def event(self, name: str, reason: str) -> None:
        """Something happened."""
        self.events[name] = reason

    def take_failed(self, failed: dict[str, str]) -> None:
        """What the plugin host calls failed: channels that do not obey, fields that are silent."""
        acting = {name: why for name, why in failed.items() if name in CHANNELS}
        self.state("actuators", _why(acting) if acting else None)
        silent = frozenset(failed) - acting.keys()
        if not silent <= self._failed:
            self.event("source", _why({n: w for n, w in failed.items() if n in silent}))
        self._failed = silent

    def take_findings(self, findings: tuple[Finding, ...]) -> None:
        """Sensors that the guard finds at fault; each fault stops when it begins."""
        now: set[tuple[str, str | None]] = set()
        for finding in findings:
            if finding.kind != "sensor_fault" or finding.sensor not in self._faults:
                continue
            key = (finding.sensor, finding.wheel)
            now.add(key)
            if key not in self._known:
                self.event("sensor", finding.reason)
        self._known = now

    def settle(self, decision: Decision) -> None:
        """Events are over when the rover is held."""
        if self.events and decision.hold is Hold.HOLDING:
            self.events.clear()


def _why(failed: dict[str, str]) -> str:
    """E.g. ``brake.fl, brake.fr: plugin servo-brake (...): OSError``; one for each cause."""
    by_cause: dict[str, list[str]] = {}
    for name, cause in sorted(failed.items()):
        by_cause.setdefault(cause, []).append(name)
    return "; ".join(f"{', '.join(names)}: {cause}" for cause, names in by_cause.items())
