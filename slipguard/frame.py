"""One reading, cleaned: finite numbers of known age, and what had to be dropped."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

GAP_S = 0.5
"""A longer silence between readings is a gap: what the rover did in it is unknown."""


@dataclass(slots=True)
class Frame:
    """One reading, cleaned. Reused from step to step by its ``Intake``."""

    t_s: float = 0.0
    dt_s: float = 0.0
    gap: bool = False
    clock_fault: str = ""
    clock_jump_s: float = 0.0
    # IMU, body axes, known bias taken off
    imu_new: bool = False
    imu_age_s: float = math.inf
    imu_fault: str = ""
    accel: list[float] = field(default_factory=lambda: [0.0] * 3)
    gyro: list[float] = field(default_factory=lambda: [0.0] * 3)
    # Wheels: travel in counts since the first, or speed in rad/s
    wheel_new: list[bool] = field(default_factory=lambda: [False] * 4)
    wheel_dt_s: list[float] = field(default_factory=lambda: [0.0] * 4)
    wheel_step: list[float] = field(default_factory=lambda: [0.0] * 4)
    wheel_jump: list[bool] = field(default_factory=lambda: [False] * 4)
    wheel_age_s: list[float] = field(default_factory=lambda: [math.inf] * 4)
    wheel_radps: list[float] = field(default_factory=lambda: [0.0] * 4)
    # Command; None: never given
    throttle: float | None = None
    drive: float = math.nan  # throttle that reaches the motor: 0 while it is disabled; nan: unknown
    steer_rad: float = 0.0
    motor_enabled: bool = True
    command_age_s: float | None = None
    command_fault: bool = False
    brake_position: tuple[float | None, ...] | None = None
