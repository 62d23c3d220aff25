"""Limits of the link, of speed and of stability."""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.finding import Finding, Kind
from slipguard.frame import Frame
from slipguard.settings import GRAVITY_MPS2

LEAST_DOWN_MPS2 = 0.2 * GRAVITY_MPS2
"""In a jump nothing presses down: less than this is not divided by."""


class LimitWatch:
    """Link age, speed cap, and how near the rover is to tipping over."""

    def __init__(self, config: Config) -> None:
        self._limits = config.limits
        self._rover = config.rover
        self._since: dict[Kind, float] = {}

    def step(self, frame: Frame, estimate: Estimate) -> list[Finding]:
        found = []
        age = frame.command_age_s
        if age is not None and self._on("link_lost", age > self._limits.link_timeout_s, frame.t_s):
            found.append(
                self._finding(
                    "link_lost", age, self._limits.link_timeout_s, "s", "no fresh command"
                )
            )
        cap = self._limits.max_speed_mps
        if cap is not None:
            fast = abs(estimate.speed_mps)
            over = fast > cap + 2.0 * estimate.speed_sd_mps
            if self._on("overspeed", over, frame.t_s):
                found.append(self._finding("overspeed", fast, cap, "m/s", "above the speed cap"))
        tip = self._tip_share(estimate)
        if self._on("tip_over_risk", tip > self._limits.tip_over_share, frame.t_s):
            found.append(
                self._finding(
                    "tip_over_risk",
                    100 * tip,
                    100 * self._limits.tip_over_share,
                    "%",
                    "near the tipping limit",
                )
            )
        return found

    def _tip_share(self, estimate: Estimate) -> float:
        """Share of the tipping limit: force sideways over force down against track / 2 h.

        A body tips where the force through its centre of mass leaves its support (statics).
        """
        height = self._rover.cog_height_m
        if height is None:
            return 0.0
        down = max(LEAST_DOWN_MPS2, estimate.vertical_mps2)
        sideways = abs(estimate.lateral_mps2) / down / (self._rover.track_m / 2 / height)
        along = math.tan(abs(estimate.grade_rad)) / (self._rover.wheelbase_m / 2 / height)
        return max(sideways, along)

    def _on(self, kind: Kind, true_now: bool, t_s: float) -> bool:
        if true_now:
            self._since.setdefault(kind, t_s)
        else:
            self._since.pop(kind, None)
        return true_now

    def _finding(
        self, kind: Kind, value: float, threshold: float, unit: str, detail: str
    ) -> Finding:
        return Finding(
            kind=kind,
            wheel=None,
            since_s=self._since[kind],
            value=value,
            threshold=threshold,
            unit=unit,
            detail=detail,
        )
