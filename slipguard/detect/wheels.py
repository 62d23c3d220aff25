"""Spin and lock of single wheels, from excess travel and slip speed."""

from __future__ import annotations

from collections.abc import Sequence

from slipguard.detect.found import SLIP, Found
from slipguard.estimate import Estimate
from slipguard.settings import Spin

OPPOSED_RIM_MPS = 0.08  # from which a rim surely turns
NOTHING, SPIN, LOCK = 0, 1, 2
"""What ``SlipRule.kind`` may be: the codes of what is found of a wheel."""


class SlipRule:
    """When one wheel spins or locks. Its state is numbers, so that tuning runs it compiled.

    Attributes
    ----------
    kind : int
        ``NOTHING``, ``SPIN`` or ``LOCK``.
    since_s : float
        Time it began.
    ends_below_mps : float
        Slip speed below which it may be over.
    """

    def __init__(self, spin: Spin) -> None:
        self._slip_mps = float(spin.slip_speed_mps)
        self.ends_below_mps = 0.5 * self._slip_mps
        self._slip_sd = float(spin.slip_sd)
        self._spin_ratio = float(spin.slip_ratio)
        self._lock_ratio = float(spin.lock_ratio)
        self._excess_m = spin.excess_travel_mm * 1e-3
        self._excess_sd = float(spin.excess_sd)
        self._clear_ms = float(spin.clear_ms)
        self._clear_s = 0.0
        self.kind = NOTHING
        self.since_s = 0.0

    def step(
        self,
        t_s: float,
        dt_s: float,
        slip_mps: float,
        slip_sd_mps: float,
        ratio: float,
        excess_m: float,
        excess_sd_m: float,
        opposed: bool,
        may_lock: bool,
    ) -> None:
        """Take what is estimated of the wheel, as in ``Estimate``.

        ``opposed``: see there. ``may_lock``: whether anything could hold the wheel back.
        """
        slip = abs(slip_mps)
        if self.kind == LOCK and opposed:
            self._start(SPIN, t_s)  # it is driven against its travel now
        if self.kind != NOTHING:
            # One quiet sample is not the end: a count may simply not have come yet.
            wrong_way = ratio < 0.0 if self.kind == SPIN else ratio > 0.0
            over = slip < self.ends_below_mps or wrong_way
            self._clear_s = self._clear_s + dt_s if over else 0.0
            if self._clear_s * 1e3 >= self._clear_ms:
                self.kind = NOTHING
            return
        limit_m = self._excess_m + self._excess_sd * excess_sd_m
        sure = slip - self._slip_sd * slip_sd_mps
        if abs(excess_m) <= limit_m or sure <= self._slip_mps:
            return
        if excess_m * slip_mps <= 0.0:
            return
        if ratio >= self._spin_ratio or (opposed and slip > self._slip_mps):
            self._start(SPIN, t_s)
        elif -ratio >= self._lock_ratio and may_lock:
            self._start(LOCK, t_s)

    def spins_on(self, ratio: float) -> bool:
        """Whether more steps with a ratio of this sign would change nothing, until one slips less
        than ``ends_below_mps``."""
        lasts = self._clear_s == 0.0 and self._clear_ms > 0.0
        return self.kind == SPIN and lasts and ratio >= 0.0

    def _start(self, kind: int, t_s: float) -> None:
        self.kind, self.since_s, self._clear_s = kind, t_s, 0.0


class CountedWay:
    """Which way the rim of a wheel last turned, by its encoder."""

    def __init__(self) -> None:
        self._travel_m = 0.0
        self._way = 0

    def step(self, travel_m: float) -> None:
        """Take the travel of the rim so far."""
        step = travel_m - self._travel_m
        if step != 0.0:
            self._travel_m += step
            self._way = 1 if step > 0.0 else -1

    def opposed(self, rim_mps: float, slip_mps: float) -> bool:
        """Rim turning one way while the ground goes the other: driven, so it spins."""
        turns = abs(rim_mps) > OPPOSED_RIM_MPS and rim_mps * self._way > 0.0
        return turns and rim_mps * (rim_mps - slip_mps) < 0.0


class WheelSlip:
    """The rule for each wheel."""

    def __init__(self, spin: Spin) -> None:
        self._limit_mps = float(spin.slip_speed_mps)
        self._rules = [SlipRule(spin) for _ in range(4)]
        self._ways = [CountedWay() for _ in range(4)]

    def step(
        self,
        estimate: Estimate,
        dt_s: float,
        may_lock: Sequence[bool],
        broken: Sequence[bool],
        found: Found,
    ) -> None:
        """Find what is true now.

        ``may_lock`` (4,): whether anything could hold that wheel back. ``broken`` (4,): wheels
        whose encoder is, of which nothing is told.
        """
        for i in range(4):
            rule, way = self._rules[i], self._ways[i]
            way.step(estimate.wheel_travel_m[i])
            excess_m = estimate.excess_travel_m[i]
            found.code[SLIP + i] = NOTHING
            if rule.kind == NOTHING and excess_m == 0.0:
                continue  # most wheels, most of the time
            slip_mps = estimate.slip_mps[i]
            rule.step(
                estimate.t_s,
                dt_s,
                slip_mps,
                estimate.slip_sd_mps[i],
                estimate.slip_ratio[i],
                excess_m,
                estimate.excess_sd_m[i],
                way.opposed(estimate.wheel_speed_mps[i], slip_mps),
                may_lock[i],
            )
            if not broken[i]:
                found.put(SLIP + i, rule.kind, rule.since_s, abs(slip_mps), self._limit_mps)
