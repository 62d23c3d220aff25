"""The plugins one rover file names, called every step of a live loop.

    with Host(config) as host:                  # opens the hardware; leaves it in its safe state
        while ...:
            reading = host.read(now_s)
            alerts = host.apply(guard.step(reading))
            if host.failed: ...                 # what does not obey, and why

Only plugins named under ``plugins:`` in the rover file are imported, let alone opened: an
installed package moves nothing by itself.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from types import TracebackType
from typing import Any, Self

from slipguard.config import Config
from slipguard.decision import Alert, Decision
from slipguard.errors import PluginError
from slipguard.plugin.build import build, served
from slipguard.plugin.caller import Clock, InlineCaller, ThreadCaller
from slipguard.plugin.contract import (
    BRAKES,
    CHANNELS,
    HEALTHY,
    THROTTLE,
    Actuator,
    AlertSink,
    Health,
    SensorSource,
)
from slipguard.plugin.discover import Plugin, one_line
from slipguard.plugin.isolate import Isolated, Level
from slipguard.plugin.outbox import Outbox
from slipguard.reading import Reading

SAFE_WITHIN_S = 0.05
"""How long ``safe_state`` waits for actuators that hang."""
CLOSE_WITHIN_S = 1.0
"""How long ``close`` waits at each stage for plugins that hang."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PluginStatus:
    """How one object of a plugin is doing, for a screen or a log.

    ``late`` counts missed deadlines, ``worst_s`` is the longest call that came back in time to
    be waited for.
    """

    plugin: str
    package: str
    kind: str
    serves: tuple[str, ...]
    condition: str
    reason: str
    calls: int
    failures: int
    late: int
    worst_s: float


class Host:
    """Builds, opens, calls and closes the plugins a rover file names.

    Building checks everything that can be checked without touching hardware; ``open`` (or
    ``with``) takes hold of it.

    Parameters
    ----------
    config : Config
    plugins : sequence of Plugin, optional
        What is installed, as ``discover`` returns it; looked up when not given.
    clock : callable, optional
        Monotonic seconds.
    threads : bool
        False: every call is made at once, in the thread that calls the host. For replay and
        for tests; a hang then hangs the host.

    Raises
    ------
    ConfigError, PluginError
        As ``build`` says.
    """

    def __init__(
        self,
        config: Config,
        *,
        plugins: Sequence[Plugin] | None = None,
        clock: Clock = time.monotonic,
        threads: bool = True,
    ) -> None:
        self._clock = clock
        self._threads = threads
        self.built = build(config, plugins)
        """Every plugin object with its plugin, for what it declares; only the host calls it."""
        self._acting: list[_Placed] = []
        self._sensing: list[_Placed] = []
        self._outboxes: list[tuple[Plugin, Outbox]] = []
        # The sinks' threads add to it, the loop takes from it: a deque needs no lock.
        self._notes: deque[tuple[Level, str, Plugin | None, str]] = deque()
        self.servers = {
            name: (plugin, device) for plugin, device in self.built for name in served(device)
        }
        """Who serves a channel, or provides a field of Reading: plugin and object."""
        self.unserved = tuple(channel for channel in CHANNELS if channel not in self.servers)
        """Channels that no plugin serves."""

    def open(self) -> None:
        """Take hold of the hardware; when one plugin cannot, those that have it let go again.

        Raises
        ------
        PluginError
            Plugin, package, and what went wrong.
        """
        for plugin, device in self.built:
            try:
                device.open()
            except BaseException as err:
                self.close("another plugin could not be opened")
                if isinstance(err, KeyboardInterrupt):
                    raise
                problem = str(err) if isinstance(err, PluginError) else one_line(err)
                raise PluginError(f"{plugin.label}: cannot be opened: {problem}") from err
            self._place(plugin, device)
        self._note_unserved()

    def close(self, reason: str = "closing") -> tuple[str, ...]:
        """Safe state everywhere, then let go of the hardware; what went wrong, a line each.

        Plugins that hang are left behind. Calling it again does nothing.
        """
        problems = list(self.safe_state(reason, CLOSE_WITHIN_S))
        placed = [*self._acting, *self._sensing]
        problems += _all(placed, lambda device: device.close, "close", CLOSE_WITHIN_S)
        for one in placed:
            one.isolated.stop()
        for plugin, outbox in self._outboxes:
            problem = outbox.stop(CLOSE_WITHIN_S)
            if problem:
                problems.append(f"{plugin.label}: {problem}")
        self._acting, self._sensing, self._outboxes = [], [], []
        return tuple(problems)

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close("closing" if error is None else one_line(error))

    def read(self, t_s: float) -> Reading:
        """What every sensor source has new, as one reading at ``t_s``.

        A source that failed leaves its fields None, like a sensor that has nothing new.
        Measured brake positions come from the actuators' last ``health``.
        """
        now_s = self._clock()
        for placed in self._sensing:
            placed.isolated.begin(now_s, _reading_and_health(placed.device))
        values: dict[str, Any] = {"brake_position": self._brake_position()}
        for placed in self._sensing:
            answer = placed.isolated.end(now_s)
            if answer is None:
                continue
            reading, health = answer
            self._examine(placed, health)
            if reading is not None:
                values.update((name, getattr(reading, name)) for name in placed.device.provides)
        return Reading(t_s=t_s, **values)

    def apply(self, decision: Decision) -> tuple[Alert, ...]:
        """Put a decision on every actuator and its alerts into every sink.

        Returns
        -------
        tuple of Alert
            The plugins' own: what failed, what works again. The sinks have them too.
        """
        now_s = self._clock()
        for placed in self._acting:
            placed.isolated.begin(now_s, _applied_and_health(placed.device, decision))
        for placed in self._acting:
            health = placed.isolated.end(now_s)
            if health is not None:
                self._examine(placed, health)
        for _, outbox in self._outboxes:
            outbox.check()
        own = self._take_notes(decision.t_s)
        for plugin, outbox in self._outboxes:
            # A sink is not told of its own trouble.
            for alert, about in (*((alert, None) for alert in decision.alerts), *own):
                if about is not plugin:
                    outbox.post(alert)
            outbox.show(decision)
            if not self._threads:
                outbox.pump()
        return tuple(alert for alert, _ in own)

    def safe_state(self, reason: str, within_s: float = SAFE_WITHIN_S) -> tuple[str, ...]:
        """Every actuator to its safe state at once; what went wrong, a line each.

        One that hangs goes there if it ever comes back.
        """

        def call(device: Actuator) -> Callable[[], None]:
            return partial(device.safe_state, reason)

        return tuple(_all(self._acting, call, "safe_state", within_s))

    def panic(self, reason: str) -> None:
        """Every actuator to its safe state as soon as what it does now has ended; no waiting.

        The one method that may be called from any thread, e.g. by a watchdog that finds the
        loop hanging. A decision applied afterwards is obeyed again.
        """
        for placed in tuple(self._acting):
            placed.isolated.queue(partial(placed.device.safe_state, reason))

    @property
    def failed(self) -> dict[str, str]:
        """Channels and fields of Reading that have a plugin but do not work now, and why."""
        found: dict[str, str] = {}
        for placed in (*self._acting, *self._sensing):
            found.update(placed.failed())
        return found

    @property
    def status(self) -> tuple[PluginStatus, ...]:
        """How every plugin object is doing."""
        return (
            *(placed.status() for placed in (*self._acting, *self._sensing)),
            *(_sink_status(plugin, outbox) for plugin, outbox in self._outboxes),
        )

    def _place(self, plugin: Plugin, device: Any) -> None:
        def tell(level: Level, message: str) -> None:
            self._notes.append((level, "plugin_fault", plugin, message))

        if isinstance(device, AlertSink):
            outbox = Outbox(device, self._clock, tell)
            if self._threads:
                outbox.start_thread(f"slipguard {plugin.name}")
            self._outboxes.append((plugin, outbox))
            return
        caller = (
            ThreadCaller(f"slipguard {plugin.name}") if self._threads else InlineCaller(self._clock)
        )
        placed = _Placed(plugin, device, Isolated(caller, device.deadline_s, "critical", tell))
        (self._acting if isinstance(device, Actuator) else self._sensing).append(placed)

    def _note_unserved(self) -> None:
        brakes = [channel for channel in self.unserved if channel != THROTTLE]
        if brakes:
            message = f"NO PLUGIN brakes {', '.join(brakes)}: decisions for them go nowhere"
            self._notes.append(("critical", "plugin_missing", None, message))
        if THROTTLE in self.unserved:
            message = "NO PLUGIN serves throttle: this program cannot stop the motor"
            self._notes.append(("critical", "plugin_missing", None, message))

    def _examine(self, placed: _Placed, health: Health) -> None:
        if health.failed != placed.health.failed:
            names = ", ".join(health.failed)
            level: Level = "critical" if names else "info"
            reason = health.message or "its hardware reports a failure"
            text = f"{names}: {reason}" if names else "its hardware works again"
            self._notes.append((level, "plugin_fault", placed.plugin, text))
        placed.health = health

    def _brake_position(self) -> tuple[float | None, ...] | None:
        found: dict[str, float] = {}
        for placed in self._acting:
            if placed.isolated.works:
                found.update(placed.health.position)
        position = tuple(found.get(channel) for channel in BRAKES)
        return position if any(value is not None for value in position) else None

    def _take_notes(self, t_s: float) -> list[tuple[Alert, Plugin | None]]:
        taken = []
        while self._notes:
            level, topic, plugin, message = self._notes.popleft()
            text = f"{plugin.label}: {message}" if plugin else message
            alert = Alert(t_s=t_s, level=level, topic=topic, wheel=None, message=text)
            taken.append((alert, plugin))
        return taken


class _Placed:
    """One actuator or source in its place: isolated, with its last health."""

    __slots__ = ("device", "health", "isolated", "plugin")

    def __init__(self, plugin: Plugin, device: Actuator | SensorSource, isolated: Isolated) -> None:
        self.plugin = plugin
        self.device: Any = device
        self.isolated = isolated
        self.health = HEALTHY

    def failed(self) -> dict[str, str]:
        if not self.isolated.works:
            why = f"{self.plugin.label}: {self.isolated.reason}"
            return dict.fromkeys(served(self.device), why)
        why = f"{self.plugin.label}: {self.health.message or 'its hardware reports a failure'}"
        return dict.fromkeys(self.health.failed, why)

    def status(self) -> PluginStatus:
        tally = self.isolated.tally
        return PluginStatus(
            plugin=self.plugin.name,
            package=self.plugin.package,
            kind="actuator" if isinstance(self.device, Actuator) else "sensor source",
            serves=served(self.device),
            condition=str(self.isolated.condition),
            reason=self.isolated.reason or self.health.message,
            calls=tally.calls,
            failures=tally.failures,
            late=tally.late,
            worst_s=tally.worst_s,
        )


def _sink_status(plugin: Plugin, outbox: Outbox) -> PluginStatus:
    return PluginStatus(
        plugin=plugin.name,
        package=plugin.package,
        kind="alert sink",
        serves=(),
        condition="ok" if outbox.works else "failed",
        reason=outbox.reason,
        calls=outbox.sent + outbox.failures,
        failures=outbox.failures,
        late=0,
        worst_s=0.0,
    )


def _all(
    placed: Sequence[_Placed],
    call: Callable[[Any], Callable[[], None]],
    name: str,
    within_s: float,
) -> list[str]:
    """Force a call on all, then wait for all; what went wrong, a line each."""
    for one in placed:
        one.isolated.force(call(one.device))
    problems = []
    for one in placed:
        problem = one.isolated.wait(within_s)
        if problem:
            problems.append(f"{one.plugin.label}: {name}: {problem}")
    return problems


def _reading_and_health(source: SensorSource) -> Callable[[], tuple[Reading | None, Health]]:
    return lambda: (source.read(), source.health())


def _applied_and_health(actuator: Actuator, decision: Decision) -> Callable[[], Health]:
    def call() -> Health:
        actuator.apply(decision)
        return actuator.health()

    return call
