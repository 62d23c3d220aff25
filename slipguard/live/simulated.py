"""The simulated rover as sensor source and actuator: the live loop, closed, on a desk."""

from __future__ import annotations

import threading
from collections.abc import Collection
from typing import Protocol

import numpy as np

from slipguard.config import Config
from slipguard.live.clock import Clock
from slipguard.live.command import Command
from slipguard.live.desk import DeskActuators, host_for
from slipguard.live.loop import Round
from slipguard.live.readings import newest
from slipguard.plugin import SensorSource
from slipguard.plugin.host import Host
from slipguard.reading import Reading
from slipguard.simulate.link import Link
from slipguard.simulate.plant import Plant
from slipguard.simulate.scenario import Scenario

MOST_STEPS = 200
"""Steps of the plant made up for in one read; beyond that the rover has stood still."""


class SimulatedRover:
    """A rover in a scenario; ``sensors`` and ``actuators`` are its plugin objects.

    Parameters
    ----------
    scenario : Scenario
    config : Config
    seed : int
    clock : callable
        Seconds of the loop; the rover lives in its time.
    driven_by_scenario : bool
        True: the scenario's driver sits at the sticks, and ``operator`` delivers the commands.
        False: they come from elsewhere; ``steer_by`` then watches the loop.
    """

    def __init__(
        self,
        scenario: Scenario,
        config: Config,
        seed: int,
        clock: Clock,
        *,
        driven_by_scenario: bool = True,
    ) -> None:
        self.plant = Plant(
            config,
            scenario.world,
            seed,
            x_m=scenario.x_m,
            y_m=scenario.y_m,
            heading_deg=scenario.heading_deg,
            faults=scenario.faults,
        )
        self.scenario = scenario
        self.steer = 0.0
        self.operator = self if driven_by_scenario else None
        self.sensors = SimulatedSensors(self, config, clock)
        self.actuators = DeskActuators()
        self._link = Link(self.plant.sim, scenario.link, np.random.default_rng([seed, 3]))
        self._driven = driven_by_scenario
        self._enabled = True
        self._looked = False
        self._living = threading.Lock()
        self._command: Command | None = None

    def host(
        self, config: Config, clock: Clock, *, threads: bool = True, beside: Collection[str] = ()
    ) -> Host:
        """A host with this rover's sensors and actuators, and the rover file's alert sinks.

        ``beside`` names actuators of the rover file that really move; ``follow`` must then watch
        the loop.
        """
        return host_for(
            config,
            "simulated-rover",
            self.sensors,
            self.actuators,
            clock,
            threads=threads,
            beside=beside,
        )

    def follow(self, done: Round) -> None:
        """Brake and drive as was sent to actuators that are not this rover's own."""
        self.actuators.follow(done.sent)

    def steer_by(self, done: Round) -> None:
        """Take the steering from a round of the loop, as the steering servo would."""
        if done.reading.steer is not None:
            self.steer = done.reading.steer

    @property
    def finished(self) -> bool:
        """Whether the scenario is over; one driven by hand never is."""
        return self._driven and self.plant.t_s >= self.scenario.duration_s

    def poll(self, now_s: float) -> Command | None:
        """The scenario's driver, as the rover received it: an ``Operator``."""
        return self._command

    def news(self, now_s: float) -> str | None:
        """Nothing ever."""
        return None

    def close(self) -> None:
        """Nothing to let go."""

    def live_until(self, t_s: float) -> Reading | None:
        """Let the rover live until its time ``t_s``; what its sensors delivered meanwhile.

        From any thread, one after the other: a read that missed its deadline still runs in the
        sensors' thread, and the engine lets other threads go on while it steps.
        """
        with self._living:
            found = None if self._looked else self._look()
            for _ in range(MOST_STEPS):
                if self.plant.t_s + 0.75 * self.plant.dt_s > t_s:
                    break
                self._step()
                reading = self._look()
                found = reading if found is None else newest(found, reading)
            return found

    def _look(self) -> Reading:
        """The sensors now; the driver acts on what is true now."""
        self._looked = True
        if self._driven:
            self._command = self._drive()
        return self.plant.reading()

    def _drive(self) -> Command:
        t_s, link = self.plant.t_s, self._link
        if link.due(t_s):
            link.send(t_s, *self.scenario.operator(t_s, self.plant.truth()))
        throttle, self.steer, age_s = link.receive(t_s)
        self._enabled = self.scenario.motor_enabled(t_s)
        return Command(
            throttle=round(throttle, 4),
            steer=round(self.steer, 4),
            motor_enabled=self._enabled,
            age_s=round(age_s, 4),
        )

    def _step(self) -> None:
        t_s, scenario, acts = self.plant.t_s, self.scenario, self.actuators
        push = [0.0, 0.0, 0.0]
        for knock in scenario.knocks:
            if knock.start_s <= t_s < knock.start_s + knock.duration_s:
                push = [a + b for a, b in zip(push, knock.force_n, strict=True)]
        self.plant.step(
            acts.throttle,
            self.steer,
            acts.brakes,
            self._enabled,
            blocked=t_s < scenario.blocked_until_s,
            push_n=(push[0], push[1], push[2]),
        )


class Living(Protocol):
    """A rover that lives in somebody's time."""

    def live_until(self, t_s: float) -> Reading | None:
        """Let it live until then; what its sensors delivered meanwhile."""


class SimulatedSensors(SensorSource):
    """Wheels and IMU."""

    deadline_s = 1.0  # the physics of many steps takes its time

    def __init__(self, rover: Living, config: Config, clock: Clock) -> None:
        wheels = "counts" if config.encoders.kind == "counts" else "wheel_speed_radps"
        self.provides = (wheels, "accel_mps2", "gyro_radps")
        self._rover = rover
        self._clock = clock
        self._start_s: float | None = None

    def _open(self) -> None:
        pass

    def _read(self) -> Reading | None:
        now_s = self._clock()
        if self._start_s is None:
            self._start_s = now_s
        return self._rover.live_until(now_s - self._start_s)

    def _close(self) -> None:
        pass
