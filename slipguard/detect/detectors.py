"""Estimate -> findings: all detectors, one after the other."""

from __future__ import annotations

from slipguard.config import Config
from slipguard.detect.faults import SensorFaults
from slipguard.detect.limits import LimitWatch
from slipguard.detect.motion import UnaskedMotion
from slipguard.detect.wheels import WheelSlip
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.frame import Frame
from slipguard.reading import WHEELS, Quad

ALL = (True, True, True, True)
BRAKE_LINGER_S = 0.4
"""So long after its brake let go a wheel may still stand: actuators lag."""


class Detectors:
    """Owns the detectors and what they share: the driver's wish and what brakes may do.

    Attributes
    ----------
    may_lock : (4,) bool
        Of the last step: whether anything could hold that wheel back.
    motion_asked : int or None
        Of the last step: the direction motion was judged against; 0 with the link lost.
    """

    def __init__(self, config: Config) -> None:
        self._dead_band = config.limits.throttle_dead_band
        self._slip = WheelSlip(config.spin)
        self._motion = UnaskedMotion(
            config.rolling, config.count_m, inferred_direction=config.encoders.one_channel
        )
        self._faults = SensorFaults(config)
        self._limits = LimitWatch(config)
        self._braked_s = [0.0] * 4
        self.may_lock: tuple[bool, ...] = (True,) * 4
        self.motion_asked: int | None = None

    def step(self, frame: Frame, estimate: Estimate, brakes: Quad) -> tuple[Finding, ...]:
        """Findings now; ``brakes`` (4,) are the commands of the step before."""
        asked = self.asked(frame)
        may_lock, braked = self._may_lock(frame, estimate, brakes, asked)
        limits = self._limits.step(frame, estimate)
        link_lost = bool(limits) and any(f.kind == "link_lost" for f in limits)
        faults = self._faults.step(frame, estimate, may_lock, braked)
        slips = [
            f
            for f in self._slip.step(estimate, frame.dt_s, may_lock)
            if f.wheel is None or not self._faults.is_broken(WHEELS.index(f.wheel))
        ]
        self.may_lock = may_lock
        self.motion_asked = 0 if link_lost and asked is not None else asked
        motion = self._motion.step(estimate, self.motion_asked)
        return (*slips, *motion, *faults, *limits)

    def is_broken(self, wheel: int) -> bool:
        """Whether that wheel's encoder is held to be dead or wrong, so that its slip is none."""
        return self._faults.is_broken(wheel)

    def asked(self, frame: Frame) -> int | None:
        """Direction the driver asks for: +1, 0, -1; None while no command was ever given."""
        if frame.throttle is None:
            return None
        if not frame.motor_enabled or abs(frame.throttle) <= self._dead_band:
            return 0
        return 1 if frame.throttle > 0 else -1

    def _may_lock(
        self, frame: Frame, estimate: Estimate, brakes: Quad, asked: int | None
    ) -> tuple[tuple[bool, ...], tuple[bool, ...]]:
        """Whether anything can hold each wheel back while the rover moves, and whether a brake can.

        Besides a brake it is a motor that drags or is driven against the motion.
        """
        for i in range(4):
            if brakes[i] > 0.02:
                self._braked_s[i] = BRAKE_LINGER_S
            else:
                self._braked_s[i] = max(0.0, self._braked_s[i] - frame.dt_s)
        braked = tuple([left > 0.0 for left in self._braked_s])
        driven = asked is not None and asked * estimate.speed_mps > 0.0
        return (braked if driven else ALL), braked
