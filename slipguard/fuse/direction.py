"""Which way wheels turn whose encoders do not know it: one channel counts up either way.

A wheel goes on the way it turned, since it cannot turn round between two counts unless it is slow.
Where it is slow it turns as the ground goes, or as it is driven. That may be taken wrongly, and
then its counts say so: mirrored, it turns just as the ground goes; or it turns where neither ground
nor motor turns it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.config import Config
from slipguard.frame import Frame
from slipguard.fuse.body import Body
from slipguard.fuse.model import P0
from slipguard.fuse.wheel_track import WheelTrack

TURN_ROUND_MPS2 = 5.0  # how hard a wheel may change its speed as it turns round
ALONG = 2.0  # times the ground's speed, below which a rim is taken to turn as the ground goes
STOOD_S = 0.15  # without a count: it stood
EDGE_SD = 2.0  # of the rim's place in its count, to be sure of the edge it is at
DRIVE_LINGER_S = 0.3  # a rim goes on so long after the motor turned it
NEAR_MPS = 0.06  # besides what is not known of the ground, a rim so near its speed goes with it,
ALONG_S = 0.06  # after so long at the least, or as long as passing by takes
PASS_MPS2 = 4.0  # a rim that changes its speed so fast passes the ground's, and does not grip
CARRIED = 1.5  # times the ground's speed, above which no ground turns a rim


class Direction:
    """Signs for the counts of four wheels."""

    def __init__(self, config: Config) -> None:
        self._count_m = config.count_m
        self._neutral = config.limits.throttle_dead_band
        # Faster than this it cannot turn round between two counts, whatever is believed.
        self._turns_mps = math.sqrt(2.0 * TURN_ROUND_MPS2 * config.count_m)
        self._driven_s = [DRIVE_LINGER_S, DRIVE_LINGER_S]  # left, for ahead and behind
        self._along_s = [0.0] * 4  # for which each rim, mirrored, turns as the ground goes

    def watch(self, frame: Frame) -> None:
        """Note which way the motor drives."""
        unknown = math.isnan(frame.drive)
        for way in range(2):
            drive = -frame.drive if way else frame.drive
            left_s = max(0.0, self._driven_s[way] - frame.dt_s)
            self._driven_s[way] = DRIVE_LINGER_S if unknown or drive > self._neutral else left_s

    def signed(
        self,
        i: int,
        step: float,
        wheel: WheelTrack,
        body: Body,
        ahead: bool,
        behind: bool,
        braked: bool,
    ) -> float:
        """Counts of wheel i with their sign. ``ahead``, ``behind``: whether it may slip so;
        ``braked``: whether a brake may hold it."""
        hub = body.hub_mps[i]
        sure_mps = body.sure_way_mps
        keeps_on = abs(wheel.rim_mps) > self._turns_mps
        # Where the rover itself has only begun to move, one that turns as slowly rolls along, and
        # so does one that stood until its brake gives way.
        held = braked and wheel.still_s > STOOD_S
        slow = sure_mps < abs(hub) and (abs(hub) < self._turns_mps or held)
        along = slow and abs(wheel.rim_mps) < ALONG * abs(hub)
        speed = hub if not keeps_on and (wheel.gripping or along) else wheel.rim_mps
        if not keeps_on and abs(speed) < sure_mps:
            # As good as standing: it turns the way it is driven, if it is driven any one way.
            if ahead != behind:
                speed = 1.0 if ahead else -1.0
            if wheel.gripping and self._turned_at_edge(i, speed, wheel, body):
                speed = -speed
        return -step if speed < 0.0 else step

    def _turned_at_edge(self, i: int, way: float, wheel: WheelTrack, body: Body) -> bool:
        """Whether wheel i is known to stand nearer to the edge behind it than to the one ahead,
        ``way`` being ahead: it turned round there, and the same edge is passed again."""
        in_box_m = float(body.engine.x[P0 + i]) - body.late_m[i] - wheel.travel_m
        behind_m = in_box_m if way > 0.0 else self._count_m - in_box_m
        sd_m = math.sqrt(max(0.0, float(body.engine.P[P0 + i, P0 + i])))
        return behind_m + EDGE_SD * sd_m < 0.5 * self._count_m

    def turn_over(self, i: int, wheel: WheelTrack, body: Body, age_s: float) -> None:
        """Take a wheel that slips to turn the other way, where that is what it does.

        Mirrored it turns as the ground goes, and goes on so; or nothing turns it as it was taken
        to: the motor does not drive it so, and the ground goes slower.
        """
        rim, hub = wheel.rim_mps, body.seen_hub_mps(i)
        near_mps = NEAR_MPS + math.sqrt(body.speed_var)
        along = abs(rim + hub) < near_mps and abs(rim - hub) > 2.0 * near_mps
        self._along_s[i] = self._along_s[i] + age_s if along else 0.0
        carried_mps = max(0.0, hub if rim > 0.0 else -hub)
        unmoved = self._driven_s[0 if rim > 0.0 else 1] == 0.0
        unmoved = unmoved and abs(rim) > CARRIED * carried_mps + 2.0 * near_mps
        if unmoved or self._along_s[i] >= max(ALONG_S, 2.0 * near_mps / PASS_MPS2):
            wheel.rim_mps = -rim
            self._along_s[i] = 0.0

    def mirrored(self, slips: Sequence[float], speed_mps: float) -> bool:
        """Whether all of it goes the other way than was believed.

        ``slips`` (4,): of wheels that all grip. Rims that seem to speed up against the motor, and
        the accelerometer does not feel it, speed up with the motor.
        """
        against = self._driven_s[1 if speed_mps > 0.0 else 0] > 0.0
        with_it = self._driven_s[0 if speed_mps > 0.0 else 1] > 0.0
        for slip in slips:
            if slip * speed_mps < 0.0:
                return False
        return against and not with_it
