"""The Kalman algebra, on filterpy. The model it runs is ``model.py``."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slipguard.fuse.model import N_STATE, Array

_EYE = np.eye(N_STATE)


class FilterpyEngine:
    """Predict and update of the eight-state filter. ``x`` (8,), ``P`` (8, 8)."""

    def __init__(self, x: Array, P: Array) -> None:
        # Here and not above: filterpy brings scipy and matplotlib, most of a second to import,
        # which nobody should wait for who only reads a recording or a rover file.
        from filterpy.kalman import KalmanFilter

        self._kf = KalmanFilter(dim_x=N_STATE, dim_z=1)
        self._kf.x = np.array(x, dtype=float)
        self._kf.P = np.array(P, dtype=float)

    @property
    def x(self) -> Array:
        return self._kf.x  # type: ignore[no-any-return]

    @property
    def P(self) -> Array:
        return self._kf.P  # type: ignore[no-any-return]

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """x' = ``moved`` (8,), which is f of x, P' = F P F' + Q."""
        kf = self._kf
        kf.predict(u=moved - F @ kf.x, B=_EYE, F=F, Q=Q)

    def update(self, innovation: Sequence[float], H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 8), ``R`` (m, m). Returns K (8, m)."""
        kf = self._kf
        kf.update(H @ kf.x + innovation, R=R, H=H)
        return kf.K  # type: ignore[no-any-return]

    def reset(self, index: int, value: float, var: float, ties: Sequence[float]) -> None:
        """Forget one state and set it to ``value``: a measured part with ``var`` plus the others
        times ``ties`` (8,), with ``ties[index]`` 0; x' = F x + noise with ties as that row of F."""
        kf = self._kf
        row = np.array(ties) @ kf.P
        var += float(row @ ties)
        kf.x[index] = value
        kf.P[index, :] = row
        kf.P[:, index] = row
        kf.P[index, index] = var

    def shift(self, along: Sequence[float], by: float, var: float) -> None:
        """Move the state by ``by`` times ``along`` (8,), and add ``var`` to P that way."""
        way = np.array(along)
        self._kf.x += by * way
        self._kf.P += var * np.outer(way, way)
