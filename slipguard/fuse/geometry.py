"""Where each wheel is, and how fast its hub moves along itself. Plain functions of floats.

Rigid-body kinematics on the plane: the hub of a wheel at (x, y) from the middle of the
wheelbase moves at (v - r y, v_y + r x), with v the forward speed of the middle of the
wheelbase, v_y its sideways speed and r the yaw rate. A steered wheel that rolls without side
slip points along that velocity, so its rim speed is the length of it: its own Ackermann angle
is contained, whatever the servo does. (Ackermann geometry: any vehicle dynamics handbook.)
"""

from __future__ import annotations

import math

from slipguard.settings import Rover

SLOW_MPS = 0.02
"""Below this hub speed the direction of the hub's motion is not known."""


def wheel_positions_m(rover: Rover) -> tuple[tuple[float, float], ...]:
    """(x, y) of fl, fr, rl, rr from the middle of the wheelbase, metres."""
    x, y = rover.wheelbase_m / 2, rover.track_m / 2
    return ((x, y), (x, -y), (-x, y), (-x, -y))


def no_side_slip_x_m(rover: Rover) -> float:
    """x of the point that does not move sideways: the unsteered axle, or the middle."""
    return {"front": -0.5, "rear": 0.5}.get(rover.steered, 0.0) * rover.wheelbase_m


def steers(rover: Rover) -> tuple[bool, bool]:
    """Whether the front and the rear axle steer."""
    return rover.steered in ("front", "both"), rover.steered in ("rear", "both")


def hub_speed(
    speed_mps: float, yaw_radps: float, x_m: float, y_m: float, still_x_m: float, steered: bool
) -> tuple[float, float]:
    """Hub speed along the wheel (m/s, signed forward) and its derivative by ``speed_mps``."""
    along = speed_mps - yaw_radps * y_m
    if not steered:
        return along, 1.0
    across = yaw_radps * (x_m - still_x_m)
    total = math.sqrt(along * along + across * across)
    if total < SLOW_MPS:
        return along, 1.0
    return math.copysign(total, along), abs(along) / total


def turn_arm_m(rover: Rover) -> float:
    """What the tangent of the steer angle is divided by to give turn per travel (bicycle model).

    Negative where the rear axle steers, infinite where none does.
    """
    if rover.steered == "skid":
        return math.inf
    arm = rover.wheelbase_m / (2.0 if rover.steered == "both" else 1.0)
    return -arm if rover.steered == "rear" else arm


def yaw_from_steer(speed_mps: float, steer_rad: float, arm_m: float) -> float:
    """Yaw rate a steer angle asks for, when no gyro is there to say (bicycle model), rad/s."""
    if math.isinf(arm_m):
        return 0.0
    return speed_mps * (math.tan(steer_rad) / arm_m)
