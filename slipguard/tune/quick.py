"""The detectors of spin, lock and rolling over a fused drive, for many sets of thresholds.

They are the rules of ``slipguard.detect`` themselves, compiled: milliseconds a set and an hour of
driving. A test holds the two together, whatever the thresholds.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from operator import attrgetter
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
        self._stretches = self._motions.stretches(MERGE_GAP_S)
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
            slips = Slips(*(np.ascontiguousarray(c[mine]) for c in columns))
            stretches = slips.stretches(fused.t_s, self._broken[i], MERGE_GAP_S)
            self._slips.append((slips, stretches))

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
        spins = [spin for spin, _ in sets]
        slips = [
            find_slips(spins, f.t_s, f.dt_s, broken, *slips, MERGE_GAP_S)
            for broken, slips in zip(self._broken, self._slips, strict=True)
        ]
        rolls = find_rolling(
            [rolling for _, rolling in sets],
            self._count_m,
            self._directed,
            self._motions,
            self._stretches,
            MERGE_GAP_S,
        )
        found = []
        for k, roll in enumerate(rolls):
            # By kind and wheel, so that those are in order which begin at the same time.
            episodes = _named("rolling", None, roll)
            for name, (_, locked) in zip(WHEELS, slips, strict=True):
                episodes += _named("wheel_lock", name, locked[k])
            for name, (spun, _) in zip(WHEELS, slips, strict=True):
                episodes += _named("wheel_spin", name, spun[k])
            episodes.sort(key=attrgetter("start_s"))
            found.append(episodes)
        return found


def _named(kind: str, wheel: str | None, spans: NDArray[np.float64]) -> list[Episode]:
    return [
        _made(kind, wheel, start_s, end_s, 0.0, 0.0, "", "") for start_s, end_s in spans.tolist()
    ]
