"""An actuator that moves nothing and remembers everything.

It is a plugin like any other: ``plugins: {mock-actuator: {}}`` in a rover file runs the whole
chain without hardware. Time is that of the decisions, so that what it recorded can be compared
exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from slipguard.decision import Decision
from slipguard.plugin.contract import BRAKES, CHANNELS, THROTTLE, Actuator, Health, WhenSilent
from slipguard.plugin.hookspec import hookimpl
from slipguard.plugin.register import Register
from slipguard.settings import setting


@dataclass(frozen=True, slots=True, kw_only=True)
class MockSettings:
    """Settings of the mock actuator."""

    channels: tuple[str, ...] = setting(CHANNELS, choices=CHANNELS, doc="channels it serves")
    when_silent: str = setting(
        "releases",
        choices=("holds_last", "releases", "applies"),
        doc="what it claims its hardware does when commands stop",
    )
    silent_after_s: float = setting(0.0, unit="s", low=0, doc="the time-out it claims to have")


class MockActuator(Actuator):
    """Records every command with the time of its decision.

    Attributes
    ----------
    commands : list of (float, dict)
        ``(decision.t_s, {channel: value})`` of each command, oldest first.
    events : list of str
        What was called, in order: ``'open'``, ``'apply'``, ``'safe_state: reason'``,
        ``'close'``.
    before_write : callable or None
        Called first thing in every write: let it raise, block or move a clock to play a fault.
    reported : Health
        What ``health`` answers.
    """

    def __init__(self, settings: MockSettings | None = None) -> None:
        settings = settings if settings is not None else MockSettings()
        self.channels = settings.channels
        self.when_silent = WhenSilent(settings.when_silent, settings.silent_after_s)
        self.commands: list[tuple[float, dict[str, float]]] = []
        self.events: list[str] = []
        self.position: dict[str, float] = {}
        self.before_write: Callable[[], None] | None = None
        self.reported = Health()

    def assert_commands(self, expected: Sequence[tuple[float, Mapping[str, float]]]) -> None:
        """Every command so far, with its time, exactly; none more, none less."""
        wanted = [(t_s, dict(command)) for t_s, command in expected]
        if self.commands != wanted:
            raise AssertionError(_difference(self.commands, wanted))

    def assert_channel(self, channel: str, expected: Sequence[tuple[float, float]]) -> None:
        """Every command of one channel so far, ``(time, value)``, exactly."""
        found = [(t_s, command[channel]) for t_s, command in self.commands]
        if found != list(expected):
            raise AssertionError(f"{channel}: {_difference(found, list(expected))}")

    def assert_safe(self) -> None:
        """It stands in its safe state now: motor neutral, brakes on."""
        safe = {c: 0.0 if c == THROTTLE else 1.0 for c in self.channels}
        if self.position != safe:
            raise AssertionError(f"stands at {self.position}, expected the safe state {safe}")

    def _open(self) -> None:
        self.events.append("open")

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        if self.before_write is not None:
            self.before_write()
        self.events.append("apply")
        self.commands.append((decision.t_s, dict(command)))
        self.position = dict(command)

    def _safe_state(self, reason: str) -> None:
        self.events.append(f"safe_state: {reason}")
        self.position = {c: 1.0 if c in BRAKES else 0.0 for c in self.channels}

    def _health(self) -> Health:
        return self.reported

    def _close(self) -> None:
        self.events.append("close")


def _difference(found: Sequence[object], expected: Sequence[object]) -> str:
    for i, (f, e) in enumerate(zip(found, expected, strict=False)):
        if f != e:
            return f"command {i} is {f}, expected {e}"
    if len(found) > len(expected):
        return (
            f"{len(found)} commands, expected {len(expected)}; first extra: {found[len(expected)]}"
        )
    return f"{len(found)} commands, expected {len(expected)}; next missing: {expected[len(found)]}"


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the mock actuator."""
    register.actuator(MockActuator, MockSettings)
