"""Spin and lock of single wheels, from excess travel and slip speed."""

from __future__ import annotations

from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.reading import WHEELS
from slipguard.settings import Spin

OPPOSED_RIM_MPS = 0.08


class WheelSlip:
    """Remembers, per wheel, what is going on and since when."""

    def __init__(self, spin: Spin) -> None:
        self._spin = spin
        self._kind = [""] * 4
        self._since = [0.0] * 4
        self._clear_s = [0.0] * 4
        self._travel = [0.0] * 4
        self._counted_way = [0] * 4  # direction of the last travel of the rim

    def step(self, estimate: Estimate, dt_s: float, may_lock: tuple[bool, ...]) -> list[Finding]:
        """Findings now. ``may_lock`` (4,): whether anything could hold that wheel back."""
        found = []
        for i, wheel in enumerate(WHEELS):
            step = estimate.wheel_travel_m[i] - self._travel[i]
            if step != 0.0:
                self._travel[i] += step
                self._counted_way[i] = 1 if step > 0.0 else -1
            self._watch(i, estimate, dt_s, may_lock[i])
            kind = self._kind[i]
            if kind == "wheel_spin":
                detail = "rim runs faster than the ground"
            elif kind == "wheel_lock":
                detail = "rim runs slower than the ground"
            else:
                continue
            found.append(
                Finding(
                    kind=kind,  # type: ignore[arg-type]
                    wheel=wheel,
                    since_s=self._since[i],
                    value=abs(estimate.slip_mps[i]),
                    threshold=self._spin.slip_speed_mps,
                    unit="m/s",
                    detail=detail,
                )
            )
        return found

    def _watch(self, i: int, estimate: Estimate, dt_s: float, may_lock: bool) -> None:
        spin = self._spin
        if not self._kind[i] and estimate.excess_travel_m[i] == 0.0:
            return  # most wheels, most of the time
        slip, ratio = abs(estimate.slip_mps[i]), estimate.slip_ratio[i]
        if self._kind[i] == "wheel_lock" and self._opposed(estimate, i):
            self._start(i, "wheel_spin", estimate.t_s)  # it is driven against its travel now
        if self._kind[i]:
            # One quiet sample is not the end: a count may simply not have come yet.
            over = slip < 0.5 * spin.slip_speed_mps or (
                ratio < 0.0 if self._kind[i] == "wheel_spin" else ratio > 0.0
            )
            self._clear_s[i] = self._clear_s[i] + dt_s if over else 0.0
            if self._clear_s[i] * 1e3 >= spin.clear_ms:
                self._kind[i] = ""
            return
        limit_m = spin.excess_travel_mm * 1e-3 + spin.excess_sd * estimate.excess_sd_m[i]
        sure = slip - spin.slip_sd * estimate.slip_sd_mps[i]
        if abs(estimate.excess_travel_m[i]) <= limit_m or sure <= spin.slip_speed_mps:
            return
        if estimate.excess_travel_m[i] * estimate.slip_mps[i] <= 0.0:
            return
        if ratio >= spin.slip_ratio or (self._opposed(estimate, i) and slip > spin.slip_speed_mps):
            self._start(i, "wheel_spin", estimate.t_s)
        elif -ratio >= spin.lock_ratio and may_lock:
            self._start(i, "wheel_lock", estimate.t_s)

    def _start(self, i: int, kind: str, t_s: float) -> None:
        self._kind[i], self._since[i], self._clear_s[i] = kind, t_s, 0.0

    def _opposed(self, estimate: Estimate, i: int) -> bool:
        """Rim turning one way while the ground goes the other: driven, so it spins."""
        rim = estimate.wheel_speed_mps[i]
        ground = rim - estimate.slip_mps[i]
        turns = abs(rim) > OPPOSED_RIM_MPS and rim * self._counted_way[i] > 0.0
        return turns and rim * ground < 0.0
