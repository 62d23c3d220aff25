"""What a filter was asked for on a drive, and the same done by others: baselines for a ratio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from slipguard.config import Config
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.fusion import Motion
from slipguard.fuse.intake import Intake
from slipguard.fuse.model import N_STATE, Array
from slipguard.reading import Reading

STILL, WHOLE = (0.0, 0.0, 0.0, 0.0), (False, False, False, False)


@dataclass(frozen=True, slots=True)
class Call:
    """One predict (``H`` is None) or update, as the fusion asked its filter for it."""

    vector: Array
    F: Array
    Q: Array
    H: Array | None = None


State = tuple[Array, Array]
"""x (8,) and P (8, 8) at the end."""


def calls_of(config: Config, readings: Sequence[Reading]) -> list[Call]:
    """Every predict and update the fusion asks its filter for on this drive."""
    calls: list[Call] = []

    class Noting(FilterpyEngine):
        def predict(self, moved: Sequence[float], F: Array, Q: Array) -> None:
            calls.append(Call(np.array(moved), F.copy(), Q.copy()))
            super().predict(moved, F, Q)

        def update(self, innovation: Sequence[float], H: Array, R: Array) -> Array:
            calls.append(Call(np.array(innovation), R.copy(), R.copy(), H.copy()))
            return super().update(innovation, H, R)

    intake, motion = Intake(config), Motion(config, Noting)
    for reading in readings:
        motion.step(intake.take(reading), STILL, WHOLE)
    return calls


def on_filterpy(calls: Sequence[Call]) -> State:
    """The bare calls, nothing else: predict and update of filterpy with these matrices."""
    from filterpy.kalman import KalmanFilter

    kf = KalmanFilter(dim_x=N_STATE, dim_z=1)
    kf.x, kf.P, eye = np.zeros(N_STATE), np.eye(N_STATE), np.eye(N_STATE)
    for call in calls:
        if call.H is None:
            kf.predict(u=call.vector, B=eye, F=call.F, Q=call.Q)
        else:
            kf.update(call.vector, R=call.Q, H=call.H)
    return kf.x, kf.P


def on_numpy(calls: Sequence[Call]) -> State:
    """The same algebra as a loop of numpy calls, as one would write it by hand."""
    x, P, eye = np.zeros(N_STATE), np.eye(N_STATE), np.eye(N_STATE)
    for call in calls:
        if call.H is None:
            x = call.F @ x + call.vector
            P = call.F @ P @ call.F.T + call.Q
        else:
            H, R = call.H, call.Q
            PHT = P @ H.T
            K = PHT @ np.linalg.inv(H @ PHT + R)
            x = x + K @ (call.vector - H @ x)
            rest = eye - K @ H
            P = rest @ P @ rest.T + K @ R @ K.T
    return x, P


def on_batch_filter(calls: Sequence[Call]) -> None:
    """filterpy's own loop over a drive. It takes one kind of measurement: that of the counts."""
    from filterpy.kalman import KalmanFilter

    predicts = [k for k, call in enumerate(calls) if call.H is None]
    zs: list[Any] = []
    blank = next((c for c in calls if c.H is not None and len(c.vector) == 4), None)
    H = np.zeros((4, N_STATE)) if blank is None or blank.H is None else blank.H
    R = np.eye(4) if blank is None else blank.Q
    for k in predicts:
        after = calls[k + 1] if k + 1 < len(calls) else calls[k]
        zs.append(after.vector if after.H is not None and len(after.vector) == 4 else None)
    kf = KalmanFilter(dim_x=N_STATE, dim_z=4)
    kf.x, kf.P = np.zeros(N_STATE), np.eye(N_STATE)
    kf.batch_filter(
        zs,
        Fs=[calls[k].F for k in predicts],
        Qs=[calls[k].Q for k in predicts],
        Hs=[H] * len(zs),
        Rs=[R] * len(zs),
    )


def operations(calls: Sequence[Call]) -> int:
    """Additions and multiplications these calls cannot do without, each matrix taken as dense.

    A product of (a, b) by (b, c) takes 2 a b c. Predict: F P F' + Q and F x. Update by m numbers:
    G = P H', S = H G + R, its factor (m^3 / 3), K, x, and the form of Joseph multiplied out.
    """
    n, total = N_STATE, 0
    for call in calls:
        if call.H is None:
            total += 4 * n**3 + 2 * n**2 + n**2
        else:
            m = len(call.vector)
            gain = 2 * n * n * m + 2 * n * m * m + m**3 // 3 + 2 * n * m * m
            total += gain + 2 * n * m + 4 * n * n * m + 2 * n * m * m + 2 * n * n * m
    return total
