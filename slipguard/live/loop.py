"""The live loop: sensors and operator in, guard, actuators and recorder out, at a fixed rate.

    with Loop(Config.load("rover.yaml")) as loop:   # takes hold of the hardware
        loop.run()                                  # arms or refuses; until stop() is called

However it ends, every actuator is sent to its safe state. What one round does is ``_round``.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Self

from slipguard.config import Config
from slipguard.decision import Alert, Decision, Hold
from slipguard.fuse.plain import finite
from slipguard.guard import Guard
from slipguard.live import arming
from slipguard.live.clock import Clock, MonotonicClock
from slipguard.live.command_input import CommandInput, Operator, read_key
from slipguard.live.interpreter import collect_when_idle, undisturbed
from slipguard.live.pace import Pace, Timing
from slipguard.live.recorder import Recorder
from slipguard.live.settings import LiveSettings
from slipguard.live.stops import Stops
from slipguard.live.watchdog import Watchdog, notify
from slipguard.plugin.host import Host
from slipguard.plugin.isolate import Level
from slipguard.reading import Reading
from slipguard.recording.plain import plain

HELD_ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one round did.

    Attributes
    ----------
    reading : Reading
        What the guard was given.
    decision : Decision
        What it decided; a replay of the recording decides the same.
    sent : Decision
        What the actuators were sent: the decision, but with the throttle cut in the round in
        which the loop finds a reason to stop; with every alert, the loop's own too.
    alerts : tuple of Alert
        All of this round: the guard's, the loop's, the plugins'.
    stopped_by : tuple of str
        Why the loop stops the rover; empty: it does not.
    failed : mapping of str to str
        Channels and sensors that do not work, and why.
    armed : bool
    """

    reading: Reading
    decision: Decision
    sent: Decision
    alerts: tuple[Alert, ...]
    stopped_by: tuple[str, ...]
    failed: Mapping[str, str]
    armed: bool


class Loop:
    """Drives one rover.

    Parameters
    ----------
    config : Config
        With its sections ``plugins`` and ``live``.
    settings : LiveSettings, optional
        Instead of the section ``live``.
    host : Host, optional
        The plugins, not opened; otherwise those the rover file names.
    operator : Operator, optional
        Where commands come from; otherwise the socket ``live.command``.
    recorder : Recorder, optional
        Otherwise one where ``live.record`` says so.
    rover : path, optional
        The rover file, kept beside what is recorded, so that a replay finds it.
    clock : Clock, optional
    threads : bool
        False: no watchdog thread, for tests whose time is not real.

    Raises
    ------
    ConfigError, PluginError, RecordingError
        What is wrong before anything was touched.
    """

    def __init__(
        self,
        config: Config,
        *,
        settings: LiveSettings | None = None,
        host: Host | None = None,
        operator: Operator | None = None,
        recorder: Recorder | None = None,
        rover: str | os.PathLike[str] | None = None,
        clock: Clock | None = None,
        threads: bool = True,
    ) -> None:
        self.config = config
        self.settings = settings if settings is not None else LiveSettings.of(config)
        self.host = host if host is not None else Host(config)
        self.clock = clock if clock is not None else MonotonicClock()
        self.pace = Pace(self.clock, self.settings.rate_hz or config.imu.rate_hz)
        self.watchers: list[Callable[[Round], None]] = []
        """Called with every round, in the loop's thread: be quick. One that raises is dropped."""
        self.adjust: Callable[[Reading, Decision], Decision] = lambda reading, decision: decision
        """What is sent instead of a decision: for trying out single brakes on a bench. A reason to
        stop still cuts the throttle."""
        self.armed = False
        self.closing = False
        self.problems: tuple[str, ...] = ()
        """What went wrong while it closed, a line each."""
        self.operator = operator
        self.recorder = recorder
        self._rover = rover
        self._own = [operator is None, recorder is None]
        self._guard = Guard(config, self.settings.engine)
        self._stops = Stops(self.settings.stop_on_faults)
        self._stops.state("arming", "not armed yet")
        self._deliveries = arming.Deliveries(config.encoders.kind == "counts")
        self._alerts: list[Alert] = []
        self._failed: dict[str, str] = {}
        self._enabled: bool | None = None
        self._start_s: float | None = None
        self._last_s: float | None = None
        self._held = 0
        self._end: str | None = None
        self._is_open = False
        self._watchdog = (
            Watchdog(
                lambda: self._last_s,
                self.clock,
                self.settings.stall_s,
                self.host.panic,
                self.settings.heartbeat_file,
            )
            if threads
            else None
        )

    # -- life --------------------------------------------------------------------------------

    def open(self) -> None:
        """Take hold of sockets, disk and hardware.

        Raises
        ------
        ArmingError
            What can already be told to be missing.
        ConfigError, PluginError, RecordingError
        """
        arming.refuse(arming.fitted(self.host, self.settings))
        try:
            if self.operator is None:
                key = self.settings.key_file
                self.operator = CommandInput(
                    self.settings.command,
                    read_key(key) if key is not None else None,
                    silence_s=self.config.limits.link_timeout_s,
                )
            if self.recorder is None and self.settings.record is not None:
                self.recorder = make_recorder(self.config, self.settings, self._rover).start()
            self.host.open()
        except BaseException:
            self._close_own()
            raise
        self._is_open = True
        if self._watchdog is not None:
            self._watchdog.start()

    def close(self, reason: str = "the loop ends") -> tuple[str, ...]:
        """Safe state everywhere, then let go; what went wrong, a line each."""
        self.closing = True
        self._last_s = None
        if self._watchdog is not None:
            self._watchdog.stop()
            notify("STOPPING=1")
        problems = self.host.close(reason)  # first of all
        self._is_open = False
        problems += self._close_own()
        self.problems += problems
        return problems

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close("the loop ends" if error is None else f"{type(error).__name__}: {error}")

    # -- running -----------------------------------------------------------------------------

    def arm(self) -> None:
        """Run held and with the motor off until all is well.

        Raises
        ------
        ArmingError
            What is not, after ``live.arm_within_s``.
        """
        if not self._is_open:
            raise RuntimeError("open the loop first: with Loop(config) as loop: ...")
        self._last_s = self.clock()
        until_s = self._last_s + self.settings.arm_within_s
        while not self.armed and self._end is None:
            self.round()
            checks = self._checks()
            if not any(check.problem for check in checks):
                self.armed = True
                self._stops.state("arming", None)
                self._tell("info", "armed", "armed: waiting for the stick in neutral")
                if self._watchdog is not None:
                    notify("READY=1")
            elif self.clock() >= until_s:
                arming.refuse(checks)

    def run(self, finished: Callable[[], bool] = lambda: False) -> None:
        """Arm, then drive until ``stop`` is called or ``finished()``; ends with the rover held.

        Raises
        ------
        ArmingError
            As ``arm`` says.
        """
        with undisturbed():
            self.arm()
            while self._end is None:
                self.round()
                if finished():
                    return
            until_s = self.clock() + self.settings.stop_within_s
            while self._held < HELD_ROUNDS and self.clock() < until_s:
                self.round()

    def stop(self, reason: str) -> None:
        """Stop gently, hold, then let ``run`` return. From a signal handler or any thread."""
        self._end = reason

    @property
    def stopping(self) -> bool:
        """Whether ``stop`` was called."""
        return self._end is not None

    def tell(self, level: Level, message: str) -> None:
        """Tell the driver something with the next round; it goes into the recording too."""
        self._tell(level, "note", message)

    def round(self) -> Round:
        """Wait for the next tick, then do one round."""
        now_s = self.pace.wait()
        done = self._round(now_s)
        for watcher in tuple(self.watchers):
            try:
                watcher(done)
            except Exception as err:
                self.watchers.remove(watcher)
                self._tell("warning", "watcher", f"{watcher!r} raised {err!r}: not called again")
        self._last_s = self.clock()
        self.pace.done(now_s)
        collect_when_idle(self.pace.left_s)
        return done

    @property
    def timing(self) -> Timing:
        """How well the rate was kept so far."""
        return self.pace.timing

    # -- one round ---------------------------------------------------------------------------

    def _round(self, now_s: float) -> Round:
        if self._start_s is None:
            self._start_s = now_s
        if self._last_s is not None and now_s - self._last_s > self.settings.stall_s:
            self._stops.event("stall", f"the loop paused for {now_s - self._last_s:.2f} s")
        if self._end is not None:
            self._stops.state("end", self._end)
        reading = self._read(now_s)
        decision = self._guard.step(reading)
        if reading.motor_enabled is False:
            self._stops.settle(decision)
        self._held = self._held + 1 if decision.hold is Hold.HOLDING else 0
        self._stops.take_findings(decision.findings)
        self._gather_news(now_s)
        own, self._alerts = tuple(self._alerts), []
        sent = self.adjust(reading, decision)
        sent = replace(sent, alerts=(*decision.alerts, *own))
        if self._stops and sent.throttle:
            sent = replace(sent, throttle=0.0)
        alerts = (*sent.alerts, *self.host.apply(sent))
        self._failed = self.host.failed
        self._stops.take_failed(self._failed)
        if self._stops and sent.throttle:
            # It showed only now that an actuator does not obey: the others need not wait.
            sent = replace(sent, throttle=0.0)
            alerts += self.host.apply(replace(sent, alerts=()))
        if self.recorder is not None:
            note = "; ".join(alert.message for alert in alerts)[:400] if alerts else None
            self.recorder.put(reading, sent, note)
        return Round(
            reading=reading,
            decision=decision,
            sent=sent,
            alerts=alerts,
            stopped_by=self._stops.reasons,
            failed=self._failed,
            armed=self.armed,
        )

    def _read(self, now_s: float) -> Reading:
        """Sensors and operator as one reading."""
        reading = self.host.read(now_s)
        self._stops.take_failed(self.host.failed)
        values: dict[str, object] = {}
        command = self.operator.poll(now_s) if self.operator is not None else None
        if command is None:
            values["command_age_s"] = now_s - (self._start_s or 0.0)
        else:
            values.update(
                throttle=command.throttle, steer=command.steer, command_age_s=command.age_s
            )
            if command.motor_enabled is not None:
                # Off where nobody can tell.
                self._enabled = finite(command.motor_enabled) and bool(command.motor_enabled)
        values["motor_enabled"] = False if self._stops else self._enabled
        reading = plain(replace(reading, **values))  # type: ignore[arg-type]
        if not self.armed:
            self._deliveries.take(reading)
        return reading

    def _gather_news(self, now_s: float) -> None:
        """What operator, recorder and stops have to tell, as alerts of this round."""
        while self.operator is not None and (news := self.operator.news(now_s)):
            self._tell("warning", "command", news)
        while self.recorder is not None and (news := self.recorder.news()):
            self._tell("warning", "recorder", news)
        for reason in self._stops.news():
            self._tell("critical", "stop", f"stopping: {reason}")

    def _checks(self) -> tuple[arming.Check, ...]:
        problem = self.recorder.problem if self.recorder is not None else ""
        now_s = self.clock()
        return (
            *arming.fitted(self.host, self.settings),
            *arming.running(self.host, self._deliveries, now_s, problem),
        )

    def _tell(self, level: str, topic: str, message: str) -> None:
        t_s = self.clock()
        self._alerts.append(
            Alert(t_s=t_s, level=level, topic=topic, wheel=None, message=message)  # type: ignore[arg-type]
        )

    def _close_own(self) -> tuple[str, ...]:
        operator, recorder = self.operator, self.recorder
        if self._own[0] and operator is not None:
            operator.close()
            self.operator = None
        if self._own[1] and recorder is not None:
            recorder.close()
            self.recorder = None
            if recorder.problem:
                return (f"recorder: {recorder.problem}",)
        return ()


def make_recorder(
    config: Config, settings: LiveSettings, rover: str | os.PathLike[str] | None = None
) -> Recorder:
    """A recorder as the settings say, not started; ``rover`` is the file to keep beside it."""
    assert settings.record is not None
    return Recorder(
        settings.record,
        config.encoders.kind,
        rover=rover,
        file_mb=settings.record_file_mb,
        file_minutes=settings.record_file_minutes,
        clock=time.monotonic,
    )
