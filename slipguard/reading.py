"""What the sensors and the operator's link delivered at one moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WHEELS = ("fl", "fr", "rl", "rr")
"""Wheel order everywhere: front left, front right, rear left, rear right."""

Triple = tuple[float, float, float]
Quad = tuple[float, float, float, float]
MaybeQuad = Sequence[float | None]


def quad(values: Sequence[float]) -> Quad:
    """Exactly four values, one for each wheel, as a tuple whose length the types know.

    Raises
    ------
    ValueError
        There are not four.
    """
    fl, fr, rl, rr = values
    return (fl, fr, rl, rr)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One set of sensor values. ``None`` means: no new value since the last reading.

    Axes are ISO 8855: x forward, y left, z up. A field that was never given is unknown.
    Nothing is validated here: a reading says what arrived, and ``Guard.step`` copes with it.

    Attributes
    ----------
    t_s : float
        Monotonic time of this reading, seconds.
    counts : sequence of 4 int or None
        Cumulative encoder counts at the wheel (fl, fr, rl, rr), every edge decoded
        (four per quadrature cycle). A single entry may be None.
    wheel_speed_radps : sequence of 4 float or None
        Wheel speeds, for rovers whose wheels report speeds instead of counts, rad/s.
    accel_mps2 : (3,) float
        Specific force, m/s2. At rest on level ground it reads (0, 0, +9.81).
    gyro_radps : (3,) float
        Angular rate, rad/s. +y turns the nose down, +z turns left.
    throttle : float
        The operator's request, -1..1.
    steer : float
        The operator's request, -1..1, left positive; full is ``rover.max_steer_deg``.
    motor_enabled : bool
        Whether the motor may turn.
    command_age_s : float
        Age of the operator's last command, seconds.
    motor_current_a, motor_speed_radps, battery_v : float
        Optional sensors.
    brake_position : sequence of 4 float or None
        Measured brake travel, each 0..1.
    """

    t_s: float
    counts: MaybeQuad | None = None
    wheel_speed_radps: MaybeQuad | None = None
    accel_mps2: Sequence[float] | None = None
    gyro_radps: Sequence[float] | None = None
    throttle: float | None = None
    steer: float | None = None
    motor_enabled: bool | None = None
    command_age_s: float | None = None
    motor_current_a: float | None = None
    motor_speed_radps: float | None = None
    battery_v: float | None = None
    brake_position: MaybeQuad | None = None
