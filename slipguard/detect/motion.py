"""Motion nobody asked for: rolling away, rolling back, sliding on stopped wheels."""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.detect.found import ROLLING, SLIDING, Found
from slipguard.estimate import Estimate
from slipguard.settings import Rolling

STILL_RIM_MPS = 0.03  # below which a rim stands
UNCOUNTED_MPS = 0.05
"""So much faster than it may stand it must be, where no count says that it moves."""
SLIDING_MPS, SLIDING_SD = 0.1, 3.0  # of the speed, on wheels that stand
SLIDES_S = 0.05
"""Wheels that turn round on ice stand for less."""
SLOW_M = 0.006
"""So far it must have moved where its speed is not sure."""
CREEP_M = 0.009
"""So far a rover that stands must have crept, by the mean of its rims: knocks shift it by less."""
KNOWN_SD_MPS = 0.05  # below which the speed is known well enough to say that it is none
START_MPS, START_MPS2, MOST_START_S = 0.1, 1.0, 0.5
"""Speed, and more of it for the time since, of a rover that stood as the guard came."""
CREEP_S = 0.3
"""A creep is said for so long, since rest may set in again with the very next step."""
GAINED_MPS = 0.15
"""So much faster than it was since the driver let go, it is no longer coasting: it runs away."""
RUN_ON_S = 0.3
"""So long after that motor and rims drive on."""
ALONG_M, ALONG_COUNTS = 0.02, 2.0
"""So far three wheels may be ahead of the ground since then: more, and they drive it."""
UNKNOWN = 9
"""Instead of a direction asked for: no command was ever given."""
ROLLS, FORWARD, AGAINST = 1, 1, 2
"""Code of rolling; added to it: it goes forward; it goes against a command."""


class RollingRule:
    """Judges travel against what the driver asks for. Numbers only: tuning runs it compiled.

    With no drive asked, motion counts once the rover has been at rest, has turned round, has slowed
    down until it could not be told from rest, or gains speed with its wheels: coasting on after the
    driver lets go does not. With drive asked, motion against it counts once the rover has stopped
    or gone the asked way since, so that slowing down before reversing does not.

    A brake that holds too weakly lets the rover creep from count to count, and rest is believed
    between two of them. So where it came to rest is kept, and counts away from there add up, if
    they are ``directed``: counts that go there and back, unlike measured speeds and one channel.

    Attributes
    ----------
    on : bool
        Whether it rolls.
    since_s : float
        Time it began to.
    way : int
        Its direction: 1 forward, -1 backward.
    asked : int
        What the driver asks for: 1, 0 (no drive), -1, or ``UNKNOWN``.
    origin_m : float
        Distance from which on it rolled.
    crept_m : float
        How far it crept, the last time it did.
    ends_below_mps : float
        Speed below which it rolls no more.
    """

    def __init__(self, rolling: Rolling, count_m: float, directed: bool) -> None:
        self.ends_below_mps = float(rolling.speed_mps)
        self._speed_sd = float(rolling.speed_sd)
        self._travel_m = rolling.travel_mm * 1e-3
        self._count_m = count_m
        # Too slow for its speed to be sure, but not for its travel.
        self._creep_m = max(SLOW_M, 1.5 * count_m, self._travel_m)
        # Whether motion that way counts, at [1] forward and at [-1] backward.
        self._armed = [False, False, False]
        self._fresh = True
        self._fresh_s = math.nan  # time of the first step, until the speed is known
        self._resting = False
        self._going = 0  # direction in the last step
        self._counts_at_origin = [0.0] * 4
        self._let_go_s = -math.inf  # when drive was last withdrawn
        self._slowest_mps = 0.0  # since then
        self._slowest_m = 0.0  # and where that was
        self._counts_at_slowest = [0.0] * 4
        self._directed = directed
        self._stays = False  # nothing but rest, and what interrupted it, since it came to rest at
        self._stays_at = [0.0] * 4
        self._crept_s = -math.inf  # when it last did
        self.crept_m = 0.0
        self.on = False
        self.since_s = 0.0
        self.way = 0
        self.asked = UNKNOWN
        self.origin_m = 0.0

    def step(
        self,
        t_s: float,
        v: float,
        sd: float,
        distance_m: float,
        travel_m: Sequence[float],
        at_rest: bool,
        asked: int,
    ) -> None:
        """Take what is estimated: speed and its standard deviation, distance, travel of rims."""
        self._resting, self._going = at_rest, 1 if v > 0 else -1
        if asked != self.asked:
            self._command_changed(distance_m, travel_m, at_rest, asked)
            self._let_go_s = t_s
        if asked == UNKNOWN:
            self.on = False
            return
        if self._fresh:
            if math.isnan(self._fresh_s):
                self._fresh_s = t_s
            if sd < KNOWN_SD_MPS:
                self._fresh = False
                self._let_go_s = t_s
                since_s = max(0.0, min(t_s - self._fresh_s, MOST_START_S))
                if abs(v) < START_MPS + START_MPS2 * since_s:
                    self._armed[1] = self._armed[-1] = True
        crept = self._crept(travel_m, at_rest)
        if crept != 0:
            self._crept_s = t_s
            if not self.on:
                self.on, self.since_s, self.way = True, t_s, crept
        creeps = self.on and 0.0 <= t_s - self._crept_s < CREEP_S  # time may go back
        self.crept_m = self.crept_m if creeps else 0.0
        if at_rest:
            self._armed[1] = self._armed[-1] = True
            self._set_origin(distance_m, travel_m)
            self.on = creeps
            return
        fast = self.ends_below_mps + self._speed_sd * sd
        way = self._going
        if abs(v) > fast:
            self._armed[-way] = True  # turning round from here on would be rolling
        if creeps:
            return
        if self.on:
            if abs(v) < self.ends_below_mps or way != self.way:
                self.on = False
                self._set_origin(distance_m, travel_m)
            else:
                return
        if way == asked or (asked == 0 and not self._armed[way]):
            self._set_origin(distance_m, travel_m)
            # Run out, as far as anyone can tell: what speeds up from here on rolls away.
            out = abs(v) < fast and sd < KNOWN_SD_MPS
            self._armed[way] = asked == 0 and (out or self._gains(t_s, v, sd, distance_m, travel_m))
            return
        if not self._armed[way]:
            if abs(v) + sd < self.ends_below_mps:  # it has stopped, as far as anyone can tell
                self._armed[way] = True
                self._set_origin(distance_m, travel_m)
            return
        travel = (distance_m - self.origin_m) * way
        if travel < 0.0:  # the furthest point against which to measure
            self._set_origin(distance_m, travel_m)
            return
        if travel <= self._travel_m:
            return
        counted = 0
        for i in range(4):
            if (travel_m[i] - self._counts_at_origin[i]) * way > 0.0:
                counted += 1
        # Within half a count more than one wheel need not have counted yet.
        enough = 2 if travel > 0.5 * self._count_m else 1
        # Tyres that slide on stopped wheels, or on ones driven the other way, count nothing.
        told = counted >= enough or abs(v) > UNCOUNTED_MPS + SLIDING_SD * sd
        moved = abs(v) > fast and told
        crept = travel > self._creep_m and counted >= 3
        if moved or crept:
            self.on, self.since_s, self.way = True, t_s, way

    @property
    def settled(self) -> bool:
        """Whether more steps of the same command, rest and direction, and at rest of the same
        counts, would change nothing but the origin, so that of a stretch of them the last one
        stands for all."""
        if self.on or self._fresh:
            return False
        return self._resting or (self.asked == self._going and bool(self._armed[-self._going]))

    def rolls_on(self, t_s: float) -> bool:
        """Whether more steps of the same command and direction, without rest and later than
        ``t_s``, would change nothing, until one is slower than ``ends_below_mps``."""
        return self.on and self._just_moves(t_s) and bool(self._armed[-self._going])

    def waits(self, t_s: float) -> bool:
        """The same, as long as they are ``short`` of rolling."""
        armed = bool(self._armed[self._going]) and self._going != self.asked
        return not self.on and self._just_moves(t_s) and armed

    def short(self, v: float, distance_m: float) -> bool:
        """Whether it is slower, and has not come as far, as what rolls."""
        slow = abs(v) <= self.ends_below_mps
        return slow and 0.0 <= (distance_m - self.origin_m) * self._going <= self._travel_m

    def _just_moves(self, t_s: float) -> bool:
        """Whether it is past its start, and neither rests nor creeps."""
        creeps = self._stays or not t_s - self._crept_s >= CREEP_S
        return not (self._fresh or self._resting or creeps) and self.asked != UNKNOWN

    def _crept(self, travel_m: Sequence[float], at_rest: bool) -> int:
        """Which way it has crept since it came to rest, 0: neither; and from here anew."""
        if not self._stays or self.asked != 0:
            self._stays = self._directed and at_rest and self.asked == 0
            if self._stays:
                for i in range(4):
                    self._stays_at[i] = travel_m[i]
            return 0
        ahead, behind, sum_m = 0, 0, 0.0
        for i in range(4):
            way_m = travel_m[i] - self._stays_at[i]
            ahead += way_m > self._creep_m
            behind += way_m < -self._creep_m
            sum_m += way_m
        crept_m = 0.25 * abs(sum_m)
        if (ahead < 3 and behind < 3) or crept_m < CREEP_M:
            return 0
        self._stays = False
        self.crept_m = crept_m
        return 1 if ahead > behind else -1

    def _gains(
        self, t_s: float, v: float, sd: float, distance_m: float, travel_m: Sequence[float]
    ) -> bool:
        """Whether it is faster than it was, and neither driver nor rims that run on drive it."""
        runs_on = 0.0 <= t_s - self._let_go_s < RUN_ON_S  # time may go back
        if runs_on or abs(v) <= self._slowest_mps:
            self._slowest_mps = abs(v)
            self._slowest_m = distance_m
            for i in range(4):
                self._counts_at_slowest[i] = travel_m[i]
            return False
        if abs(v) - self._speed_sd * sd < self._slowest_mps + GAINED_MPS:
            return False
        most_m = max(ALONG_M, ALONG_COUNTS * self._count_m)
        along = 0
        for i in range(4):
            ahead_m = travel_m[i] - self._counts_at_slowest[i] - (distance_m - self._slowest_m)
            along += abs(ahead_m) < most_m
        return along >= 3

    def _command_changed(
        self, distance_m: float, travel_m: Sequence[float], at_rest: bool, asked: int
    ) -> None:
        """Motion that was asked for until now is coasting; motion that was not goes on rolling."""
        way = self._going
        unasked = bool(self._armed[way]) and self.asked != way
        self.asked = asked
        # Going the other way later means having turned round: nobody coasts into that. While the
        # speed is not known yet, no way is the other one.
        self._armed[way] = at_rest or unasked
        self._armed[-way] = not self._fresh
        if self.on and asked == self.way:
            self.on = False
        if not self.on and not unasked:
            self._set_origin(distance_m, travel_m)

    def _set_origin(self, distance_m: float, travel_m: Sequence[float]) -> None:
        self.origin_m = distance_m
        for i in range(4):
            self._counts_at_origin[i] = travel_m[i]


class UnaskedMotion:
    """Motion the driver did not ask for: by the rule, and sliding on stopped wheels."""

    def __init__(self, rolling: Rolling, count_m: float, directed: bool) -> None:
        self._limit_mm = float(rolling.travel_mm)
        self._slides_from_s = math.inf
        self._rule = RollingRule(rolling, count_m, directed)

    def step(self, estimate: Estimate, asked: int, found: Found) -> None:
        """Find what is true now; ``asked``: 1, 0, -1, or ``UNKNOWN``."""
        rule = self._rule
        rule.step(
            estimate.t_s,
            estimate.speed_mps,
            estimate.speed_sd_mps,
            estimate.distance_m,
            estimate.wheel_travel_m,
            estimate.at_rest,
            asked,
        )
        code = 0
        if rule.on:
            code = ROLLS + (FORWARD if rule.way > 0 else 0) + (AGAINST if rule.asked else 0)
        rolled_mm = max(abs(estimate.distance_m - rule.origin_m), rule.crept_m) * 1e3
        found.put(ROLLING, code, rule.since_s, rolled_mm, self._limit_mm)
        speed, limit = abs(estimate.speed_mps), SLIDING_MPS + SLIDING_SD * estimate.speed_sd_mps
        rims = estimate.wheel_speed_mps
        fastest = max(abs(rims[0]), abs(rims[1]), abs(rims[2]), abs(rims[3]))
        slides = estimate.coasting and speed >= limit and fastest < STILL_RIM_MPS
        self._slides_from_s = min(self._slides_from_s, estimate.t_s) if slides else math.inf
        lasts = estimate.t_s - self._slides_from_s >= SLIDES_S
        found.watch(SLIDING, lasts, estimate.t_s, speed, limit)
