"""The stop the guard makes by itself: all four brakes together, gentle, and no wheel locked.

It follows a ramp of ``limits.stop_decel_mps2`` as long as the ground gives that. Where it gives
less, a wheel begins to slip, and the brake that acted then says what the ground takes: from there
on the brakes stay below that ceiling, let go in proportion while a wheel still slips, and try a
little more as time goes by. So the ceiling follows the ground, down at once and up slowly.

Slip can be imagined: by a broken sensor, or a speed that is wrong. The brakes must not stay off
for that. So slip is measured from the fastest wheels if those outrun the believed speed; what slip
brakes let go do not end is taken for imagined, and only more than that counts for a while; the
ceiling never sinks below what a slow stop needs; and a stop that lasts much longer than it should
ends on full brakes, locked or not.
"""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.settings import GRAVITY_MPS2

GAIN_PER_S = 6.0
SLIPS_SHARE, SLIPS_MPS = 0.15, 0.12
"""A wheel slips from this share of the speed on, and no less than this: above a hard braked tyre's
creep, and above the steps of a coarse encoder."""
LOCKS_SHARE = 0.5
"""Brakes are off when a wheel is slower than the ground by this share of the speed more."""
WHILE_SLIPPING = 0.5
"""Share of the ceiling that is left as soon as a wheel slips, so that it picks up again."""
BELOW = 0.8
"""Ceiling over the brake that acted when slip was seen: that is later than when it began."""
RISE_MPS3 = 0.4
"""How fast the ceiling rises, as deceleration per second."""
WALK_MPS = 0.1
"""Slower than this nothing is eased: a wheel that locks here slides a centimetre."""
SLOWER, PATIENCE_S = 2.0, 1.0
"""A stop so many times longer than asked, and this, no longer believes in slip."""
OVERDUE_PER_S = 0.3
"""From then on the brakes go on at this rate, whatever speed and grade are believed."""
LEAST_MPS2 = 0.3
"""The ceiling leaves at least this much deceleration."""
EASE_MOST_S, EASE_COASTING_S = 1.0, 0.4
"""Brakes let go no longer than this; or this, twice what a rim takes to pick up, while no wheel
can be trusted: slip is then as uncertain as the speed."""
SLACK_MPS = 0.1
"""How far the ramp runs ahead of a rover that the ground does not let keep up."""


class GentleStop:
    """Brake wish of a stop, 0..1, the same for all four wheels."""

    def __init__(self, config: Config, per_mps2: float) -> None:
        self._decel = config.limits.stop_decel_mps2
        self._lag_s = config.brakes.lag_s
        self._per_mps2 = per_mps2
        self.start(0.0)

    def start(self, speed_mps: float) -> None:
        """Begin a stop from ``speed_mps``."""
        self.way = 1.0 if speed_mps >= 0.0 else -1.0
        self._ramp_mps = abs(speed_mps)
        self._left_s = PATIENCE_S + SLOWER * abs(speed_mps) / self._decel
        self._integral = 0.0
        self._ceiling = 1.0
        self._acting = 0.0  # the brakes themselves, which lag the wish
        self._slipping = False
        self._eased_s = 0.0
        self._imagined_mps = 0.0
        self._doubt_s = 0.0

    @property
    def over(self) -> bool:
        """Whether the ramp has come down to zero."""
        return self._ramp_mps <= 0.0

    def step(
        self, estimate: Estimate, *, blind: bool, broken: frozenset[int], dt_s: float
    ) -> float:
        """Brake wish now. ``blind``: no sensor tells motion; ``broken``: wheels whose encoder is,
        which look locked and say nothing."""
        way = self.way
        pull_mps2 = -way * GRAVITY_MPS2 * math.sin(estimate.grade_rad)  # of gravity, ahead
        self._ramp_mps = max(0.0, self._ramp_mps - self._decel * dt_s)
        self._left_s -= dt_s
        if blind:  # nobody tells how it slows down: the brake that should do it on the level
            return max(0.0, self._per_mps2 * self._decel)
        slips = sorted(way * s for i, s in enumerate(estimate.slip_mps) if i not in broken)
        # No braked wheel runs faster than the ground; of one alone that may be noise.
        low = max([0.0, *slips[-2:-1]])
        speed = max(0.0, way * estimate.speed_mps + low)
        slip = max([0.0, *(low - s for s in slips[:1])])
        if not self._slipping:  # of one wheel alone half may be noise; an axle or a side is two
            slip = max([0.5 * slip, *(low - s for s in slips[1:2])])
        most = self._most(slip, speed, pull_mps2, estimate.coasting, dt_s)
        wish = self._wish(speed, pull_mps2, most, dt_s)
        level = max(0.0, min(1.0, wish, most), min(1.0, -OVERDUE_PER_S * self._left_s))
        self._acting += (level - self._acting) * min(1.0, dt_s / max(self._lag_s, dt_s, 1e-9))
        return level

    def _wish(self, speed: float, pull_mps2: float, most: float, dt_s: float) -> float:
        """Brake that keeps the speed on the ramp."""
        gain = self._per_mps2 * GAIN_PER_S
        error = speed - self._ramp_mps
        wish = self._per_mps2 * (self._decel + pull_mps2) + gain * error + self._integral
        if wish > most:  # the ground does not give it: the ramp waits, so that nothing piles up
            self._ramp_mps = max(self._ramp_mps, speed - SLACK_MPS)
        else:
            self._integral = max(0.0, min(1.0, self._integral + 2.0 * gain * error * dt_s))
        return wish

    def _most(
        self, slip: float, speed: float, pull_mps2: float, coasting: bool, dt_s: float
    ) -> float:
        """Brake that the ground takes, as far as slip tells."""
        allowed = max(SLIPS_MPS, SLIPS_SHARE * speed)
        excess = slip - self._imagined_mps
        slips = excess > (0.5 * allowed if self._slipping else allowed) and speed > WALK_MPS
        self._doubt_s -= dt_s
        if self._doubt_s <= 0.0:
            self._imagined_mps = 0.0
        if not slips:
            self._eased_s = max(0.0, self._eased_s - dt_s)
        elif self._eased_s > (EASE_COASTING_S if coasting else EASE_MOST_S):
            self._imagined_mps, self._doubt_s, self._eased_s = slip, self._eased_s, 0.0
            slips = False
            if not coasting:  # other wheels tell the speed: this one has none to lose, they have
                self._ceiling = 1.0
        else:
            self._eased_s += dt_s
        if slips and not self._slipping:
            least = self._per_mps2 * (LEAST_MPS2 + max(0.0, pull_mps2))
            self._ceiling = max(least, min(self._ceiling, BELOW * self._acting))
        self._slipping = slips
        if slips:
            deep = (excess - allowed) / (LOCKS_SHARE * max(speed, SLIPS_MPS))
            return self._ceiling * WHILE_SLIPPING * (1.0 - max(0.0, min(1.0, deep)))
        self._ceiling = min(1.0, self._ceiling + self._per_mps2 * RISE_MPS3 * dt_s)
        return self._ceiling
