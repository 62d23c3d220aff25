"""Estimate -> findings: all detectors, one after the other."""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.detect.faults import SensorFaults
from slipguard.detect.found import LINK, Found
from slipguard.detect.limits import LimitWatch
from slipguard.detect.motion import UNKNOWN, UnaskedMotion
from slipguard.detect.wheels import WheelSlip
from slipguard.detect.words import Wording
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.frame import BRAKED, Frame

BRAKE_LINGER_S = 0.4
"""So long after its brake let go a wheel may still stand: actuators lag."""


class Detectors:
    """What is found, in words. ``watch``: the detectors themselves."""

    def __init__(self, config: Config) -> None:
        self.watch = Watch(config)
        self._wording = Wording(inferred=config.encoders.one_channel)

    @property
    def broken(self) -> Sequence[bool]:
        """(4,): wheels whose encoder is held to be dead or wrong."""
        return self.watch.broken

    def step(
        self, frame: Frame, estimate: Estimate, brakes: Sequence[float]
    ) -> tuple[Finding, ...]:
        """Findings now; ``brakes`` (4,) are the commands of the step before."""
        self.watch.step(frame, estimate, brakes)
        found = self.watch.found
        return self._wording.findings(found.code, found.since_s, found.value, found.threshold)


class Watch:
    """Owns the detectors and what they share: the driver's wish and what brakes may do.

    Its state is numbers and lists of them whose length never changes, so that it runs compiled.

    Attributes
    ----------
    found : Found
        What is true now.
    broken : list of 4 bool
        Wheels whose encoder is held to be dead or wrong, so that their slip is none.
    may_lock : list of 4 bool
        Whether anything could hold that wheel back.
    motion_asked : int
        The direction motion was judged against, 1, 0 or -1, or ``UNKNOWN``; 0 with the link lost.
    """

    def __init__(self, config: Config) -> None:
        self._dead_band = float(config.limits.throttle_dead_band)
        self._slip = WheelSlip(config.spin)
        self._motion = UnaskedMotion(config.rolling, config.count_m, config.encoders.directed)
        self._faults = SensorFaults(config)
        self._limits = LimitWatch(config)
        self._braked_s = [0.0] * 4
        self._braked = [False] * 4
        self.found = Found()
        self.may_lock = [True] * 4
        self.motion_asked = UNKNOWN

    def step(self, frame: Frame, estimate: Estimate, brakes: Sequence[float]) -> None:
        """Find what is true now; ``brakes`` (4,) are the commands of the step before."""
        found, faults = self.found, self._faults
        asked = self._asked(frame)
        self._note_brakes(frame, estimate, brakes, asked)
        self._limits.step(frame, estimate, found)
        faults.step(frame, estimate, self.may_lock, self._braked, found)
        self._slip.step(estimate, frame.dt_s, self.may_lock, faults.broken, found)
        self.motion_asked = 0 if found.code[LINK] and asked != UNKNOWN else asked
        self._motion.step(estimate, self.motion_asked, found)

    @property
    def broken(self) -> Sequence[bool]:
        return self._faults.broken

    def _asked(self, frame: Frame) -> int:
        """Direction the driver asks for: 1, 0, -1; ``UNKNOWN``: no command was ever given."""
        if math.isnan(frame.throttle):
            return UNKNOWN
        if not frame.motor_enabled or abs(frame.throttle) <= self._dead_band:
            return 0
        return 1 if frame.throttle > 0 else -1

    def _note_brakes(
        self, frame: Frame, estimate: Estimate, brakes: Sequence[float], asked: int
    ) -> None:
        """Whether anything can hold each wheel back while the rover moves, and whether that may
        stop it for long: a brake can, and a motor driven against the motion. One that just drags
        holds back too.
        """
        driven = asked != UNKNOWN and asked * estimate.speed_mps > 0.0
        against = asked != UNKNOWN and asked * estimate.speed_mps < 0.0
        for i in range(4):
            if brakes[i] > BRAKED:
                self._braked_s[i] = BRAKE_LINGER_S
            else:
                self._braked_s[i] = max(0.0, self._braked_s[i] - frame.dt_s)
            self._braked[i] = against or self._braked_s[i] > 0.0
            self.may_lock[i] = self._braked[i] or not driven
