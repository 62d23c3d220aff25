"""The detectors of spin, lock and rolling over a fused drive, for many sets of thresholds.

They are the rules of ``slipguard.detect`` themselves, compiled: milliseconds a set and an hour of
driving. A test holds the two together, whatever the thresholds.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.frozen import quick
from slipguard.reading import WHEELS
from slipguard.score import MERGE_GAP_S, Episode
from slipguard.settings import Rolling, Spin
from slipguard.tune.fused import Fused

KINDS = ("wheel_spin", "wheel_lock", "rolling")
"""What depends on the thresholds that are searched."""

Thresholds = tuple[Spin, Rolling]
_made: Any = quick(Episode)


class Quick:
    """Detectors over one fused drive. Build it once, ask it for many thresholds.

    Parameters
    ----------
    fused : Fused
    config : Config
        Of the rover; its thresholds do not matter here.

    Attributes
    ----------
    hours : float
        How long was recorded.
    """

    def __init__(self, fused: Fused, config: Config) -> None:
        # Here and not above: numba takes a second to import.
        from slipguard.compiled.sets import Motions, Slips

        self._fused = fused
        self._count_m, self._directed = config.count_m, config.encoders.directed
        self.hours = fused.hours
        self._motions = Motions(
            fused.t_s,
            fused.speed_mps,
            fused.speed_sd_mps,
            fused.distance_m,
            fused.travel_m,
            fused.at_rest,
            fused.asked,
        )
        self._broken = [np.ascontiguousarray(fused.broken[:, i]) for i in range(len(WHEELS))]
        self._slips = []
        for i in range(len(WHEELS)):
            mine = slice(*np.searchsorted(fused.wheel, (i, i + 1)))
            columns: tuple[Any, ...] = (
                fused.row,
                fused.slip_mps,
                fused.slip_sd_mps,
                fused.ratio,
                fused.excess_m,
                fused.excess_sd_m,
                fused.opposed,
                fused.may_lock,
            )
            self._slips.append(Slips(*(np.ascontiguousarray(c[mine]) for c in columns)))

    def episodes(self, spin: Spin, rolling: Rolling) -> list[Episode]:
        """Episodes of spin, lock and rolling with these thresholds, by start."""
        return self.episodes_of_all([(spin, rolling)])[0]

    def episodes_of_all(self, sets: Sequence[Thresholds], threads: int = 1) -> list[list[Episode]]:
        """The same for each set, shared out among so many threads."""
        if threads <= 1 or len(sets) < 2:
            return self._episodes(sets)
        share = -(-len(sets) // threads)
        parts = [sets[k : k + share] for k in range(0, len(sets), share)]
        with ThreadPoolExecutor(threads) as pool:
            return [episodes for part in pool.map(self._episodes, parts) for episodes in part]

    def _episodes(self, sets: Sequence[Thresholds]) -> list[list[Episode]]:
        from slipguard.compiled.sets import find_rolling, find_slips

        f = self._fused
        found: list[list[Episode]] = [[] for _ in sets]
        spins = [spin for spin, _ in sets]
        for name, broken, slips in zip(WHEELS, self._broken, self._slips, strict=True):
            spun, locked = find_slips(spins, f.t_s, f.dt_s, broken, slips, MERGE_GAP_S)
            for episodes, spin, lock in zip(found, spun, locked, strict=True):
                episodes += _named("wheel_spin", name, spin)
                episodes += _named("wheel_lock", name, lock)
        rolls = find_rolling(
            [r for _, r in sets], self._count_m, self._directed, self._motions, MERGE_GAP_S
        )
        for episodes, roll in zip(found, rolls, strict=True):
            episodes += _named("rolling", None, roll)
            episodes.sort(key=lambda e: (e.start_s, e.kind, e.wheel or ""))
        return found


def _named(kind: str, wheel: str | None, spans: NDArray[np.float64]) -> list[Episode]:
    return [
        _made(kind, wheel, start_s, end_s, 0.0, 0.0, "", "") for start_s, end_s in spans.tolist()
    ]
