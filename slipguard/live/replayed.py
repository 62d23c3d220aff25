"""A recorded drive as a sensor source: the live loop on a desk. Its brakes move nothing."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import replace

from slipguard.config import Config
from slipguard.frame import GAP_S
from slipguard.live.clock import Clock
from slipguard.live.command import Command
from slipguard.live.desk import DeskActuators, host_for
from slipguard.live.readings import newest
from slipguard.plugin import MEASURES, SensorSource
from slipguard.plugin.host import Host
from slipguard.reading import Reading
from slipguard.recording import Recording

EARLY_S = 1e-6
"""A row due within a microsecond is due: clocks that add up periods round."""


class ReplayedSensors(SensorSource):
    """Rows of a recording, each when its time has come; one without a time at once.

    A silence of the recording lasts no longer than ``GAP_S``, which is all the guard needs to take
    it for one; a clock that was set back goes on from there.

    It is also the ``Operator`` that gave the commands recorded. A recording does not react to
    what is decided.

    Parameters
    ----------
    recording : Recording
    clock : Clock
        That of the loop; the first row is due at the first read.
    """

    provides = MEASURES
    deadline_s = 0.05

    def __init__(self, recording: Recording, clock: Clock) -> None:
        self.finished = False
        self._recording = recording
        self._clock = clock
        self._rows: Iterator[Reading] = iter(())
        self._next: Reading | None = None
        self._offset_s = 0.0
        self._before_s: float | None = None
        self._command: Command | None = None

    def poll(self, now_s: float) -> Command | None:
        """The command recorded with the row that was read last."""
        return self._command

    def news(self, now_s: float) -> str | None:
        """Nothing ever."""
        return None

    def _open(self) -> None:
        self._rows = (row.reading for row in self._recording)
        self._next = next(self._rows, None)

    def _read(self) -> Reading | None:
        now_s = self._clock()
        due: Reading | None = None
        while self._next is not None and self._is_due(self._next.t_s, now_s):
            due = self._next if due is None else newest(due, self._next)
            self._next = next(self._rows, None)
        self.finished = self._next is None
        if due is None:
            self._command = Command(throttle=None, steer=None, motor_enabled=None, age_s=None)
            return None
        self._command = Command(
            throttle=due.throttle,
            steer=due.steer,
            motor_enabled=due.motor_enabled,
            age_s=due.command_age_s,
        )
        return replace(due, throttle=None, steer=None, motor_enabled=None, command_age_s=None)

    def _close(self) -> None:
        self._rows = iter(())
        self._next = None

    def _is_due(self, t_s: float, now_s: float) -> bool:
        if not math.isfinite(t_s):
            return True
        if self._before_s is None:
            self._before_s, self._offset_s = t_s, now_s - t_s
        step_s = t_s - self._before_s
        self._offset_s -= step_s - min(max(step_s, 0.0), GAP_S)
        self._before_s = t_s
        return t_s + self._offset_s <= now_s + EARLY_S

    def host(
        self, config: Config, clock: Clock, *, threads: bool = True, beside: Collection[str] = ()
    ) -> Host:
        """A host with these sensors, actuators that move nothing, and the file's alert sinks.

        ``beside`` names actuators of the rover file that really move.
        """
        return host_for(
            config,
            "replayed-drive",
            self,
            DeskActuators(),
            clock,
            threads=threads,
            beside=beside,
        )
