"""Hill hold and the stop the guard makes by itself: a small table of phases.

Brakes go on before the rover rolls: at rest with neutral throttle on a grade, and at once when
the motor is disabled or the link lost at standstill. At speed these two ask for a gentle stop
first. Creep presses harder. On drive-off the brakes give way as the motor takes the weight, as
far as grade, throttle and the motor's stated torque tell; near that balance rolling back starts
slowly, is caught within a count or two, and less is expected of the motor from then on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import IntEnum

from slipguard.config import Config
from slipguard.decision import Hold
from slipguard.estimate import Estimate
from slipguard.respond.stop import GentleStop, second_most
from slipguard.settings import GRAVITY_MPS2

STOPPED_MPS = 0.03  # slower than this a stop is over
STILL_MOVING_MPS = 0.15  # faster than this, and two sd of it, it needs a stop before the hold
RUNNING_MPS = 0.5  # what rolls faster is stopped gently, not held at once
ROLLED_BACK_M = 0.0015  # against the asked way, during release: caught again
WAIT_S = 0.15  # before a hold that had to catch the rover lets go anew
FRESH_S = 1.0
"""So long after start a hold lets go of a rover found moving; later it is one that slides."""
LEAD_S = 0.08
"""A rover that runs out on a grade is caught this long before it would turn round: about what a
servo brake takes to bite."""
MOTOR_SHARE = 0.8
"""Share of the motor's stated torque that is counted on while the brakes let go."""
LEARN = 0.75  # of the share of the torque counted on, each time that was too much
PROBE_AFTER_S, PROBE_S = 0.6, 2.0
"""When the stated torque should not lift the rover but drive stays asked, the brakes fade all the
same: the motor may be stronger than stated."""
GONE = 1e-9
"""What is left of a hold that has let go: sums of floats end beside zero."""


OFF, STOPPING, HOLDING, RELEASING = range(4)
PHASES = (Hold.OFF, Hold.STOPPING, Hold.HOLDING, Hold.RELEASING)
"""What the numbers of phases mean."""


class Event(IntEnum):
    """What can move the hold from one phase to another, most urgent first."""

    STOP_WANTED = 0  # link lost or motor disabled while it moves, or it runs away
    HOLD_WANTED = 1  # rolling, or at rest and nobody drives it
    FOUND_RUNNING = 2  # a new guard that holds, on a rover that moves and must stop
    FOUND_MOVING = 3  # the same on one that need not stop
    ROLLED_BACK = 4  # against the asked direction during release
    DRIVE_WITHDRAWN = 5
    STOPPED = 6
    DRIVE_ASKED = 7
    LET_GO = 8  # nothing left to release


TABLE: dict[tuple[Hold, Event], Hold] = {
    (Hold.OFF, Event.STOP_WANTED): Hold.STOPPING,
    (Hold.OFF, Event.HOLD_WANTED): Hold.HOLDING,
    (Hold.STOPPING, Event.STOPPED): Hold.HOLDING,
    (Hold.STOPPING, Event.DRIVE_ASKED): Hold.OFF,
    (Hold.HOLDING, Event.FOUND_RUNNING): Hold.STOPPING,
    (Hold.HOLDING, Event.FOUND_MOVING): Hold.OFF,
    (Hold.HOLDING, Event.DRIVE_ASKED): Hold.RELEASING,
    (Hold.RELEASING, Event.STOP_WANTED): Hold.STOPPING,
    (Hold.RELEASING, Event.ROLLED_BACK): Hold.HOLDING,
    (Hold.RELEASING, Event.DRIVE_WITHDRAWN): Hold.HOLDING,
    (Hold.RELEASING, Event.LET_GO): Hold.OFF,
}
"""Phase and event -> next phase. A pair that is not here changes nothing."""
STAYS = -1
NEXT = [
    [PHASES.index(TABLE[phase, event]) if (phase, event) in TABLE else STAYS for event in Event]
    for phase in PHASES
]
"""The same by number, ``NEXT[phase][event]``."""


class HillHold:
    """Brake wish for each wheel and the phase it comes from.

    Attributes
    ----------
    phase : int
        Of ``PHASES``.
    held_s : float
        How long it has been holding.
    wish : list of 4 float
        0..1, all the same but in a stop.
    """

    def __init__(self, config: Config) -> None:
        rover, brakes, hold = config.rover, config.brakes, config.hold
        self._grade_percent = float(hold.grade_percent)
        self._brake = float(hold.brake)
        self._margin = float(hold.margin)
        self._press_per_mm = float(hold.press_per_mm)
        self._release_s = float(hold.release_s)
        # Brake command, the same on all four, per m/s2 of deceleration.
        self._per_mps2 = rover.mass_kg * rover.wheel_radius_m / (4.0 * brakes.max_torque_nm)
        self._next = NEXT
        self.phase = HOLDING
        self.held_s = 0.0
        self.wish = [0.0] * 4
        self._level = 0.0  # of the hold, before fading
        self._now = 0.0  # what is left of it while it lets go
        self._motor_share = MOTOR_SHARE
        self._per_throttle = config.motor.stall_torque_nm / (4.0 * brakes.max_torque_nm)
        self._asked_s = 0.0
        self._origin_m = math.nan  # nan: not held yet
        self._wait_s = 0.0
        self._fresh_s = 0.0  # since start; nan: once it has been in another phase
        self._stop = GentleStop(config, self._per_mps2)

    def step(
        self,
        estimate: Estimate,
        asked: int,
        throttle: float,
        must_stop: bool,
        refused: bool,
        rolling: bool,
        neutral: bool,
        blind: bool,
        broken: Sequence[bool],
        dt_s: float,
    ) -> None:
        """Say in ``wish`` how hard to brake now.

        ``asked``: direction driven, +1, 0, -1, once unlatched; ``throttle``: what the motor
        gets; ``must_stop``: link lost or motor disabled; ``refused``: drive is asked for, and
        latched; ``neutral``: throttle known to be neutral; ``blind``: no sensor tells motion;
        ``broken`` (4,): wheels whose encoder is.
        """
        self._fresh_s += dt_s
        self._change_phase(estimate, asked, must_stop, refused, rolling, neutral, blind, broken)
        if self.phase == STOPPING:
            self._stop.step(estimate, blind, broken, dt_s)
            for i in range(4):
                self.wish[i] = self._stop.levels[i]
            return
        wish = 0.0
        if self.phase == HOLDING:
            wish = self._holding(estimate, dt_s)
        elif self.phase == RELEASING:
            wish = self._releasing(estimate, asked, abs(throttle), dt_s)
        for i in range(4):
            self.wish[i] = wish

    # -- events ------------------------------------------------------------------------------

    def _change_phase(
        self,
        estimate: Estimate,
        asked: int,
        must_stop: bool,
        refused: bool,
        rolling: bool,
        neutral: bool,
        blind: bool,
        broken: Sequence[bool],
    ) -> None:
        """Go to the next phase if something happened that leads to one, the most urgent first."""
        speed, sd = abs(estimate.speed_mps), estimate.speed_sd_mps
        moving = speed > STILL_MOVING_MPS + 2.0 * sd and not estimate.at_rest
        runs = moving and speed > RUNNING_MPS  # slower, a hold ends it in a centimetre or two
        runs_away = rolling and runs
        if ((must_stop and moving) or runs_away) and self._enter(Event.STOP_WANTED, estimate):
            return
        steep = 100.0 * abs(math.tan(estimate.grade_rad)) > self._grade_percent
        pull = -GRAVITY_MPS2 * math.sin(estimate.grade_rad)  # of gravity, forward positive
        uphill = pull * estimate.speed_mps < 0.0 and speed < LEAD_S * abs(pull)
        # Parked, running out, or about to turn round or just beyond it.
        hold = neutral and steep and (estimate.at_rest or uphill or speed + sd < STOPPED_MPS)
        hold = hold or (rolling and not runs_away) or (must_stop and not moving)
        if hold and self._enter(Event.HOLD_WANTED, estimate):
            return
        if moving and sd < 0.2 and self._fresh_s < FRESH_S:
            found = Event.FOUND_RUNNING if must_stop or refused else Event.FOUND_MOVING
            if (runs or found == Event.FOUND_MOVING) and self._enter(found, estimate):
                return
        if asked:
            back = -asked * (estimate.distance_m - self._origin_m)
            against = -asked * estimate.speed_mps
            rolled_back = back > ROLLED_BACK_M and against > 0.01 + sd
            if rolled_back and self._enter(Event.ROLLED_BACK, estimate):
                return
        elif self._enter(Event.DRIVE_WITHDRAWN, estimate):
            return
        if self.phase == STOPPING:
            # A stop does not turn round: a believed speed beyond zero has strayed, and is zero. But
            # rims that turn tell of a rover that moves, whatever speed is believed and how surely.
            rims = estimate.wheel_speed_mps
            turning = (abs(rims[0]), abs(rims[1]), abs(rims[2]), abs(rims[3]))
            left = max(self._stop.way * estimate.speed_mps - sd, second_most(1.0, turning, broken))
            stopped = estimate.at_rest or left < STOPPED_MPS or (blind and self._stop.over)
            if stopped and self._enter(Event.STOPPED, estimate):
                return
        drive = asked != 0 and not must_stop and self._wait_s <= 0.0
        if drive and self._enter(Event.DRIVE_ASKED, estimate):
            return
        if self._now <= GONE:
            self._enter(Event.LET_GO, estimate)

    def _enter(self, event: Event, estimate: Estimate) -> bool:
        """Enter the phase this event leads to; False if it leads to none."""
        came_from = self.phase
        phase = self._next[came_from][event]
        if phase == STAYS:
            return False
        if event == Event.ROLLED_BACK:
            self._motor_share *= LEARN
        self.phase = phase
        self._fresh_s = math.nan
        self._origin_m = estimate.distance_m
        if phase == STOPPING:
            self._stop.start(estimate.speed_mps, estimate.yaw_rate_radps)
        elif phase == HOLDING:
            self.held_s = 0.0
            self._wait_s = WAIT_S if came_from == RELEASING else 0.0
        elif phase == RELEASING:
            self._now = self._level
            self._asked_s = 0.0
        else:
            self._level = 0.0
            self._motor_share = MOTOR_SHARE
            self._origin_m = math.nan
        return True

    # -- phases ------------------------------------------------------------------------------

    def _holding(self, estimate: Estimate, dt_s: float) -> float:
        self.held_s += dt_s
        self._wait_s = max(0.0, self._wait_s - dt_s)
        if math.isnan(self._origin_m):
            self._origin_m = estimate.distance_m
        needed = self._per_mps2 * GRAVITY_MPS2 * abs(math.sin(estimate.grade_rad))
        creep_mm = 0.0
        if not estimate.at_rest:
            creep_mm = 1e3 * abs(estimate.distance_m - self._origin_m)
        wanted = max(
            self._brake,
            self._margin * needed,
            self._brake + self._press_per_mm * creep_mm,
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
        pace = (4.0 if under_way else 1.0) * self._level * dt_s / self._release_s
        self._now = max(0.0, min(self._now, max(floor, self._now - pace)))
        if asked:
            ahead = asked * (estimate.distance_m - self._origin_m)
            if ahead > 0.0:
                self._origin_m = estimate.distance_m
        return self._now
