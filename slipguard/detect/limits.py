"""Limits of the link, of speed and of stability."""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.detect.found import LINK, OVERSPEED, TIP_OVER, Found
from slipguard.estimate import Estimate
from slipguard.finding import NEVER_S
from slipguard.frame import Frame
from slipguard.settings import GRAVITY_MPS2

LEAST_DOWN_MPS2 = 0.2 * GRAVITY_MPS2
"""In a jump nothing presses down: less than this is not divided by."""


class LimitWatch:
    """Link age, speed cap, and how near the rover is to tipping over."""

    def __init__(self, config: Config) -> None:
        limits, rover = config.limits, config.rover
        self._timeout_s = float(limits.link_timeout_s)
        self._cap_mps = math.inf if limits.max_speed_mps is None else float(limits.max_speed_mps)
        self._tip_share = float(limits.tip_over_share)
        height = rover.cog_height_m
        self._can_tip = height is not None
        # Force sideways and along, over that down, at which it tips.
        self._tips_sideways = rover.track_m / 2 / (height or 1.0)
        self._tips_along = rover.wheelbase_m / 2 / (height or 1.0)

    def step(self, frame: Frame, estimate: Estimate, found: Found) -> None:
        """Compare."""
        age, limit = frame.command_age_s, self._timeout_s
        found.watch(LINK, age > limit, frame.t_s, min(age, NEVER_S), limit)
        fast, cap = abs(estimate.speed_mps), self._cap_mps
        over = fast > cap + 2.0 * estimate.speed_sd_mps
        found.watch(OVERSPEED, over, frame.t_s, fast, cap)
        tip = self._tip(estimate) if self._can_tip else 0.0
        risky = tip > self._tip_share
        found.watch(TIP_OVER, risky, frame.t_s, 100 * tip, 100 * self._tip_share)

    def _tip(self, estimate: Estimate) -> float:
        """Share of the tipping limit: force sideways over force down against track / 2 h.

        A body tips where the force through its centre of mass leaves its support (statics).
        """
        down = max(LEAST_DOWN_MPS2, estimate.vertical_mps2)
        sideways = abs(estimate.lateral_mps2) / down / self._tips_sideways
        along = math.tan(abs(estimate.grade_rad)) / self._tips_along
        return max(sideways, along)
