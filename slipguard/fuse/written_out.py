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
        self._T = np.zeros((N_STATE, N_STATE))
        self._G = np.zeros((MOST, N_STATE))
        self._W = np.zeros((MOST, N_STATE))
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
        K = self._gain(H, R, m)  # K' (m, 7): rows of seven run several numbers at a time
        P, G, W = self.P, self._G, self._W
        # Joseph, (I - K H) P (I - K H)' + K R K', its brackets multiplied out: G = H P and
        # W' = K R - (P - K G) H', and what is left is P - K G + W' K'.
        for k in range(m):
            for i in range(N_STATE):
                self.x[i] += K[k, i] * innovation[k]
        for i in range(N_STATE):
            for k in range(m):
                for j in range(N_STATE):
                    P[i, j] -= K[k, i] * G[k, j]
        for k in range(m):
            for i in range(N_STATE):
                W[k, i] = 0.0
            for n in range(m):
                if R[n, k] != 0.0:
                    for i in range(N_STATE):
                        W[k, i] += K[n, i] * R[n, k]
            for j in range(N_STATE):
                if H[k, j] != 0.0:
                    for i in range(N_STATE):
                        W[k, i] -= P[i, j] * H[k, j]
        for i in range(N_STATE):
            for k in range(m):
                for j in range(N_STATE):
                    P[i, j] += W[k, i] * K[k, j]
        return K.T

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
        """P' = A P A'. Row by row, which runs several numbers at a time; most of A is zero."""
        P, AP, T = self.P, self._A, self._T
        for i in range(N_STATE):
            for j in range(N_STATE):
                AP[i, j] = 0.0
            for k in range(N_STATE):
                a = A[i, k]
                if a != 0.0:
                    for j in range(N_STATE):
                        AP[i, j] += a * P[k, j]
        for i in range(N_STATE):
            for j in range(N_STATE):
                T[j, i] = AP[i, j]
        for i in range(N_STATE):
            for j in range(N_STATE):
                P[i, j] = 0.0
            for k in range(N_STATE):
                a = A[i, k]
                if a != 0.0:
                    for j in range(N_STATE):
                        P[i, j] += a * T[k, j]

    def _gain(self, H: Array, R: Array, m: int) -> Array:
        """K' = S^-1 H P with S = H P H' + R = L L' (Cholesky). Leaves H P in ``_G``."""
        P, L, G = self.P, self._L, self._G
        K = np.empty((m, N_STATE))
        for k in range(m):
            for j in range(N_STATE):
                G[k, j] = 0.0
            for n in range(N_STATE):
                h = H[k, n]
                if h != 0.0:
                    for j in range(N_STATE):
                        G[k, j] += h * P[n, j]
        for i in range(m):
            for k in range(i + 1):
                total = R[i, k]
                for j in range(N_STATE):
                    if H[i, j] != 0.0:
                        total += H[i, j] * G[k, j]
                for n in range(k):
                    total -= L[i, n] * L[k, n]
                L[i, k] = math.sqrt(total) if i == k else total / L[k, k]
        for k in range(m):
            for i in range(N_STATE):
                K[k, i] = G[k, i]
            for n in range(k):
                for i in range(N_STATE):
                    K[k, i] -= L[k, n] * K[n, i]
            part = 1.0 / L[k, k]
            for i in range(N_STATE):
                K[k, i] *= part
        for k in range(m - 1, -1, -1):
            for n in range(k + 1, m):
                for i in range(N_STATE):
                    K[k, i] -= L[n, k] * K[n, i]
            part = 1.0 / L[k, k]
            for i in range(N_STATE):
                K[k, i] *= part
        return K
