"""What the fusion asks of a Kalman filter: the only algebra that exists twice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from slipguard.fuse.model import Array


class Engine(Protocol):
    """Predict and update of the eight-state filter, built from ``x`` (8,) and ``P`` (8, 8)."""

    def __init__(self, x: Array, P: Array) -> None: ...

    @property
    def x(self) -> Array:
        """State (8,). Overwritten by what follows."""

    @property
    def P(self) -> Array:
        """Its covariance (8, 8)."""

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """x' = ``moved`` (8,), which is f of x, P' = F P F' + Q."""

    def update(self, innovation: Sequence[float], H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 8), ``R`` (m, m). Returns K (8, m)."""

    def reset(self, index: int, value: float, var: float, ties: Sequence[float]) -> None:
        """Forget one state and set it to ``value``: a measured part with ``var`` plus the others
        times ``ties`` (8,), with ``ties[index]`` 0; x' = F x + noise with ties as that row of F."""

    def shift(self, along: Sequence[float], by: float, var: float) -> None:
        """Move the state by ``by`` times ``along`` (8,), and add ``var`` to P that way."""
