"""One reading, cleaned: finite numbers of known age, and what had to be dropped."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

GAP_S = 0.5
"""A longer silence between readings is a gap: what the rover did in it is unknown."""
IMU_LOST_S = 0.1
"""An older sample tells nothing of now."""
NEVER_GIVEN_S = 1.0
"""So long after start a sensor that has given nothing yet is missed."""
BRAKED = 0.02
"""Brake command from which on a brake may hold its wheel back."""
GOOD, NO_TIME, BACKWARD, AHEAD, STANDS = 0, 1, 2, 3, 4
"""Values of ``clock_code``."""
NO_ACCEL, ACCEL_SATURATED, NO_GYRO, GYRO_SATURATED, FROZEN = 1, 2, 3, 4, 5
"""Values of ``imu_code``, beside ``GOOD``."""


@dataclass(slots=True)
class Frame:
    """One reading, cleaned. Reused from step to step. Numbers only, so that it can be mirrored."""

    t_s: float = 0.0
    dt_s: float = 0.0
    running_s: float = 0.0  # since start, the sum of dt_s
    gap: bool = False
    timeless: bool = False  # the clock stands: dt_s is a guess
    clock_code: int = GOOD  # what is wrong with this reading's time
    clock_jump_s: float = 0.0
    # IMU, body axes, known bias taken off
    imu_new: bool = False  # a sample of the accelerometer, with the last one of the gyro
    imu_dt_s: float = 0.0  # since the one before
    accel_age_s: float = math.inf
    gyro_age_s: float = math.inf
    imu_code: int = GOOD  # what is wrong with the last IMU sample
    accel: list[float] = field(default_factory=lambda: [0.0] * 3)
    gyro: list[float] = field(default_factory=lambda: [0.0] * 3)
    # Wheels: travel in counts since the first, or speed in rad/s
    wheel_new: list[bool] = field(default_factory=lambda: [False] * 4)
    wheel_dt_s: list[float] = field(default_factory=lambda: [0.0] * 4)
    wheel_step: list[float] = field(default_factory=lambda: [0.0] * 4)
    wheel_jump: list[bool] = field(default_factory=lambda: [False] * 4)
    wheel_back: list[bool] = field(default_factory=lambda: [False] * 4)  # after a long silence
    wheel_age_s: list[float] = field(default_factory=lambda: [math.inf] * 4)
    wheel_silent: list[bool] = field(default_factory=lambda: [False] * 4)  # older than this:
    silent_after_s: list[float] = field(default_factory=lambda: [math.inf] * 4)
    wheel_radps: list[float] = field(default_factory=lambda: [0.0] * 4)
    # Command; nan: never given
    throttle: float = math.nan
    drive: float = math.nan  # throttle that reaches the motor: 0 while it is disabled
    steer_rad: float = 0.0
    motor_enabled: bool = True
    command_age_s: float = math.nan
    command_fault: bool = False
    # Brake travel, 0..1; nan: not measured
    brake_position: list[float] = field(default_factory=lambda: [math.nan] * 4)

    @property
    def imu_age_s(self) -> float:
        """Age of the half of the IMU that has been silent for longer."""
        return max(self.accel_age_s, self.gyro_age_s)
