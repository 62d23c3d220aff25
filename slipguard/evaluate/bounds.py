"""What no detector and no filter can better, to stand beside what was measured.

Detection: Page's cumulative sum has the shortest worst-case mean delay for a given mean time
between false alarms (G. V. Moustakides, Annals of Statistics 14, 1986), for independent samples.
Speed: the steady-state covariance of the matched Kalman filter is the posterior Cramer-Rao bound
of the linear Gaussian problem (Tichavsky, Muravchik, Nehorai, IEEE TSP 46(5), 1998).
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from slipguard.config import Config

NODES = 80

_gauss = cache(np.polynomial.legendre.leggauss)


def cusum_run_length(shift_sd: float, drift_sd: float, limit_sd: float) -> float:
    """Mean samples to alarm of a one-sided cumulative sum, alarm sample included.

    Parameters
    ----------
    shift_sd : float
        Mean of the samples, in their standard deviations.
    drift_sd, limit_sd : float
        What is taken off each sample, and the sum at which it alarms.

    Solves Page's integral equation by Gauss-Legendre quadrature (Crosier and Lucas,
    Technometrics 24, 1982, give the table it is tested on).
    """
    from scipy.stats import norm

    nodes, weights = _gauss(NODES)
    s = 0.5 * limit_sd * (nodes + 1.0)
    w = 0.5 * limit_sd * weights
    mean = shift_sd - drift_sd
    # L(s) = 1 + L(0) P(x <= -s) + integral of L(t) f(t - s) dt over 0..limit
    kernel = w * norm.pdf(s[None, :] - s[:, None] - mean)
    stay = norm.cdf(-s - mean)
    A = np.eye(NODES + 1)
    A[0, 0] -= norm.cdf(-mean)
    A[0, 1:] -= w * norm.pdf(s - mean)
    A[1:, 0] -= stay
    A[1:, 1:] -= kernel
    return float(np.linalg.solve(A, np.ones(NODES + 1))[0])


def cusum_delay_s(shift_sd: float, between_false_s: float, rate_hz: float) -> float:
    """Mean delay of the best cumulative sum that raises a false alarm each ``between_false_s``."""
    from scipy.optimize import brentq

    drift = 0.5 * shift_sd
    wanted = math.log(between_false_s * rate_hz)

    def off(limit: float) -> float:
        return math.log(cusum_run_length(0.0, drift, limit)) - wanted

    high = 0.5
    while off(high) < 0.0:  # no further than needed: the equation is ill-conditioned beyond
        high *= 1.3
    limit = float(brentq(off, 0.01, high))
    return cusum_run_length(shift_sd, drift, limit) / rate_hz


def count_time_s(config: Config, speed_mps: float) -> float:
    """Time in which a rim at that speed goes one count further."""
    return config.count_m / speed_mps


def steady_speed_sd_mps(config: Config) -> float:
    """Standard deviation of speed of the matched filter in steady straight driving.

    Speed from the accelerometer's noise alone, four wheels each with a count's q^2/12 at the
    encoders' rate, and nothing else: no bias, slope, vibration or micro-slip.
    """
    from scipy.linalg import solve_discrete_are

    dt = 1.0 / config.encoders.rate_hz
    samples = config.imu.rate_hz * dt
    F = np.array([[1.0, 0.0], [dt, 1.0]])
    q = config.imu.accel_noise_mps2**2 / config.imu.rate_hz**2 * samples
    Q = q * np.array([[1.0, dt / 2], [dt / 2, dt * dt / 3]])
    H = np.array([[0.0, 1.0]])
    R = np.array([[config.count_m**2 / 12 / 4]])
    prior = solve_discrete_are(F.T, H.T, Q, R)
    S = H @ prior @ H.T + R
    K = prior @ H.T / S
    return float(np.sqrt(((np.eye(2) - K @ H) @ prior)[0, 0]))


def limits_table(
    config: Config, hours: float = 1.0, false_spins: int = 1
) -> tuple[str, list[str], list[list[str]]]:
    """(title, header, rows): limits of this rover's encoders and accelerometer.

    The best cumulative sum works on count differences at the encoders' rate, whose standard
    deviation is q / sqrt(6) for counts of q metres (two uniform ends). It takes the differences
    as independent. Their correlation of -0.5 means that travelled distance is known better than
    their sum suggests, so a detector of distance may be faster.

    Parameters
    ----------
    config : Config
    hours, false_spins
        What was measured: the sum may raise as many false alarms, or one in all the time where
        there was none.
    """
    between_s = 3600.0 * hours / max(1, false_spins)
    rows = []
    sample_sd = config.count_m / math.sqrt(6.0)
    for slip_mps in (0.15, 0.3, 1.0):
        rate = config.encoders.rate_hz
        best = cusum_delay_s(slip_mps / rate / sample_sd, between_s, rate)
        rows.append(
            [
                f"{slip_mps:g}",
                f"{1e3 * count_time_s(config, slip_mps):.0f}",
                f"{1e3 * best:.0f}",
                f"{steady_speed_sd_mps(config):.4f}",
            ]
        )
    header = ["slip m/s", "one count, ms", "best cumulative sum, ms", "matched filter, m/s"]
    title = f"Physical limits: counts alone, steady slip, a false alarm in {between_s / 3600:.1f} h"
    return title, header, rows
