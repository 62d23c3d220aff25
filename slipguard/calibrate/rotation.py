"""Rotations: the mounting of an IMU, and turning by a gyro. Rotation matrices, any text on rigid
bodies (rotation vector, Rodrigues' formula)."""

from __future__ import annotations

import math

import numpy as np

from slipguard.calibrate.samples import Array
from slipguard.settings import Triple


def from_sensor(rotation_deg: Triple) -> Array:
    """Matrix (3, 3) from sensor to body axes: Rz(yaw) Ry(pitch) Rx(roll), ``imu.rotation_deg``."""
    roll, pitch, yaw = np.radians(rotation_deg)
    return (
        turn(np.array([0, 0, yaw])) @ turn(np.array([0, pitch, 0])) @ turn(np.array([roll, 0, 0]))
    )


def turn(vector_rad: Array) -> Array:
    """Matrix (3, 3) of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector_rad))
    x, y, z = vector_rad
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    if angle < 1e-8:
        small: Array = np.eye(3) + cross
        return small
    sine, versine = math.sin(angle) / angle, (1.0 - math.cos(angle)) / angle**2
    result: Array = np.eye(3) + sine * cross + versine * cross @ cross
    return result


def axis_angle(matrix: Array) -> tuple[Array, float]:
    """Axis (3,) and angle (0..pi) of a rotation, well behaved at half a turn."""
    cosine = max(-1.0, min(1.0, (float(np.trace(matrix)) - 1.0) / 2.0))
    angle = math.acos(cosine)
    skew = np.array(
        [matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]]
    )
    # Symmetric part: cos I + (1 - cos) a a'; its largest eigenvector is the axis, sign from skew.
    _, vectors = np.linalg.eigh((matrix + matrix.T) / 2.0)
    axis: Array = vectors[:, 2]
    if float(axis @ skew) < 0.0:
        axis = -axis
    return axis, angle


def turned(t_s: Array, rate_radps: Array) -> Array:
    """Attitude (3, 3) at the end against that at the start, by integrating body rates (n, 3)."""
    result = np.eye(3)
    for rate, dt in zip(rate_radps[1:], np.diff(t_s), strict=True):
        result = result @ turn(rate * dt)
    return result
