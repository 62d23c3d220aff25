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
    """Predict and update of the eight-state filter. ``x`` (8,), ``P`` (8, 8)."""

    def __init__(self, x: Array, P: Array) -> None:
        self.x = np.array(x, dtype=float)
        self.P = np.array(P, dtype=float)
        self._A = np.zeros((N_STATE, N_STATE))
        self._T = np.zeros((N_STATE, N_STATE))
        self._row = np.zeros(N_STATE)
        self._G = np.zeros((MOST, N_STATE))
        self._K = np.zeros((MOST, N_STATE))
        self._W = np.zeros((MOST, N_STATE))
        self._L = np.zeros((MOST, MOST))

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """x' = ``moved`` (8,), which is f of x, P' = F P F' + Q."""
        for i in range(N_STATE):
            self.x[i] = moved[i]
        self._carry(F)
        for i in range(N_STATE):
            for j in range(N_STATE):
                self.P[i, j] += Q[i, j]

    def update(self, innovation: Sequence[float], H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 8), ``R`` (m, m). Returns K (8, m)."""
        m = len(innovation)
        K = self._K  # K' (m, 8)
        self._gain(H, R, m)
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
        return K[:m].T

    def reset(self, index: int, value: float, var: float, ties: Sequence[float]) -> None:
        """Forget one state and set it to ``value``: a measured part with ``var`` plus the others
        times ``ties`` (8,), with ``ties[index]`` 0; x' = F x + noise with ties as that row of F."""
        row = self._row
        for j in range(N_STATE):
            row[j] = 0.0
            for k in range(N_STATE):
                row[j] += ties[k] * self.P[k, j]
        for j in range(N_STATE):
            var += row[j] * ties[j]
        self.x[index] = value
        for j in range(N_STATE):
            self.P[index, j] = self.P[j, index] = row[j]
        self.P[index, index] = var

    def shift(self, along: Sequence[float], by: float, var: float) -> None:
        """Move the state by ``by`` times ``along`` (8,), and add ``var`` to P that way."""
        for i in range(N_STATE):
            self.x[i] += by * along[i]
            for j in range(N_STATE):
                self.P[i, j] += var * along[i] * along[j]

    def _carry(self, A: Array) -> None:
        """P' = A P A'. By columns of A, of which most are zero: what is added to one row after the
        other runs several numbers at a time, and none waits for the one before."""
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

    def _gain(self, H: Array, R: Array, m: int) -> None:
        """K' = S^-1 H P into ``_K``, with S = H P H' + R = L L' (Cholesky), and H P into ``_G``."""
        P, L, G, K = self.P, self._L, self._G, self._K
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
