"""What the fusion asks of a Kalman filter: the only algebra that exists twice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from slipguard.fuse.model import Array


class Engine(Protocol):
    """Predict and update of the seven-state filter, built from ``x`` (7,) and ``P`` (7, 7)."""

    def __init__(self, x: Array, P: Array) -> None: ...

    @property
    def x(self) -> Array:
        """State (7,). Overwritten by what follows."""

    @property
    def P(self) -> Array:
        """Its covariance (7, 7)."""

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """x' = ``moved`` (7,), which is f of x, P' = F P F' + Q."""

    def update(self, innovation: Array, H: Array, R: Array) -> Array:
        """Joint update with ``innovation`` (m,), ``H`` (m, 7), ``R`` (m, m). Returns K (7, m)."""

    def reset(self, index: int, value: float, var: float) -> None:
        """Forget one state: set it and its variance, uncorrelated with the others."""

    def shift(self, index: int, by: float, var: float) -> None:
        """Move one state and add to its variance."""
