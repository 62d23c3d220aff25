"""The Kalman algebra, on filterpy. The model it runs is ``model.py``."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slipguard.fuse.model import N_STATE, Array


class FilterpyEngine:
    """Predict and update of the eight-state filter. ``x`` (8,), ``P`` (8, 8): those of filterpy."""

    def __init__(self, x: Array, P: Array) -> None:
        # Here and not above: filterpy brings scipy and matplotlib, most of a second to import,
        # which nobody should wait for who only reads a recording or a rover file.
        from filterpy.kalman import KalmanFilter

        self._kf = KalmanFilter(dim_x=N_STATE, dim_z=1)
        self._kf.x = self.x = np.array(x, dtype=float)
        self._kf.P = self.P = np.array(P, dtype=float)

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """x' = ``moved`` (8,), which is f of x, P' = F P F' + Q."""
        kf = self._kf
        kf.predict(F=F, Q=Q)
        # Not the F x of filterpy: f is not linear.
        kf.x = self.x = np.array(moved)
        self.P = kf.P

    def update(self, innovation: Sequence[float], H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 8), ``R`` (m, m). Returns K (8, m)."""
        kf = self._kf
        kf.R = R  # handed to update it would be asked at length whether it is a single number
        kf.update(H @ kf.x + innovation, H=H)
        self.x, self.P = kf.x, kf.P
        return kf.K  # type: ignore[no-any-return]

    def reset(self, index: int, value: float, var: float, ties: Sequence[float]) -> None:
        """Forget one state and set it to ``value``: a measured part with ``var`` plus the others
        times ``ties`` (8,), with ``ties[index]`` 0; x' = F x + noise with ties as that row of F."""
        x, P = self.x, self.P
        row = np.array(ties) @ P
        var += float(row @ ties)
        x[index] = value
        P[index, :] = row
        P[:, index] = row
        P[index, index] = var

    def shift(self, along: Sequence[float], by: float, var: float) -> None:
        """Move the state by ``by`` times ``along`` (8,), and add ``var`` to P that way."""
        way = np.array(along)
        self.x += by * way
        self.P += var * np.outer(way, way)
