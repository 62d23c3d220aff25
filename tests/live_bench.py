"""A simulated rover whose every part can be broken, driven by the live loop in virtual time.

The rover drives at 1.5 m/s on the level. Throttle, front brakes, rear brakes and sensors are
plugins of their own, so that each can fail alone. Its hardware is like that of the README's
rover: the throttle goes to neutral by itself 0.3 s after the last command, brakes keep theirs.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from slipguard import Config, Decision
from slipguard.live import LiveSettings, Loop, Recorder, Round, VirtualClock
from slipguard.live.simulated import SimulatedRover
from slipguard.plugin import (
    BRAKES,
    THROTTLE,
    Actuator,
    AlertSink,
    Health,
    SensorSource,
    WhenSilent,
)
from slipguard.plugin.host import Host
from slipguard.section import Section
from slipguard.simulate import DEMO_ROVER, Scenario, World
from slipguard.simulate.faults import Fault
from slipguard.simulate.scenario import Driver, keep_line
from slipguard.testing import make_plugin

ROVER = DEMO_ROVER.with_changes(imu__rate_hz=100.0)
"""The rover of the demo drives with a loop of 100 Hz."""
PERIOD_S = 0.01
CRUISE_MPS = 1.5
FAULT_S = 2.5
SILENT_S = 0.3
"""The speed controller's own time-out."""
LONG_S = 30.0
"""Deadline of what must not be late by chance, on a busy machine."""


def level(slope_deg: float = 0.0, faults: tuple[Fault, ...] = (), **more: Any) -> Scenario:
    """Neutral for 0.8 s, then off to cruise for ever; in front of a fault at ``FAULT_S``."""
    driver = Driver.of(ROVER)

    def operator(t_s: float, truth: Any) -> tuple[float, float]:
        if t_s < 0.8:
            return 0.0, 0.0
        return driver.cruise(truth, CRUISE_MPS), keep_line(truth)

    filled = {
        "name": "level",
        "notes": "Drives on.",
        "world": World(slope_deg=slope_deg),
        "duration_s": 1e9,
        "operator": operator,
        "faults": faults,
    }
    return Scenario(**{**filled, **more})


class Part(Actuator):
    """One actuator of the rig; ``fault`` runs first thing in every write once it is set."""

    when_silent = WhenSilent("releases", SILENT_S)

    def __init__(self, rig: Rig, channels: tuple[str, ...], deadline_s: float) -> None:
        self.channels = channels
        self.deadline_s = deadline_s
        self.fault: Callable[[], object] | None = None
        self.reported: Any = Health()
        self.command: dict[str, float] = dict.fromkeys(channels, 0.0)
        self.written_s = 0.0
        self.safe = 0
        self._rig = rig

    def _open(self) -> None:
        self._safe_state("opening")

    def _write(self, command: Mapping[str, float], decision: Decision) -> Any:
        if self.fault is not None:
            answer = self.fault()
            if answer is not None:
                return answer
        self.command, self.written_s = dict(command), self._rig.clock()
        return None

    def _safe_state(self, reason: str) -> None:
        self.safe += 1
        self.command = {c: 0.0 if c == THROTTLE else 1.0 for c in self.channels}
        self.written_s = self._rig.clock()

    def _health(self) -> Health:
        return self.reported

    def _close(self) -> None:
        pass


class Senses(SensorSource):
    """The rover's sensors, with a fault in front."""

    def __init__(self, rig: Rig, inner: SensorSource, deadline_s: float) -> None:
        self.provides = inner.provides
        self.deadline_s = deadline_s
        self.fault: Callable[[], object] | None = None
        self._rig = rig
        self._inner = inner

    def _open(self) -> None:
        self._inner.open()

    def _read(self) -> Any:
        self._rig.move()
        reading = self._inner.read()  # the simulated rover lives until now
        if self.fault is not None:
            return self.fault()
        return reading

    def _close(self) -> None:
        self._inner.close()


class Told(AlertSink):
    """An alert sink with a fault in front."""

    deadline_s = 0.5

    def __init__(self) -> None:
        self.messages: list[str] = []
        self.fault: Callable[[], object] | None = None

    def _open(self) -> None:
        pass

    def _send(self, alert: Any) -> None:
        if self.fault is not None:
            self.fault()
        self.messages.append(alert.message)

    def _close(self) -> None:
        pass


@dataclass
class Outcome:
    """What followed from a fault. Times in seconds from it; None: not reached."""

    seen_s: float | None
    throttle_zero_s: float | None
    standstill_s: float | None
    travel_m: float
    end_mps: float
    stopped_by: tuple[str, ...]
    alerts: list[str]


class Rig:
    """The rover on the bench. ``run`` drives it; break things by setting ``fault``s."""

    def __init__(
        self,
        scenario: Scenario | None = None,
        *,
        config: Config = ROVER,
        seed: int = 1,
        threads: bool = False,
        recorder: Recorder | None = None,
        rate_hz: float | None = None,
        clock: VirtualClock | None = None,
        rover: Any = None,
        **settings: Any,
    ) -> None:
        self.clock = clock or VirtualClock(100.0)
        self.rover = rover or SimulatedRover(scenario or level(), config, seed, self.clock)
        deadline_s = LONG_S if threads else 0.005
        self.throttle = Part(self, (THROTTLE,), deadline_s)
        self.front = Part(self, BRAKES[:2], deadline_s)
        self.rear = Part(self, BRAKES[2:], deadline_s)
        self.senses = Senses(self, self.rover.sensors, deadline_s)
        self.sink = Told()
        self.brakes: tuple[Any, ...] = (self.front, self.rear)
        """Where the brakes stand: anything with a ``command``."""
        self.alert_sink: AlertSink = self.sink
        self._make = (config, threads, recorder, LiveSettings(rate_hz=rate_hz, **settings))
        self._build(self.front, self.rear)
        self.rounds: list[Round] = []
        self.alerts: list[tuple[float, str]] = []
        self.on_round: Callable[[Rig], None] | None = None
        self.keep_rounds = True
        self.throttle_now = 0.0

    def use_sink(self, sink: AlertSink) -> None:
        """Another alert sink in place of the rig's own."""
        self.alert_sink = sink
        self._build(self.front, self.rear)

    def use_brakes(self, actuator: Actuator, nodes: Any) -> None:
        """Another brake plugin, and the hardware behind it, in place of the rig's own."""
        self.brakes = (nodes,)
        self._build(actuator)

    def _build(self, *brakes: Actuator) -> None:
        config, threads, recorder, settings = self._make
        plugins = [
            make_plugin("throttle", actuator=lambda: self.throttle),
            make_plugin("senses", sensor_source=lambda: self.senses),
            make_plugin("sink", alert_sink=lambda: self.alert_sink),
            *(make_plugin(f"brake-{i}", actuator=lambda b=b: b) for i, b in enumerate(brakes)),
        ]
        section = Section({p.name: {} for p in plugins}, path="plugins")
        self.host = Host(
            replace(config, plugins=section), plugins=plugins, clock=self.clock, threads=threads
        )
        self.loop = Loop(
            config,
            settings=settings,
            host=self.host,
            operator=self.rover,
            recorder=recorder,
            clock=self.clock,
            threads=False,
        )
        self.loop.watchers.append(self._watch)

    @property
    def t_s(self) -> float:
        """Time since the start."""
        return self.clock() - 100.0

    def move(self) -> None:
        """Put on the simulated rover what its hardware makes of the last commands."""
        acts = self.rover.actuators
        silent = self.clock() - self.throttle.written_s > SILENT_S
        self.throttle_now = acts.throttle = 0.0 if silent else self.throttle.command[THROTTLE]
        levels = {}
        for brake in self.brakes:
            levels.update(brake.command)
        acts.brakes = tuple(levels[c] for c in BRAKES)  # type: ignore[assignment]

    def drive(self, until_s: float) -> None:
        """Arm where that was not done, and go on until then."""
        if not self.loop.armed:
            self.loop.arm()
        while self.t_s < until_s - 1e-9:
            self.loop.round()

    def after(self, fault: Callable[[], object], seconds: float = 3.0) -> Outcome:
        """Drive to ``FAULT_S``, let it happen, go on, and say what came of it."""
        self.drive(FAULT_S)
        speed_mps = self.rover.plant.truth().speed_mps
        assert speed_mps > 0.8 * CRUISE_MPS, f"not under way: {speed_mps}"
        at_s, x_m = self.t_s, self.rover.plant.truth().x_m
        fault()
        alerts = len(self.alerts)
        zero_s = still_s = seen_s = None
        reasons: tuple[str, ...] = ()
        last_x_m = x_m
        while self.t_s < at_s + seconds:
            done = self.loop.round()
            reasons = reasons or done.stopped_by
            truth = self.rover.plant.truth()
            since_s = self.t_s - at_s
            if seen_s is None and (done.stopped_by or done.failed or done.sent.findings):
                seen_s = since_s
            if self._motor_off():
                zero_s = since_s if zero_s is None else zero_s
            else:
                zero_s = None
            if abs(truth.speed_mps) > 0.02:
                still_s = None
            elif still_s is None:
                still_s, last_x_m = since_s, truth.x_m
        return Outcome(
            seen_s=_rounded(seen_s),
            throttle_zero_s=_rounded(zero_s),
            standstill_s=_rounded(still_s),
            travel_m=last_x_m - x_m,
            end_mps=self.rover.plant.truth().speed_mps,
            stopped_by=reasons,
            alerts=[message for _, message in self.alerts[alerts:]],
        )

    def _motor_off(self) -> bool:
        silent = self.clock() - self.throttle.written_s > SILENT_S
        return silent or self.throttle.command[THROTTLE] == 0.0

    def _watch(self, done: Round) -> None:
        if self.keep_rounds:
            self.rounds.append(done)
        self.alerts += ((alert.t_s, alert.message) for alert in done.alerts)
        if self.on_round is not None:
            self.on_round(self)
        if self.senses.fault is not None:  # nobody reads the sensors: the rover moves all the same
            self.move()
            self.rover.live_until(self.t_s)

    def __enter__(self) -> Rig:
        self.loop.open()
        return self

    def __exit__(self, *error: object) -> None:
        self.loop.close("bench ends")


def _rounded(seconds: float | None) -> float | None:
    """Sums of periods, without their rounding."""
    return None if seconds is None else round(seconds, 6)


def broken(what: str = "the wire is off") -> Callable[[], object]:
    """A fault that raises."""

    def fault() -> object:
        raise OSError(what)

    return fault


class Hang:
    """A fault that does not return until it is let go."""

    def __init__(self) -> None:
        self.entered = threading.Event()
        self.release = threading.Event()

    def __call__(self) -> object:
        self.entered.set()
        self.release.wait(60.0)
        return None
