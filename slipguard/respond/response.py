"""The response in numbers: traction, hold and throttle put together, slew-limited.

Its state is numbers and lists of them whose length never changes, so that it runs compiled.
"""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.respond.hold import HillHold
from slipguard.respond.signs import Signs
from slipguard.respond.throttle import ThrottleGate
from slipguard.respond.traction import Traction

LIMIT_SLEW_PER_S = 15.0  # of the throttle cap: full to none in 67 ms
BRAKE_MISMATCH = 0.3  # of its travel, by which a brake lies behind its command, and
BRAKE_MISMATCH_S = 0.5


class Response:
    """Owns the reactions and the state of the outputs.

    Attributes
    ----------
    throttle, limit : float
        What the motor gets, and the cap on it.
    brakes : list of 4 float
        Brake commands, 0..1.
    refused : bool
        Whether throttle is asked for and the latch keeps it at zero.
    unwatched : bool
        Whether no sensor is left that tells how the rover or its wheels move.
    working : int
        Brakes that follow their command, as far as their position is measured.
    """

    def __init__(self, config: Config) -> None:
        self._slew = float(config.brakes.slew_per_s)
        self._gate = ThrottleGate(config)
        self.traction = Traction(config)
        self.hold = HillHold(config)
        self.throttle = 0.0
        self.limit = 1.0
        self.brakes = [0.0] * 4
        self._begun = False
        self.refused = False
        self.unwatched = False
        self.working = 4
        self._mismatch_s = [0.0] * 4

    def step(self, frame: Frame, estimate: Estimate, signs: Signs) -> None:
        """What to do now."""
        dt = frame.dt_s
        wanted = 0.0 if math.isnan(frame.throttle) else frame.throttle
        blind = estimate.coasting and signs.imu_fault
        # Without time nothing is known of the motion, nor how old a command is.
        must_stop = signs.link_lost or not frame.motor_enabled or frame.timeless
        self._gate.step(frame, must_stop)
        asked = self._gate.asked(frame)
        self.refused = self._gate.latched and wanted != 0.0
        self.hold.step(
            estimate,
            asked,
            max(-self.limit, min(self.limit, wanted)),
            must_stop,
            self.refused,
            signs.rolling,
            self._gate.neutral(frame),
            blind,
            signs.broken,
            dt,
        )
        self.traction.step(estimate, signs.spinning, asked != 0, dt)
        # The first command is the hold itself: brakes that held a parked rover must not be let go.
        most = self._slew * dt if self._begun else 1.0
        self._begun = True
        for i in range(4):
            wish = max(self.traction.wish[i], self.hold.wish[i])
            if wish != self.brakes[i]:
                change = max(0.0, min(1.0, wish)) - self.brakes[i]
                self.brakes[i] += max(-most, min(most, change))
        # The IMU alone tells the speed for a few seconds, and of a spinning wheel nothing.
        broken = signs.broken
        no_wheel = broken[0] + broken[1] + broken[2] + broken[3] == 4
        self.unwatched = blind or (no_wheel and estimate.coasting)
        speed_limit = self._gate.speed_limit(estimate, self.unwatched)
        limit = min(self.traction.throttle_limit, speed_limit)
        most = LIMIT_SLEW_PER_S * dt
        self.limit += max(-most, min(most, limit - self.limit))
        self.throttle = 0.0
        if asked and not must_stop:
            self.throttle = max(-self.limit, min(self.limit, wanted))
        self._watch_brakes(frame)

    def _watch_brakes(self, frame: Frame) -> None:
        self.working = 4
        for i in range(4):
            measured = frame.brake_position[i]
            if math.isnan(measured):
                continue
            off = self.brakes[i] - measured > BRAKE_MISMATCH
            self._mismatch_s[i] = self._mismatch_s[i] + frame.dt_s if off else 0.0
            if self._mismatch_s[i] >= BRAKE_MISMATCH_S:
                self.working -= 1
