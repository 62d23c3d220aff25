"""A forward-backward pass: what the filter believed then, corrected by what came after.

The forward pass is the live filter itself; ``Recorder`` is its algebra and keeps every
step. Backwards, the equations of Rauch, Tung and Striebel ("Maximum likelihood
estimates of linear dynamic systems", AIAA Journal 3(8), 1965, from memory)::

    C = P F' P'^-1          P, x: after the corrections of a step; P', x': predicted from it
    x_s = x + C (x_s+ - x')
    P_s = P + C (P_s+ - P') C'

Forgetting a state and shifting one are steps too, with an F and a Q of their own, so that
nothing flows back through what was forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slipguard.fuse.filterpy_engine import FilterpyEngine

Array = NDArray[np.float64]


@dataclass(slots=True)
class Steps:
    """Steps of a filter: state before, transition, state predicted. Lists of equal length."""

    x: list[Array]
    P: list[Array]
    F: list[Array]
    x_pred: list[Array]
    P_pred: list[Array]


class Recorder(FilterpyEngine):
    """The filter's algebra, which keeps each of its steps in ``steps``."""

    def __init__(self, x: Array, P: Array) -> None:
        super().__init__(x, P)
        self._eye = np.eye(len(x))
        self.steps = Steps([], [], [], [], [])

    def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
        """As the engine's."""
        self._before(F)
        super().predict(moved, F, Q)
        self._after()

    def reset(self, index: int, value: float, var: float, ties: Sequence[float]) -> None:
        """As the engine's."""
        F = self._eye.copy()
        F[index] = ties
        self._before(F)
        super().reset(index, value, var, ties)
        self._after()

    def shift(self, along: Sequence[float], by: float, var: float) -> None:
        """As the engine's."""
        self._before(self._eye)
        super().shift(along, by, var)
        self._after()

    def forget(self, count: int) -> None:
        """Let go of the first ``count`` steps."""
        steps = self.steps
        for part in (steps.x, steps.P, steps.F, steps.x_pred, steps.P_pred):
            del part[:count]

    def _before(self, F: Array) -> None:
        self.steps.x.append(self.x.copy())
        self.steps.P.append(self.P.copy())
        self.steps.F.append(F.copy())

    def _after(self) -> None:
        self.steps.x_pred.append(self.x.copy())
        self.steps.P_pred.append(self.P.copy())


def smooth(steps: Steps, x: Array, P: Array) -> tuple[Array, Array]:
    """Means (n + 1, m) and covariances (n + 1, m, m) before each of n steps, and after the last.

    Parameters
    ----------
    steps : Steps
        n steps of a filter with m states.
    x, P : (m,), (m, m) array
        After the last step and its corrections.
    """
    n, m = len(steps.x), len(x)
    means, covs = np.empty((n + 1, m)), np.empty((n + 1, m, m))
    means[n], covs[n] = x, P
    if not n:
        return means, covs
    before, predicted = np.array(steps.P), np.array(steps.P_pred)
    # C' = P'^-1 F P, in units in which the diagonal of P' is 1: its parts differ by many powers.
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("nii->ni", predicted), 1e-18))
    unit = predicted * scale[:, :, None] * scale[:, None, :]
    unit += 1e-10 * np.eye(m)
    right = (np.array(steps.F) @ before) * scale[:, :, None]
    gains = np.swapaxes(np.linalg.solve(unit, right) * scale[:, :, None], 1, 2)
    for k in range(n - 1, -1, -1):
        C = gains[k]
        means[k] = steps.x[k] + C @ (means[k + 1] - steps.x_pred[k])
        cov = before[k] + C @ (covs[k + 1] - predicted[k]) @ C.T
        covs[k] = 0.5 * (cov + cov.T)
    return means, covs
