"""The operator's throttle on its way to the motor: latch and limits."""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame

BLIND_LIMIT = 0.3
"""Share of throttle left while no sensor tells how the rover or its wheels move."""


class ThrottleGate:
    """Latched at 0 after start, a lost link and a disabled motor, until neutral is seen."""

    def __init__(self, config: Config) -> None:
        self._dead_band = config.limits.throttle_dead_band
        cap = config.limits.max_speed_mps
        self._capped = cap is not None
        self._cap = 0.0 if cap is None else float(cap)
        self.latched = True

    def step(self, frame: Frame, must_stop: bool) -> None:
        """Close the latch, or open it on a neutral command that is fresh."""
        if must_stop or math.isnan(frame.throttle):
            self.latched = True
        elif abs(frame.throttle) <= self._dead_band:
            self.latched = False

    def asked(self, frame: Frame) -> int:
        """Direction driven: +1, 0, -1. 0 while latched."""
        if self.latched or not abs(frame.throttle) > self._dead_band:
            return 0
        return 1 if frame.throttle > 0 else -1

    def neutral(self, frame: Frame) -> bool:
        """Whether nobody drives: throttle known to be neutral, or latched."""
        return not math.isnan(frame.throttle) and self.asked(frame) == 0

    def speed_limit(self, estimate: Estimate, unwatched: bool) -> float:
        """Cap on |throttle| from the speed cap, and while nothing tells of the wheels. 0..1."""
        limit = BLIND_LIMIT if unwatched else 1.0
        if self._capped:
            # From full at 90 % of the cap to none at 110 %.
            share = (1.1 * self._cap - abs(estimate.speed_mps)) / (0.2 * self._cap)
            limit = min(limit, max(0.0, min(1.0, share)))
        return limit
