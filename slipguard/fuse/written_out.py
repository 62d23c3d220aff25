"""The Kalman algebra written out in loops: what the compiled engine runs instead of filterpy.

The same formulas as there (R. E. Kalman 1960; the update of P in the form of Joseph, which keeps
it symmetric and positive whatever the gain; any text on estimation). It runs under the
interpreter as well, slowly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from slipguard.fuse.model import N_STATE, Array

MOST = 4
"""Measurements in one update, at most: one of each wheel."""


class WrittenOut:
    """Predict and update of the seven-state filter. ``x`` (7,), ``P`` (7, 7)."""

    def __init__(self, x: Array, P: Array) -> None:
        self.x = np.array(x, dtype=float)
        self.P = np.array(P, dtype=float)
        self._A = np.zeros((N_STATE, N_STATE))
        self._B = np.zeros((N_STATE, N_STATE))
        self._L = np.zeros((MOST, MOST))

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """x' = ``moved`` (7,), which is f of x, P' = F P F' + Q."""
        for i in range(N_STATE):
            self.x[i] = moved[i]
        self._carry(F)
        for i in range(N_STATE):
            for j in range(N_STATE):
                self.P[i, j] += Q[i, j]

    def update(self, innovation: Array, H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 7), ``R`` (m, m). Returns K (7, m)."""
        m = len(innovation)
        K = self._gain(H, R, m)
        A = self._B
        for i in range(N_STATE):
            for k in range(m):
                self.x[i] += K[i, k] * innovation[k]
            for j in range(N_STATE):
                total = 1.0 if i == j else 0.0
                for k in range(m):
                    total -= K[i, k] * H[k, j]
                A[i, j] = total
        self._carry(A)
        for i in range(N_STATE):
            for k in range(m):
                weight = 0.0
                for n in range(m):
                    weight += K[i, n] * R[n, k]
                for j in range(N_STATE):
                    self.P[i, j] += weight * K[j, k]
        return K

    def reset(self, index: int, value: float, var: float) -> None:
        """Forget one state: set it and its variance, uncorrelated with the others."""
        self.x[index] = value
        for i in range(N_STATE):
            self.P[index, i] = self.P[i, index] = 0.0
        self.P[index, index] = var

    def shift(self, index: int, by: float, var: float) -> None:
        """Move one state and add to its variance."""
        self.x[index] += by
        self.P[index, index] += var

    def _carry(self, A: Array) -> None:
        """P' = A P A'."""
        P, AP = self.P, self._A
        for i in range(N_STATE):
            for j in range(N_STATE):
                total = 0.0
                for k in range(N_STATE):
                    total += A[i, k] * P[k, j]
                AP[i, j] = total
        for i in range(N_STATE):
            for j in range(N_STATE):
                total = 0.0
                for k in range(N_STATE):
                    total += AP[i, k] * A[j, k]
                P[i, j] = total

    def _gain(self, H: Array, R: Array, m: int) -> Array:
        """K = P H' S^-1 with S = H P H' + R = L L' (Cholesky)."""
        P, L = self.P, self._L
        K = np.zeros((N_STATE, m))
        for i in range(N_STATE):
            for k in range(m):
                for j in range(N_STATE):
                    K[i, k] += P[i, j] * H[k, j]
        for i in range(m):
            for k in range(i + 1):
                total = R[i, k]
                for j in range(N_STATE):
                    total += H[i, j] * K[j, k]
                for n in range(k):
                    total -= L[i, n] * L[k, n]
                L[i, k] = math.sqrt(total) if i == k else total / L[k, k]
        for i in range(N_STATE):
            for k in range(m):
                for n in range(k):
                    K[i, k] -= K[i, n] * L[k, n]
                K[i, k] /= L[k, k]
            for k in range(m - 1, -1, -1):
                for n in range(k + 1, m):
                    K[i, k] -= K[i, n] * L[n, k]
                K[i, k] /= L[k, k]
        return K
