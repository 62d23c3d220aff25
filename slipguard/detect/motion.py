"""Motion nobody asked for: rolling away, rolling back, sliding on stopped wheels."""

from __future__ import annotations

from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.settings import Rolling

STILL_RIM_MPS = 0.03
SLIDING_MPS = 0.1
CREPT_M = 0.006
KNOWN_SD_MPS = 0.05
START_MPS = 0.1


class UnaskedMotion:
    """Judges travel against what the driver asks for.

    With no drive asked, motion counts once the rover has been at rest, has turned round, or has
    slowed down until it could not be told from rest: coasting on after the driver lets go does
    not. With drive asked, motion against it counts once the rover has stopped or gone the asked
    way since, so that slowing down before reversing does not.
    """

    def __init__(self, rolling: Rolling, count_m: float, inferred_direction: bool) -> None:
        self._rolling = rolling
        self._count_m = count_m
        self._inferred = inferred_direction
        self._asked: int | None = None
        self._armed = {+1: False, -1: False}
        self._fresh = True
        self._origin_m = 0.0
        self._counts_at_origin: tuple[float, ...] = (0.0,) * 4
        self._since: float | None = None
        self._way = 0
        self._sliding_since: float | None = None

    def step(self, estimate: Estimate, asked: int | None) -> list[Finding]:
        """``asked``: direction the driver asks for, +1, 0 (none) or -1; None: unknown."""
        found = []
        rolling = self._watch_rolling(estimate, asked)
        if rolling is not None:
            found.append(rolling)
        sliding = self._watch_sliding(estimate)
        if sliding is not None:
            found.append(sliding)
        return found

    def _watch_rolling(self, estimate: Estimate, asked: int | None) -> Finding | None:
        if asked != self._asked:
            self._command_changed(estimate, asked)
        if asked is None:
            self._since = None
            return None
        v, sd = estimate.speed_mps, estimate.speed_sd_mps
        if self._fresh and sd < KNOWN_SD_MPS:
            self._fresh = False
            if abs(v) < START_MPS:  # it stood, more or less, when the guard came
                self._armed = {+1: True, -1: True}
        if estimate.at_rest:
            self._armed = {+1: True, -1: True}
            self._set_origin(estimate)
            self._since = None
            return None
        fast = self._rolling.speed_mps + self._rolling.speed_sd * sd
        way = 1 if v > 0 else -1
        if abs(v) > fast:
            self._armed[-way] = True  # turning round from here on would be rolling
        if self._since is not None:
            if abs(v) < self._rolling.speed_mps or way != self._way:
                self._since = None
                self._set_origin(estimate)
            else:
                return self._finding(estimate)
        if way == asked or (asked == 0 and not self._armed[way]):
            self._set_origin(estimate)
            # Run out, as far as anyone can tell: what speeds up from here on rolls away.
            self._armed[way] = asked == 0 and abs(v) < fast and sd < KNOWN_SD_MPS
            return None
        if not self._armed[way]:
            return None
        travel = (estimate.distance_m - self._origin_m) * way
        if travel < 0.0:  # the furthest point against which to measure
            self._set_origin(estimate)
            return None
        counted = sum(
            (now - then) * way > 0.0
            for now, then in zip(estimate.wheel_travel_m, self._counts_at_origin, strict=True)
        )
        moved = travel > self._rolling.travel_mm * 1e-3 and abs(v) > fast and counted >= 2
        # Too slow for its speed to be sure, but not for its travel.
        bar_m = max(CREPT_M, 1.5 * self._count_m, self._rolling.travel_mm * 1e-3)
        crept = travel > bar_m and counted >= 3
        if moved or crept:
            self._since, self._way = estimate.t_s, way
            return self._finding(estimate)
        return None

    def _command_changed(self, estimate: Estimate, asked: int | None) -> None:
        """Motion that was asked for until now is coasting; motion that was not goes on rolling."""
        way = 1 if estimate.speed_mps > 0 else -1
        unasked = self._armed[way] and self._asked != way
        self._asked = asked
        rested = estimate.at_rest
        # Going the other way later means having turned round: nobody coasts into that. While the
        # speed is not known yet, no way is the other one.
        self._armed = {way: rested or unasked, -way: not self._fresh}
        if self._since is not None and asked == self._way:
            self._since = None
        if self._since is None and not unasked:
            self._set_origin(estimate)

    def _set_origin(self, estimate: Estimate) -> None:
        self._origin_m = estimate.distance_m
        self._counts_at_origin = estimate.wheel_travel_m

    def _finding(self, estimate: Estimate) -> Finding:
        way = "forward" if self._way > 0 else "backward"
        against = "against the command" if self._asked else "without a command"
        known = ", direction inferred from grade and command" if self._inferred else ""
        assert self._since is not None
        return Finding(
            kind="rolling",
            wheel=None,
            since_s=self._since,
            value=abs(estimate.distance_m - self._origin_m) * 1e3,
            threshold=self._rolling.travel_mm,
            unit="mm",
            detail=f"moves {way} {against}{known}",
        )

    def _watch_sliding(self, estimate: Estimate) -> Finding | None:
        limit = SLIDING_MPS + 3.0 * estimate.speed_sd_mps
        fast = estimate.coasting and abs(estimate.speed_mps) >= limit
        if not fast or any(abs(rim) >= STILL_RIM_MPS for rim in estimate.wheel_speed_mps):
            self._sliding_since = None
            return None
        if self._sliding_since is None:
            self._sliding_since = estimate.t_s
        return Finding(
            kind="sliding",
            wheel=None,
            since_s=self._sliding_since,
            value=abs(estimate.speed_mps),
            threshold=limit,
            unit="m/s",
            detail="moves on stopped wheels",
        )
