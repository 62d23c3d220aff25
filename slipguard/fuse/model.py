"""The motion model, written once: f, F, Q, H, R and the gate. Plain functions of floats.

State x, eight numbers::

    v          ground speed of the middle of the wheelbase, m/s
    c          reaction to gravity along x plus accelerometer bias, m/s2
    b          bias of the pitch gyro, rad/s
    p[0..3]    rim travel of each wheel (fl, fr, rl, rr), in the encoder's own metres
    d          how much later than the IMU the encoders speak, s

Prediction, from one IMU sample over dt (f_x, omega: specific force and angular rate; s_y, s_z:
reaction to gravity along y and z)::

    dv/dt = f_x - c + omega_z v_y                        Newton in a turning frame
    dc/dt = -(omega_y - b) s_z + omega_z s_y             ds/dt = -omega x s
    dp/dt = hub speed along the wheel - omega_y radius   the encoder turns with the body

A count says only that p lies between two edges. Its likelihood is a box, and the box times the
prior Gaussian has the moments of a truncated normal distribution (Johnson, Kotz, Balakrishnan,
Continuous Univariate Distributions 1, 2nd ed., sec. 13.10, from memory); the measurement that
a Kalman filter needs to arrive at these moments is returned. No count has to be differenced,
and standing still between two edges is not mistaken for a measured speed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_STATE = 8
V, C, B, P0, D = 0, 1, 2, 3, 7

_SQRT2 = math.sqrt(2.0)
_PHI0 = 1.0 / math.sqrt(2.0 * math.pi)
NO_INFORMATION = 1e9  # variance of what says nothing
ROBUST_SD = 2.0  # outside its box, from which a wheel's say falls, and
MOST_DISTANCE = 4.0


def transition(
    dt_s: float, s_z: float, hub_gain: Sequence[float], radius_m: float, F: Array
) -> None:
    """Write F = df/dx into ``F`` (8, 8), which starts as the identity.

    ``hub_gain`` (4,): derivative of each hub's speed by v. Left out: a gripping tyre's creep, and
    that s_z changes with c; each a few per cent of a step's change.
    """
    F[V, C] = -dt_s
    F[C, B] = s_z * dt_s
    for i in range(4):
        F[P0 + i, V] = hub_gain[i] * dt_s
        F[P0 + i, C] = -0.5 * hub_gain[i] * dt_s * dt_s
        F[P0 + i, B] = radius_m * dt_s


def process_noise(
    dt_s: float,
    accel_var: float,
    drift_var: float,
    bias_var: float,
    travel_var: Sequence[float],
    late_var: float,
    Q: Array,
) -> None:
    """Write Q into ``Q`` (8, 8): what a step of dt adds to the uncertainty.

    ``accel_var`` (m/s)2 added to v; ``drift_var`` (m/s2)2 added to c; ``bias_var`` (rad/s)2
    added to b; ``travel_var`` (4,) m2 added to p; ``late_var`` s2 added to d. What the
    accelerometer misses moves all four wheels alike, so their travels are correlated.
    """
    Q[V, V] = accel_var
    Q[C, C] = drift_var
    Q[B, B] = bias_var
    Q[D, D] = late_var
    together = accel_var * dt_s * dt_s / 3.0
    Q[P0:D, P0:D] = together
    Q[V, P0:D] = Q[P0:D, V] = accel_var * dt_s / 2.0
    for i in range(4):
        Q[P0 + i, P0 + i] = together + travel_var[i]


def box_update(
    mean: float, var: float, low: float, high: float, edge_sd: float
) -> tuple[float, float]:
    """Measurement equivalent to 'low < p < high' for a prior N(mean, var).

    ``edge_sd``: standard deviation of where the edges really are. Returns (innovation z - mean,
    variance R) such that the Kalman update with H = 1 has the moments of the truncated normal.
    """
    total = var + edge_sd * edge_sd
    sd = math.sqrt(total)
    alpha, beta = (low - mean) / sd, (high - mean) / sd
    if alpha > 5.0 or beta < -5.0:  # far outside: the near edge is the measurement
        return (low - mean if alpha > 0 else high - mean), edge_sd * edge_sd + 1e-12
    mass = 0.5 * (math.erfc(-beta / _SQRT2) - math.erfc(-alpha / _SQRT2))
    if not 0.0 < mass <= 1.0 - 1e-9:
        return 0.0, NO_INFORMATION
    at_low = _PHI0 * math.exp(-0.5 * alpha * alpha)
    at_high = _PHI0 * math.exp(-0.5 * beta * beta)
    shift = (at_low - at_high) / mass
    shrink = shift * shift - (alpha * at_low - beta * at_high) / mass
    if shrink < 1e-6:
        return 0.0, NO_INFORMATION
    # shrink is at most 1; rounding must not make R negative.
    return sd * shift / shrink, max(edge_sd * edge_sd, total / shrink - var)


def robust(innovation: float, var: float, R: float, distance: float) -> float:
    """R of a measurement that lies ``distance`` standard deviations outside its box.

    Up to ``ROBUST_SD`` nothing changes. Beyond, the pull falls with the square of the distance
    (a redescending influence, Huber, Robust Statistics, 1981, from memory): a wheel that has
    begun to slip must not take the speed with it.
    """
    if distance <= ROBUST_SD:
        return R
    weight = (ROBUST_SD / min(distance, MOST_DISTANCE)) ** 2
    return max(R, abs(innovation) * math.sqrt(var) / (ROBUST_SD * weight) - var)


def box_excess(mean: float, low: float, high: float) -> float:
    """How far a wheel has gone beyond ``mean`` for certain, metres; 0 inside the box."""
    if mean < low:
        return low - mean
    if mean > high:
        return high - mean
    return 0.0


def middle(values: Sequence[float]) -> float:
    """Median of four values: the mean of the two in the middle."""
    a, b, c, d = values[0], values[1], values[2], values[3]
    return 0.5 * (max(min(a, b), min(c, d)) + min(max(a, b), max(c, d)))


def spread(values: Sequence[float], mean: float) -> float:
    """How far from ``mean`` the farthest of four values is."""
    farthest = 0.0
    for i in range(4):
        farthest = max(farthest, abs(values[i] - mean))
    return farthest
