"""The simulated rover on a bench, and somebody who does what the items of commissioning say."""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence

from slipguard.commission import Item
from slipguard.config import Config
from slipguard.live.clock import Clock
from slipguard.live.command import Command
from slipguard.live.desk import DeskActuators, host_for
from slipguard.live.readings import newest
from slipguard.live.simulated import MOST_STEPS, SimulatedSensors
from slipguard.plugin.host import Host
from slipguard.reading import WHEELS, Reading
from slipguard.simulate.blocks import OnBlocks, Wiring
from slipguard.simulate.faults import Fault
from slipguard.simulate.scenario import Driver

STICK = 0.15
"""A little forward."""
TILT_DEG = 20.0
LEVEL_S = 1.0
"""So soon after an item begins the chassis is level again."""
WAIT_S = {"blocks": 5.0, "wheel": 4.0, "brake": 8.0, "tilt": 5.5, "turn": 6.0}
MOTOR_S = {"kill": 7.0, "link": 7.0, "crawl": 13.0}
CUT_S = 3.0
"""When the switch is pressed, or the link cut, in those items."""
CRAWL_M, CRAWL_MPS = 1.0, 0.6


class BenchRover:
    """A rover on blocks that lives in the loop's time; ``do`` an item, until ``done``.

    Parameters
    ----------
    config : Config
        What the rover file believes.
    seed : int
    clock : Clock
    true : Config, optional
        How the rover really is, e.g. another mounting of the IMU.
    wiring : Wiring, optional
    faults : sequence of Fault
    switch_cuts : bool
        False: the kill switch does nothing.
    link_hides : bool
        True: the receiver goes on sending its last values when the transmitter is off.
    """

    def __init__(
        self,
        config: Config,
        seed: int,
        clock: Clock,
        *,
        true: Config | None = None,
        wiring: Wiring | None = None,
        faults: Sequence[Fault] = (),
        switch_cuts: bool = True,
        link_hides: bool = False,
    ) -> None:
        real = true if true is not None else config
        self.plant = OnBlocks(real, seed, wiring=wiring, faults=faults)
        self.sensors = SimulatedSensors(self, config, clock)
        self.actuators = DeskActuators()
        self._driver = Driver.of(real)
        self._switch_cuts, self._link_hides = switch_cuts, link_hides
        self._key = "blocks"
        self._begin_s = 0.0
        self._from: Sequence[float] = self.plant.angles_rad
        self._tilt = self.plant.tilt
        self._steer = 0.0
        self._living = threading.Lock()
        self._command = Command(throttle=0.0, steer=0.0, motor_enabled=True, age_s=0.02)

    def host(self, config: Config, clock: Clock, *, threads: bool = True) -> Host:
        """A host with this rover's sensors and actuators, and the rover file's alert sinks."""
        return host_for(
            config, "simulated-bench", self.sensors, self.actuators, clock, threads=threads
        )

    def do(self, item: Item) -> None:
        """Begin with an item."""
        with self._living:
            self._key, self._begin_s = item.key, self.plant.t_s
            self._from, self._tilt = self.plant.angles_rad, self.plant.tilt
            self.plant.supply = item.motor != "off"

    def done(self) -> bool:
        """Whether the item has been done."""
        kind = self._key.split(".")[0]
        return self._into_s >= (WAIT_S | MOTOR_S)[kind]

    def poll(self, now_s: float) -> Command | None:
        """What the receiver delivers: an ``Operator``."""
        return self._command

    def news(self, now_s: float) -> str | None:
        """Nothing ever."""
        return None

    def close(self) -> None:
        """Nothing to let go."""

    def live_until(self, t_s: float) -> Reading | None:
        """Let the rover live until its time ``t_s``; what its sensors delivered meanwhile."""
        with self._living:
            found: Reading | None = None
            for _ in range(MOST_STEPS):
                if self.plant.t_s + 0.75 * self.plant.dt_s > t_s:
                    break
                self._act()
                self.plant.act(self.actuators.throttle, self._steer, self.actuators.brakes)
                reading = self.plant.reading()
                found = reading if found is None else newest(found, reading)
            return found

    @property
    def _into_s(self) -> float:
        return self.plant.t_s - self._begin_s

    def _act(self) -> None:
        """Hands, stick and switches now."""
        into_s = self._into_s
        kind, _, name = self._key.partition(".")
        throttle, age_s = 0.0, 0.02
        if kind == "wheel":
            mine = WHEELS.index(name)
            turn = 2.0 * math.pi * _eased(into_s, 0.5, 2.5)
            self.plant.hands = {mine: self._from[mine] + turn, mine ^ 1: self._from[mine ^ 1]}
        elif kind == "brake":
            self.plant.hands = {}
            for wheel in range(len(WHEELS)):
                begin_s = 1.0 + 1.7 * wheel
                if begin_s <= into_s < begin_s + 1.5:
                    turn = math.pi * _eased(into_s, begin_s, begin_s + 1.2)
                    self.plant.hands = {wheel: self._from[wheel] + turn}
                elif into_s < begin_s:
                    self._from = [*self._from[:wheel], *self.plant.angles_rad[wheel:]]
        elif kind in ("tilt", "turn"):
            self.plant.hands = {}
            self.plant.tilt = self._tilted(into_s)
        elif kind in MOTOR_S:
            self.plant.hands = {}
            self.plant.tilt = self._levelled(into_s)
            if kind == "crawl" and into_s > LEVEL_S and self.plant.on_blocks:
                self.plant.lower()
            throttle, age_s = self._driven(kind, into_s)
        else:
            self.plant.hands = {}
        self._command = Command(
            throttle=round(throttle, 4), steer=self._steer, motor_enabled=True, age_s=age_s
        )

    def _tilted(self, into_s: float) -> tuple[float, float, float]:
        """Level again, still, then up or round."""
        roll, pitch, yaw = self._levelled(into_s)
        up = _eased(into_s, 2.2, 3.7)
        if self._key == "turn.left":
            return (roll, pitch, yaw + 90.0 * _eased(into_s, 2.2, 4.7))
        if self._key == "tilt.nose":
            return (roll, pitch + TILT_DEG * up, yaw)
        return (roll + TILT_DEG * up, pitch, yaw)

    def _levelled(self, into_s: float) -> tuple[float, float, float]:
        """As the last item left the chassis, and level again within a second."""
        back = 1.0 - _eased(into_s, 0.0, LEVEL_S)
        roll, pitch, yaw = self._tilt
        return (roll * back, pitch * back, yaw)

    def _driven(self, kind: str, into_s: float) -> tuple[float, float]:
        """Throttle, and age of the command."""
        if kind == "crawl":
            return self._crawled(into_s), 0.02
        pushed = STICK if 1.0 <= into_s < 6.5 else 0.0
        if kind == "kill":
            self.plant.supply = into_s < CUT_S or not self._switch_cuts
            return pushed, 0.02
        if into_s < CUT_S or self._link_hides:
            return pushed, 0.02
        return STICK, 0.02 + into_s - CUT_S  # the last that was received

    def _crawled(self, into_s: float) -> float:
        truth = self.plant.truth()
        far_m = math.hypot(truth.x_m, truth.y_m)
        if into_s < 3.0:
            return 0.0
        if far_m < CRAWL_M and into_s < 8.0:
            return self._driver.cruise(truth, CRAWL_MPS)
        return self._driver.stop(truth)


def _eased(t_s: float, begin_s: float, end_s: float) -> float:
    """0 to 1 between two times, smoothly."""
    x = max(0.0, min(1.0, (t_s - begin_s) / (end_s - begin_s)))
    return x * x * (3.0 - 2.0 * x)
