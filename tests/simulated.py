"""Rovers for the tests of the simulator: one like the demo's, with quiet sensors."""

from __future__ import annotations

from collections.abc import Iterator

from slipguard import Config
from slipguard.simulate import Plant, Truth

QUIET = (
    "accel_bias_sd_mps2: 0, gyro_bias_sd_radps: 0, accel_drift_mps2_per_sqrt_s: 0, "
    "gyro_drift_radps_per_sqrt_s: 0, vibration_mps2_per_mps: 0, vibration_radps_per_mps: 0"
)


def rover(
    *,
    chassis: str = "",
    steered: str = "front",
    drive: str = "open",
    encoders: str = "counts_per_rev: 96",
    imu: str = "accel_noise_mps2: 0.08, gyro_noise_radps: 0.004",
    sim: str = QUIET,
    more: str = "",
) -> Config:
    """The demo rover with other values in its sections, each a line of YAML."""
    chassis = chassis or "mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075"
    return Config.parse(
        f"rover: {{{chassis}, max_steer_deg: 25, steered: {steered}, drive: {drive}}}\n"
        f"encoders: {{{encoders}}}\nimu: {{{imu}}}\nsim: {{{sim}}}\n{more}"
    )


def play(
    plant: Plant,
    seconds: float,
    throttle: float = 0.0,
    steer: float = 0.0,
    brakes: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
    **step: object,
) -> Iterator[Truth]:
    """Truth of every step while the actuators stay as they are."""
    for _ in range(round(seconds / plant.dt_s)):
        plant.step(throttle, steer, brakes, **step)  # type: ignore[arg-type]
        yield plant.truth()


def last(truths: Iterator[Truth]) -> Truth:
    """Play to the end; the truth there."""
    *_, end = truths
    return end
