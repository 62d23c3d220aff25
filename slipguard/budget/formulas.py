"""Handbook arithmetic, SI units. Each function says where it comes from; none knows a rover.

*Statics*, *kinematics* and *energy* mean any mechanics text. Angles of a grade: grade in percent
is 100 tan(angle).
"""

from __future__ import annotations

import math

from slipguard.settings import GRAVITY_MPS2 as G


def grade_rad(percent: float) -> float:
    """Angle of a grade: atan(percent / 100); 20 % is 11.31 degrees."""
    return math.atan(percent / 100.0)


def grade_force_n(mass_kg: float, percent: float) -> float:
    """Pull of gravity along a grade, m g sin(angle) (statics)."""
    return mass_kg * G * math.sin(grade_rad(percent))


def axle_loads_n(
    mass_kg: float, percent: float, wheelbase_m: float, cog_height_m: float
) -> tuple[float, float]:
    """Load of the front and the rear axle, nose uphill, mass in the middle of the wheelbase.

    Moments about the other axle's footprint: W (b cos - h sin) / l in front, W (a cos + h sin) / l
    behind (statics; any vehicle dynamics handbook).
    """
    weight, angle = mass_kg * G, grade_rad(percent)
    half = weight * math.cos(angle) / 2
    shift = weight * math.sin(angle) * cog_height_m / wheelbase_m
    return half - shift, half + shift


def clamp_torque_nm(
    servo_nm: float, lever_m: float, ratio: float, pad_friction: float, faces: int, disc_m: float
) -> float:
    """Torque of a disc brake: faces x friction x clamp force x radius (statics; Coulomb)."""
    return faces * pad_friction * (servo_nm / lever_m * ratio) * disc_m


def tip_angle_rad(half_base_m: float, cog_height_m: float) -> float:
    """Slope at which the load of the uphill wheels is gone: atan(half base / height) (statics)."""
    return math.atan2(half_base_m, cog_height_m)


def kinetic_energy_j(mass_kg: float, speed_mps: float) -> float:
    """m v^2 / 2."""
    return 0.5 * mass_kg * speed_mps**2


def stopping_m(speed_mps: float, delay_s: float, decel_mps2: float) -> float:
    """v t + v^2 / (2 a): travel in the delay, and with even deceleration (kinematics)."""
    return speed_mps * delay_s + speed_mps**2 / (2.0 * decel_mps2)


def speed_for_stop_mps(distance_m: float, delay_s: float, decel_mps2: float) -> float:
    """The speed whose ``stopping_m`` is ``distance_m``: sqrt((a t)^2 + 2 a d) - a t."""
    lost = decel_mps2 * delay_s
    return math.sqrt(lost**2 + 2.0 * decel_mps2 * distance_m) - lost


def count_m(radius_m: float, counts_per_rev: float) -> float:
    """Rim travel of one count, 2 pi r / N."""
    return 2.0 * math.pi * radius_m / counts_per_rev


def bias_grade_percent(accel_mps2: float) -> float:
    """Grade that an accelerometer error along x looks like: 100 tan(asin(error / g))."""
    return 100.0 * math.tan(math.asin(min(accel_mps2 / G, 1.0 - 1e-9)))


def torque_constant_nm_per_a(rpm_per_v: float) -> float:
    """Torque of an ideal DC motor for each ampere: 60 / (2 pi Kv), the inverse of its speed
    constant in SI units (energy: U I = M omega)."""
    return 60.0 / (2.0 * math.pi * rpm_per_v)
