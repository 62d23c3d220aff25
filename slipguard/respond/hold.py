"""Hill hold and the stop the guard makes by itself: a small table of phases.

Brakes go on before the rover rolls: at rest with neutral throttle on a grade, and at once when
the motor is disabled or the link lost at standstill. At speed these two ask for a gentle stop
first. Creep presses harder. On drive-off the brakes give way as the motor takes the weight, as
far as grade, throttle and the motor's stated torque tell; near that balance rolling back starts
slowly, is caught within a count or two, and less is expected of the motor from then on.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from slipguard.config import Config
from slipguard.decision import Hold
from slipguard.estimate import Estimate
from slipguard.respond.stop import GentleStop
from slipguard.settings import GRAVITY_MPS2

STOPPED_MPS = 0.03
STILL_MOVING_MPS = 0.15
ROLLED_BACK_M = 0.0015
WAIT_S = 0.15
FRESH_S = 1.0
"""So long after start a hold lets go of a rover found moving; later it is one that slides."""
LEAD_S = 0.08
"""A rover that runs out on a grade is caught this long before it would turn round: about what a
servo brake takes to bite."""
MOTOR_SHARE = 0.8
"""Share of the motor's stated torque that is counted on while the brakes let go."""
LEARN = 0.75
PROBE_AFTER_S, PROBE_S = 0.6, 2.0
"""When the stated torque should not lift the rover but drive stays asked, the brakes fade all the
same: the motor may be stronger than stated."""


class Event(Enum):
    """What can move the hold from one phase to another, most urgent first."""

    STOP_WANTED = auto()  # link lost or motor disabled while it moves
    HOLD_WANTED = auto()  # rolling, or at rest and nobody drives it
    FOUND_MOVING = auto()  # a new guard that holds, on a rover that moves
    ROLLED_BACK = auto()  # against the asked direction during release
    DRIVE_WITHDRAWN = auto()
    STOPPED = auto()
    DRIVE_ASKED = auto()
    LET_GO = auto()  # nothing left to release


TABLE: dict[tuple[Hold, Event], Hold] = {
    (Hold.OFF, Event.STOP_WANTED): Hold.STOPPING,
    (Hold.OFF, Event.HOLD_WANTED): Hold.HOLDING,
    (Hold.STOPPING, Event.STOPPED): Hold.HOLDING,
    (Hold.STOPPING, Event.DRIVE_ASKED): Hold.OFF,
    (Hold.HOLDING, Event.FOUND_MOVING): Hold.OFF,
    (Hold.HOLDING, Event.DRIVE_ASKED): Hold.RELEASING,
    (Hold.RELEASING, Event.STOP_WANTED): Hold.STOPPING,
    (Hold.RELEASING, Event.ROLLED_BACK): Hold.HOLDING,
    (Hold.RELEASING, Event.DRIVE_WITHDRAWN): Hold.HOLDING,
    (Hold.RELEASING, Event.LET_GO): Hold.OFF,
}
"""Phase and event -> next phase. A pair that is not here changes nothing."""


class HillHold:
    """Brake wish for each wheel, 0..1, all the same but in a stop, and the phase it comes from."""

    def __init__(self, config: Config) -> None:
        rover, brakes = config.rover, config.brakes
        self._hold = config.hold
        # Brake command, the same on all four, per m/s2 of deceleration.
        self._per_mps2 = rover.mass_kg * rover.wheel_radius_m / (4.0 * brakes.max_torque_nm)
        self.phase = Hold.HOLDING
        self.held_s = 0.0
        self._level = 0.0  # of the hold, before fading
        self._now = 0.0  # what is left of it while it lets go
        self._motor_share = MOTOR_SHARE
        self._per_throttle = config.motor.stall_torque_nm / (4.0 * brakes.max_torque_nm)
        self._asked_s = 0.0
        self._origin_m: float | None = None
        self._wait_s = 0.0
        self._fresh_s: float | None = 0.0  # since start, until the first drive
        self._stop = GentleStop(config, self._per_mps2)

    def step(
        self,
        estimate: Estimate,
        *,
        asked: int,
        throttle: float,
        must_stop: bool,
        rolling: bool,
        neutral: bool,
        blind: bool,
        broken: frozenset[int],
        dt_s: float,
    ) -> list[float]:
        """Brake wish for each wheel now.

        ``asked``: direction driven, +1, 0, -1, once unlatched; ``throttle``: what the motor
        gets; ``must_stop``: link lost or motor disabled; ``neutral``: throttle known to be
        neutral; ``blind``: no sensor tells motion; ``broken``: wheels whose encoder is.
        """
        for event in self._events(
            estimate, asked, must_stop, rolling, neutral, blind, broken, dt_s
        ):
            target = TABLE.get((self.phase, event))
            if target is not None:
                if event is Event.ROLLED_BACK:
                    self._motor_share *= LEARN
                self._enter(target, estimate)
                break
        if self.phase is Hold.STOPPING:
            return self._stop.step(estimate, blind=blind, broken=broken, dt_s=dt_s)
        if self.phase is Hold.HOLDING:
            return [self._holding(estimate, dt_s)] * 4
        if self.phase is Hold.RELEASING:
            return [self._releasing(estimate, asked, abs(throttle), dt_s)] * 4
        return [0.0] * 4

    # -- events ------------------------------------------------------------------------------

    def _events(
        self,
        estimate: Estimate,
        asked: int,
        must_stop: bool,
        rolling: bool,
        neutral: bool,
        blind: bool,
        broken: frozenset[int],
        dt_s: float,
    ) -> list[Event]:
        speed, sd = abs(estimate.speed_mps), estimate.speed_sd_mps
        moving = speed > STILL_MOVING_MPS + 2.0 * sd and not estimate.at_rest
        events = []
        if must_stop and moving:
            events.append(Event.STOP_WANTED)
        grade_percent = 100.0 * abs(math.tan(estimate.grade_rad))
        parked = estimate.at_rest and neutral and grade_percent > self._hold.grade_percent
        pull = -GRAVITY_MPS2 * math.sin(estimate.grade_rad)  # of gravity, forward positive
        uphill = pull * estimate.speed_mps < 0.0 and speed < LEAD_S * abs(pull)
        running_out = neutral and uphill and grade_percent > self._hold.grade_percent
        if (must_stop and not moving) or rolling or parked or running_out:
            events.append(Event.HOLD_WANTED)
        if self._fresh_s is not None:
            self._fresh_s += dt_s
            found = moving and not must_stop and sd < 0.2 and self._fresh_s < FRESH_S
            if self.phase is Hold.HOLDING and found:
                events.append(Event.FOUND_MOVING)
        against = -asked * estimate.speed_mps
        if self._origin_m is not None and asked:
            back = -asked * (estimate.distance_m - self._origin_m)
            if back > ROLLED_BACK_M and against > 0.01 + sd:
                events.append(Event.ROLLED_BACK)
        if not asked:
            events.append(Event.DRIVE_WITHDRAWN)
        # A stop does not turn round: a believed speed beyond zero has strayed, and is zero. But
        # rims that turn tell of a rover that moves, whatever speed is believed and how surely.
        turning = sorted(abs(r) for i, r in enumerate(estimate.wheel_speed_mps) if i not in broken)
        left = max([self._stop.way * estimate.speed_mps - sd, *turning[-2:-1]])
        slow = left < STOPPED_MPS
        if estimate.at_rest or slow or (blind and self._stop.over):
            events.append(Event.STOPPED)
        if asked and not must_stop and self._wait_s <= 0.0:
            events.append(Event.DRIVE_ASKED)
        if self._now <= 0.0:
            events.append(Event.LET_GO)
        return events

    def _enter(self, phase: Hold, estimate: Estimate) -> None:
        came_from = self.phase
        self.phase = phase
        self._origin_m = estimate.distance_m
        if phase is Hold.STOPPING:
            self._stop.start(estimate.speed_mps, estimate.yaw_rate_radps)
        elif phase is Hold.HOLDING:
            self.held_s = 0.0
            self._wait_s = WAIT_S if came_from is Hold.RELEASING else 0.0
        elif phase is Hold.RELEASING:
            self._now = self._level
            self._asked_s = 0.0
            self._fresh_s = None
        elif phase is Hold.OFF:
            self._level = 0.0
            self._motor_share = MOTOR_SHARE
            self._origin_m = None
            self._fresh_s = None

    # -- phases ------------------------------------------------------------------------------

    def _holding(self, estimate: Estimate, dt_s: float) -> float:
        self.held_s += dt_s
        self._wait_s = max(0.0, self._wait_s - dt_s)
        if self._origin_m is None:
            self._origin_m = estimate.distance_m
        needed = self._per_mps2 * GRAVITY_MPS2 * abs(math.sin(estimate.grade_rad))
        creep_mm = 0.0
        if not estimate.at_rest:
            creep_mm = 1e3 * abs(estimate.distance_m - self._origin_m)
        wanted = max(
            self._hold.brake,
            self._hold.margin * needed,
            self._hold.brake + self._hold.press_per_mm * creep_mm,
        )
        # Never weaker than before while it holds: only a drive-off lets go.
        self._level = max(self._level, min(1.0, wanted))
        return self._level

    def _releasing(self, estimate: Estimate, asked: int, throttle: float, dt_s: float) -> float:
        self._asked_s += dt_s
        forward = asked * estimate.speed_mps
        under_way = forward > 0.05 + 2.0 * estimate.speed_sd_mps
        # What the brakes must still carry of the weight the motor does not.
        weight = self._per_mps2 * GRAVITY_MPS2 * asked * math.sin(estimate.grade_rad)
        carried = self._motor_share * self._per_throttle * throttle
        floor = 0.0
        if weight > 0.0 and not under_way:
            probing = (self._asked_s - PROBE_AFTER_S) / PROBE_S
            floor = (1.15 * weight + 0.05 - carried) * max(0.0, min(1.0, 1.0 - probing))
        # Once it clearly goes the asked way there is nothing left to hold.
        pace = (4.0 if under_way else 1.0) * self._level * dt_s / self._hold.release_s
        self._now = max(0.0, min(self._now, max(floor, self._now - pace)))
        if asked and self._origin_m is not None:
            ahead = asked * (estimate.distance_m - self._origin_m)
            if ahead > 0.0:
                self._origin_m = estimate.distance_m
        return self._now
