"""The stop the guard makes by itself: gentle, straight, and no wheel locked.

It follows a ramp of ``limits.stop_decel_mps2`` as long as the ground gives that. Where it gives
less, a wheel begins to slip, and the brake that acted on it then says what the ground takes there:
from there on its brake stays below that ceiling, lets go in proportion while the wheel still slips,
and tries a little more as time goes by. So each wheel's ceiling follows the ground under it, down
at once and up slowly, and wheels that stand on good ground brake for those that do not: as much as
the rover's course allows, for brakes of one side turn it.

Slip can be imagined: by a broken sensor, or a speed that is wrong. The brakes must not stay off
for that. So slip is measured from the fastest wheels if those outrun the believed speed; what slip
a brake let go does not end is taken for imagined, and only more than that counts for a while; a
ceiling never sinks below what a slow stop needs; and a stop that lasts much longer than it should
ends on full brakes, locked or not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.settings import GRAVITY_MPS2

GAIN_PER_S = 6.0  # of brake for a speed that lies above the ramp
SLIPS_SHARE, SLIPS_MPS = 0.15, 0.12
"""A wheel slips from this share of the speed on, and no less than this: above a hard braked tyre's
creep, and above the steps of a coarse encoder."""
ALONE = 0.5
"""Share of the slip that counts when no other wheel slips: the rest may be noise."""
LOCKS_SHARE = 0.5
"""A brake is off when its wheel is slower than the ground by this share of the speed more."""
WHILE_SLIPPING = 0.5
"""Share of the ceiling that is left as soon as a wheel slips, so that it picks up again."""
BELOW = 0.8
"""Ceiling over the brake that acted when slip was seen: that is later than when it began."""
RISE_MPS3 = 0.4
"""How fast a ceiling rises, as deceleration per second."""
WALK_MPS = 0.1
"""Slower than this nothing is eased: a wheel that locks here slides a centimetre."""
SLOWER, PATIENCE_S = 2.0, 1.0
"""A stop so many times longer than asked, and this, no longer believes in slip."""
OVERDUE_PER_S = 0.3
"""From then on the brakes go on at this rate, whatever speed and grade are believed."""
LEAST_MPS2 = 0.3
"""A ceiling leaves at least this much deceleration."""
EASE_MOST_S, EASE_COASTING_S = 1.0, 0.4
"""A brake lets go no longer than this; or this, twice what a rim takes to pick up, while no wheel
can be trusted: slip is then as uncertain as the speed."""
SLACK_MPS = 0.1
"""How far the ramp runs ahead of a rover that the ground does not let keep up."""
TURNS_RADPS = 0.4
"""At this much turning off its course the better side brakes no harder than the other."""
SLOW_MPS = 0.3
"""Below this a turn rate is no longer told from a curve."""


class Grip:
    """What the ground takes of one wheel's brake, as far as the wheel's slip tells."""

    def __init__(self, per_mps2: float, lag_s: float) -> None:
        self._per_mps2 = per_mps2
        self._lag_s = lag_s
        self.begin()

    def begin(self) -> None:
        """A new stop, in which nothing is known of the ground."""
        self.slipping = False
        self._ceiling = 1.0
        self._acting = 0.0  # the brake itself, which lags the wish
        self._eased_s = 0.0
        self._imagined_mps = 0.0
        self._doubt_s = 0.0

    def press(self, level: float, dt_s: float) -> None:
        """Take note of the brake wished."""
        self._acting += (level - self._acting) * min(1.0, dt_s / max(self._lag_s, dt_s, 1e-9))

    def most(
        self, slip_mps: float, speed_mps: float, least: float, coasting: bool, dt_s: float
    ) -> float:
        """Most brake, 0..1, for a wheel ``slip_mps`` slower than the ground; a new ceiling is at
        least ``least``."""
        allowed = max(SLIPS_MPS, SLIPS_SHARE * speed_mps)
        excess = slip_mps - self._imagined_mps
        slips = excess > (0.5 * allowed if self.slipping else allowed) and speed_mps > WALK_MPS
        self._doubt_s -= dt_s
        if self._doubt_s <= 0.0:
            self._imagined_mps = 0.0
        if not slips:
            self._eased_s = max(0.0, self._eased_s - dt_s)
        elif self._eased_s > (EASE_COASTING_S if coasting else EASE_MOST_S):
            self._imagined_mps, self._doubt_s, self._eased_s = slip_mps, self._eased_s, 0.0
            slips = False
            if not coasting:  # other wheels tell the speed: this one has none to lose, they have
                self._ceiling = 1.0
        else:
            self._eased_s += dt_s
        if slips and not self.slipping:
            self._ceiling = max(least, min(self._ceiling, BELOW * self._acting))
        self.slipping = slips
        if slips:
            deep = (excess - allowed) / (LOCKS_SHARE * max(speed_mps, SLIPS_MPS))
            return self._ceiling * WHILE_SLIPPING * (1.0 - max(0.0, min(1.0, deep)))
        self._ceiling = min(1.0, self._ceiling + self._per_mps2 * RISE_MPS3 * dt_s)
        return self._ceiling


class GentleStop:
    """Brake wish of a stop for each wheel, 0..1: ``levels`` (4,)."""

    def __init__(self, config: Config, per_mps2: float) -> None:
        self._decel = float(config.limits.stop_decel_mps2)
        self._per_mps2 = per_mps2
        self._grips = [Grip(per_mps2, float(config.brakes.lag_s)) for _ in range(4)]
        self.levels = [0.0] * 4
        self.start(0.0, 0.0)

    def start(self, speed_mps: float, yaw_rate_radps: float) -> None:
        """Begin a stop from ``speed_mps``, on the curve that ``yaw_rate_radps`` makes of it."""
        self.way = 1.0 if speed_mps >= 0.0 else -1.0
        self._curve_radpm = yaw_rate_radps / max(abs(speed_mps), SLOW_MPS)
        self._ramp_mps = abs(speed_mps)
        self._left_s = PATIENCE_S + SLOWER * abs(speed_mps) / self._decel
        self._integral = 0.0
        for grip in self._grips:
            grip.begin()

    @property
    def over(self) -> bool:
        """Whether the ramp has come down to zero."""
        return self._ramp_mps <= 0.0

    def step(self, estimate: Estimate, blind: bool, broken: Sequence[bool], dt_s: float) -> None:
        """Brake. ``blind``: no sensor tells motion; ``broken`` (4,): wheels whose encoder is, which
        look locked and say nothing."""
        way, levels = self.way, self.levels
        pull_mps2 = -way * GRAVITY_MPS2 * math.sin(estimate.grade_rad)  # of gravity, ahead
        self._ramp_mps = max(0.0, self._ramp_mps - self._decel * dt_s)
        self._left_s -= dt_s
        if blind:  # nobody tells how it slows down: the brake that should do it on the level
            for i in range(4):
                levels[i] = max(0.0, self._per_mps2 * self._decel)
            return
        slips = estimate.slip_mps
        # No braked wheel runs faster than the ground; of one alone that may be noise.
        low = max(0.0, second_most(way, slips, broken))
        speed = max(0.0, way * estimate.speed_mps + low)
        second = max(0.0, low + second_most(-way, slips, broken))
        least = self._per_mps2 * (LEAST_MPS2 + max(0.0, pull_mps2))
        for i, grip in enumerate(self._grips):
            levels[i] = 1.0
            if not broken[i]:
                slip = max(0.0, low - way * slips[i])
                if not grip.slipping:
                    slip = max(ALONE * slip, min(slip, second))
                levels[i] = grip.most(slip, speed, least, estimate.coasting, dt_s)
        lowest = min(levels[0], levels[1], levels[2], levels[3])
        for i in range(4):  # a broken one may lock unseen: no more than where that shows
            if broken[i]:
                levels[i] = lowest
        most = max(levels[0], levels[1], levels[2], levels[3])
        wish = self._wish(speed, pull_mps2, most, dt_s)
        for i in range(4):
            levels[i] = max(0.0, min(1.0, wish, levels[i]))
        off = way * (estimate.yaw_rate_radps - self._curve_radpm * speed)
        self._straighten(0, 1, off)
        self._straighten(2, 3, off)
        overdue = min(1.0, -OVERDUE_PER_S * self._left_s)
        for i, grip in enumerate(self._grips):
            levels[i] = max(levels[i], overdue)
            grip.press(levels[i], dt_s)

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

    def _straighten(self, left: int, right: int, off_radps: float) -> None:
        """The better side's brake of an axle eased, as far as it turns the rover off its course."""
        levels = self.levels
        share = max(0.0, 1.0 - abs(off_radps) / TURNS_RADPS)
        hard, across = (left, right) if off_radps > 0.0 else (right, left)
        if levels[hard] > levels[across]:
            levels[hard] = levels[across] + share * (levels[hard] - levels[across])


def second_most(way: float, values: Sequence[float], broken: Sequence[bool]) -> float:
    """The second largest of ``way`` times four values, broken wheels' left out; or -inf."""
    most = second = -math.inf
    for i in range(4):
        if not broken[i]:
            value = way * values[i]
            second = max(second, min(most, value))
            most = max(most, value)
    return second
