"""What the simulated rover really did at one moment."""

from __future__ import annotations

from dataclasses import dataclass

from slipguard.reading import Quad


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Truth from the engine. Wheel order fl, fr, rl, rr; SI units; ISO 8855 axes.

    Attributes
    ----------
    speed_mps, accel_mps2 : float
        Speed of the middle of the wheelbase at axle height along the body's x, and its rate.
    grade_rad, roll_rad : float
        Nose-up pitch of the body, and its roll (left side up positive).
    yaw_rate_radps, heading_rad : float
        Left positive.
    x_m, y_m : float
        Position of the middle of the wheelbase.
    ground_mps, rim_mps, slip_mps : (4,) float
        Speed of each wheel's centre over the ground along the wheel, its rim speed from its
        absolute turning rate, and the difference.
    load_n : (4,) float
        Force of the ground on each wheel, normal to the ground.
    brakes : (4,) float
        Where the brake actuators stand, 0..1.
    """

    t_s: float
    speed_mps: float
    accel_mps2: float
    grade_rad: float
    roll_rad: float
    yaw_rate_radps: float
    heading_rad: float
    x_m: float
    y_m: float
    ground_mps: Quad
    rim_mps: Quad
    slip_mps: Quad
    load_n: Quad
    brakes: Quad
