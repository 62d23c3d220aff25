"""From a requested throttle to what a hobby speed controller may be asked for now.

Hobby speed controllers with reverse ask for a ceremony before they turn backwards (common
practice, no source): the first pull behind neutral only brakes; after a moment at neutral the
second pull is reverse. Forward needs none. And they arm only after a while at neutral.

This is that ceremony as a table of states:

| state | puts out | leaves for |
|---|---|---|
| ARMING | neutral | FORWARD, after ``arm_s`` of neutral requests |
| LOCKED | neutral | FORWARD, when the request is neutral: after a safe state or a silence |
| FORWARD | the request, if ahead | BRAKE, when reverse is requested |
| BRAKE | ``tap_level`` backwards | NEUTRAL, after ``tap_s`` and when nearly at rest |
| NEUTRAL | neutral | REVERSE, after ``neutral_s`` |
| REVERSE | the request, if backwards | FORWARD, when forward is requested |

From BRAKE and NEUTRAL a request that is no longer backwards leads back to FORWARD.
Controllers without the ceremony go from FORWARD to REVERSE directly.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

LONGEST_SILENCE_S = 0.5
"""After a longer gap between decisions the operator must let go of the throttle first."""


class Gear(StrEnum):
    """Where the ceremony stands."""

    ARMING = "arming"
    LOCKED = "locked"
    FORWARD = "forward"
    BRAKE = "brake"
    NEUTRAL = "neutral"
    REVERSE = "reverse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceremony:
    """How long each part takes, seconds, and how hard the tap is, 0..1."""

    arm_s: float
    double_tap: bool
    tap_s: float
    tap_level: float
    neutral_s: float
    rest_mps: float


@dataclass(frozen=True, slots=True)
class _Ask:
    """One request: -1, 0 or +1 for its direction, time in the present gear, speed."""

    way: int
    time_s: float
    at_rest: bool


class Gearbox:
    """Keeps the state; ``step`` gives what may go out."""

    def __init__(self, ceremony: Ceremony) -> None:
        self.gear = Gear.ARMING
        self._ceremony = ceremony
        self._since_s: float | None = None
        self._last_s: float | None = None

    def lock(self) -> None:
        """Neutral until the operator lets go. Arming goes on where it was."""
        if self.gear is not Gear.ARMING:
            self.gear = Gear.LOCKED

    def step(self, request: float, dead_band: float, speed_mps: float, t_s: float) -> float:
        """What may go out now, -1..1.

        Parameters
        ----------
        request : float
            -1..1.
        dead_band : float
            Requests up to this are neutral.
        speed_mps : float
            Ground speed; what is not finite is taken for rest.
        t_s : float
            Time of the decision. Going back, or leaping further than half a second, locks.
        """
        if self._last_s is not None and not 0.0 <= t_s - self._last_s <= LONGEST_SILENCE_S:
            self._since_s = t_s  # an arming that was interrupted begins again
            self.lock()
        self._last_s = t_s
        if self._since_s is None:
            self._since_s = t_s
        way = 0 if abs(request) <= dead_band else int(math.copysign(1, request))
        moving = math.isfinite(speed_mps) and abs(speed_mps) > self._ceremony.rest_mps
        before = self.gear
        _NEXT[before](self, _Ask(way, t_s - self._since_s, not moving))
        if self.gear is not before:
            self._since_s = t_s
        if self.gear is Gear.FORWARD:
            return max(request, 0.0) if way > 0 else 0.0
        if self.gear is Gear.REVERSE:
            return min(request, 0.0) if way < 0 else 0.0
        return -self._ceremony.tap_level if self.gear is Gear.BRAKE else 0.0

    # -- the table ------------------------------------------------------------------------

    def _from_arming(self, ask: _Ask) -> None:
        if ask.way != 0:
            self._since_s = self._last_s  # only an unbroken neutral counts
        elif ask.time_s >= self._ceremony.arm_s:
            self.gear = Gear.FORWARD

    def _from_locked(self, ask: _Ask) -> None:
        if ask.way == 0:
            self.gear = Gear.FORWARD

    def _from_forward(self, ask: _Ask) -> None:
        if ask.way < 0:
            self.gear = Gear.BRAKE if self._ceremony.double_tap else Gear.REVERSE

    def _from_brake(self, ask: _Ask) -> None:
        if ask.way >= 0:
            self.gear = Gear.FORWARD
        elif ask.time_s >= self._ceremony.tap_s and ask.at_rest:
            self.gear = Gear.NEUTRAL

    def _from_neutral(self, ask: _Ask) -> None:
        if ask.way >= 0:
            self.gear = Gear.FORWARD
        elif ask.time_s >= self._ceremony.neutral_s:
            self.gear = Gear.REVERSE

    def _from_reverse(self, ask: _Ask) -> None:
        if ask.way > 0:
            self.gear = Gear.FORWARD


_NEXT: dict[Gear, Callable[[Gearbox, _Ask], None]] = {
    Gear.ARMING: Gearbox._from_arming,
    Gear.LOCKED: Gearbox._from_locked,
    Gear.FORWARD: Gearbox._from_forward,
    Gear.BRAKE: Gearbox._from_brake,
    Gear.NEUTRAL: Gearbox._from_neutral,
    Gear.REVERSE: Gearbox._from_reverse,
}
