"""The Kalman algebra, on filterpy. The model it runs is ``model.py``."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slipguard.fuse.model import N_STATE, Array

_EYE = np.eye(N_STATE)


class FilterpyEngine:
    """Predict and update of the seven-state filter. ``x`` (7,), ``P`` (7, 7)."""

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
        """x' = ``moved`` (7,), which is f of x, P' = F P F' + Q."""
        kf = self._kf
        kf.predict(u=moved - F @ kf.x, B=_EYE, F=F, Q=Q)

    def update(self, innovation: Array, H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 7), ``R`` (m, m). Returns K (7, m)."""
        kf = self._kf
        kf.update(H @ kf.x + innovation, R=R, H=H)
        return kf.K  # type: ignore[no-any-return]

    def reset(self, index: int, value: float, var: float) -> None:
        """Forget one state: set it and its variance, uncorrelated with the others."""
        kf = self._kf
        kf.x[index] = value
        kf.P[index, :] = 0.0
        kf.P[:, index] = 0.0
        kf.P[index, index] = var

    def shift(self, index: int, by: float, var: float) -> None:
        """Move one state and add to its variance."""
        self._kf.x[index] += by
        self._kf.P[index, index] += var
