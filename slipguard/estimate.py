"""What the fusion believes about the rover's motion, and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass

from slipguard.reading import Quad


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Motion of the rover at one moment. Wheel order fl, fr, rl, rr; SI units.

    Attributes
    ----------
    t_s : float
        Time of the reading this follows from, seconds.
    speed_mps, speed_sd_mps : float
        Ground speed of the middle of the wheelbase, forward positive, and its standard
        deviation.
    accel_mps2 : float
        Rate of change of ``speed_mps``.
    distance_m : float
        Integral of ``speed_mps`` since the first reading.
    yaw_rate_radps : float
        Turn rate, left positive.
    grade_rad, grade_sd_rad : float
        Nose-up pitch of the body, squat included, and its standard deviation (the
        accelerometer's bias is part of it).
    wheel_speed_mps : (4,) float
        Rim speed of each wheel over the ground it stands on, were it not slipping.
    slip_mps : (4,) float
        Slip speed: rim speed minus ground speed at the wheel, along the wheel.
    slip_sd_mps : (4,) float
        Standard deviation of ``slip_mps``.
    slip_ratio : (4,) float
        Slip speed over max(|rim|, |ground|, 0.1 m/s), signed so that drive slip is
        positive and brake slip negative in either direction of travel.
    excess_travel_m : (4,) float
        Rim travel beyond what ground travel and the encoder's resolution explain.
    excess_sd_m : (4,) float
        Standard deviation of the predicted rim travel the excess is measured against.
    wheel_travel_m : (4,) float
        Rim travel by the encoders alone since the first reading, as the wheels turn against
        the body.
    side_slope_rad : float
        Roll of the body from gravity, left side up positive.
    lateral_mps2 : float
        Smoothed specific force to the left: what tips the rover sideways.
    vertical_mps2 : float
        Smoothed specific force upwards: what keeps it on its wheels.
    at_rest : bool
        Wheels still, body quiet, and speed at zero within its uncertainty.
    coasting : bool
        No wheel can be trusted: the estimate follows the accelerometer alone.
    accel_doubted_s : float
        For how long the accelerometer has been left out because it contradicts all wheels;
        0.0 while it is believed.
    rim_jump_sd : (4,) float
        How far beyond what a rim can do the counts of each wheel went when it last reported, in
        standard deviations, ahead positive; 0.0 where they did not.
    """

    t_s: float
    speed_mps: float
    speed_sd_mps: float
    accel_mps2: float
    distance_m: float
    yaw_rate_radps: float
    grade_rad: float
    grade_sd_rad: float
    wheel_speed_mps: Quad
    slip_mps: Quad
    slip_sd_mps: Quad
    slip_ratio: Quad
    excess_travel_m: Quad
    excess_sd_m: Quad
    wheel_travel_m: Quad
    side_slope_rad: float
    lateral_mps2: float
    vertical_mps2: float
    at_rest: bool
    coasting: bool
    accel_doubted_s: float
    rim_jump_sd: Quad = (0.0, 0.0, 0.0, 0.0)
