"""Every setting of a rover: unit, meaning, limits and default, in this one place.

A rover file is these dataclasses written down; ``config.py`` reads it. A setting
without a default must be given.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

Triple = tuple[float, float, float]
REQUIRED = object()
GRAVITY_MPS2 = 9.80665
"""Standard gravity, ISO 80000-3."""


def setting(
    default: Any = REQUIRED,
    *,
    unit: str = "",
    doc: str,
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] | None = None,
    above: float | None = None,
) -> Any:
    """Declare one setting: ``low <= value <= high`` or ``value > above`` or one of ``choices``."""
    meta = {
        "unit": unit,
        "doc": doc,
        "low": low,
        "high": high,
        "above": above,
        "choices": choices,
    }
    if default is REQUIRED:
        return field(metadata=meta)
    return field(default=default, metadata=meta)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rover:
    """The chassis."""

    mass_kg: float = setting(unit="kg", above=0, high=3000, doc="mass, ready to drive")
    wheelbase_m: float = setting(unit="m", above=0, high=10, doc="front axle to rear axle")
    track_m: float = setting(
        unit="m",
        above=0,
        high=10,
        doc="left wheel to right wheel; for skid steering the effective track, which is wider "
        "because the tyres scrub",
    )
    wheel_radius_m: float = setting(unit="m", above=0, high=2, doc="rolling radius under load")
    wheel_radius_sd_m: float | None = setting(
        None, unit="m", low=0, high=0.5, doc="how well that is known; default: 0.5 % of it"
    )
    max_steer_deg: float = setting(
        0.0,
        unit="deg",
        low=0,
        high=80,
        doc="steer angle at steer = 1, of one imagined wheel on the centre line; must be given, "
        "but for skid steering, which has none",
    )
    steered: str = setting(
        choices=("front", "rear", "both", "skid"), doc="which axle steers; skid: none"
    )
    drive: str = setting(
        choices=("open", "locked", "front", "rear"),
        doc="open: all four through open differentials; locked: all four, turning together; "
        "front or rear: that axle alone, through an open differential",
    )
    cog_height_m: float | None = setting(
        None, unit="m", above=0, doc="centre of mass above the ground; enables tip_over_risk"
    )
    tyre_slip_stiffness: float = setting(
        15.0,
        unit="-",
        above=0,
        doc="drive force over wheel load per unit of slip ratio, below the grip limit: how much a "
        "gripping tyre creeps; 10 on soft ground to 30 on hard",
    )
    top_speed_mps: float = setting(
        15.0,
        unit="m/s",
        above=0,
        high=50,
        doc="speed the rover can never exceed; bounds the first guess",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoders:
    """What measures the wheels."""

    kind: str = setting(
        "counts", choices=("counts", "speed"), doc="cumulative counts, or speeds in rad/s"
    )
    counts_per_rev: float | None = setting(
        None, unit="counts", low=1, doc="counts per wheel revolution, every edge decoded"
    )
    direction: str = setting(
        "quadrature",
        choices=("quadrature", "unsigned"),
        doc="unsigned: one-channel sensors, which cannot tell direction",
    )
    rate_hz: float = setting(100.0, unit="Hz", above=0, high=10000, doc="readings a second")
    delay_s: float = setting(0.0, unit="s", low=0, high=0.25, doc="age of a reading on arrival")
    delay_sd_s: float = setting(
        0.03, unit="s", low=0, high=0.1, doc="how much later it may be; learnt on the way; 0: not"
    )
    speed_noise_radps: float = setting(
        0.05, unit="rad/s", low=1e-4, doc="kind: speed only; standard deviation of one reading"
    )

    @property
    def one_channel(self) -> bool:
        """Whether direction must be inferred: counts only ever go up."""
        return self.kind == "counts" and self.direction == "unsigned"

    @property
    def directed(self) -> bool:
        """Whether wheels count, and there and back: what rocks is then where it was."""
        return self.kind == "counts" and not self.one_channel


@dataclass(frozen=True, slots=True, kw_only=True)
class Imu:
    """The inertial measurement unit."""

    accel_noise_mps2: float = setting(
        unit="m/s2", above=0, high=10, doc="standard deviation of one accelerometer sample"
    )
    gyro_noise_radps: float = setting(
        unit="rad/s", above=0, high=1, doc="standard deviation of one gyro sample"
    )
    rate_hz: float = setting(200.0, unit="Hz", above=0, high=10000, doc="samples a second")
    delay_s: float = setting(0.0, unit="s", low=0, high=0.25, doc="age of a sample on arrival")
    position_m: Triple = setting(
        (0.0, 0.0, 0.0),
        unit="m",
        doc="where it sits, from the middle of the wheelbase at axle height: forward, left, up",
    )
    rotation_deg: Triple = setting(
        (0.0, 0.0, 0.0),
        unit="deg",
        doc="how it is mounted: roll, pitch, yaw of the sensor in the body, applied in the order "
        "yaw, pitch, roll about the sensor's own axes",
    )
    accel_bias_mps2: Triple = setting((0.0, 0.0, 0.0), unit="m/s2", doc="known bias, taken off")
    gyro_bias_radps: Triple = setting((0.0, 0.0, 0.0), unit="rad/s", doc="known bias, taken off")
    accel_bias_sd_mps2: float = setting(
        0.3, unit="m/s2", above=0, doc="how well the accelerometer's bias is known"
    )
    gyro_bias_sd_radps: float = setting(
        0.05, unit="rad/s", above=0, doc="how well the gyro's bias is known"
    )
    accel_range_mps2: float = setting(
        156.9, unit="m/s2", above=0, doc="full scale: a reading at or beyond it is saturated (16 g)"
    )
    gyro_range_radps: float = setting(
        34.9, unit="rad/s", above=0, doc="full scale: a reading at or beyond it is saturated"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Brakes:
    """The servo brake on each wheel."""

    max_torque_nm: float = setting(0.8, unit="N m", above=0, doc="torque of one brake at 1.0")
    lag_s: float = setting(0.06, unit="s", low=0, doc="first-order lag of the actuator")
    slew_per_s: float = setting(
        12.0, unit="1/s", above=0, doc="fastest change of a brake command the guard asks for"
    )
    heat_limit_j: float = setting(
        400.0,
        unit="J",
        above=0,
        doc="heat one brake may take in a burst; above it traction braking rests",
    )
    cooling_w: float = setting(8.0, unit="W", above=0, doc="heat one brake sheds while it rests")


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """The one motor, referred to the wheels."""

    stall_torque_nm: float = setting(
        4.0, unit="N m", above=0, doc="torque of all wheels together at full throttle, stalled"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Spin:
    """When a wheel is called spinning (drive slip) or locked (brake slip)."""

    excess_travel_mm: float = setting(
        3.0,
        unit="mm",
        low=0,
        high=200,
        doc="rim travel beyond ground travel, on top of what the encoder and the filter leave open",
    )
    excess_sd: float = setting(
        3.0,
        unit="sigma",
        low=0,
        high=20,
        doc="standard deviations of the predicted travel that the excess must also exceed",
    )
    slip_speed_mps: float = setting(
        0.12, unit="m/s", low=0, high=10, doc="slip speed below which it is not spin"
    )
    slip_sd: float = setting(
        1.5,
        unit="sigma",
        low=0,
        high=20,
        doc="standard deviations of the slip speed taken off it before it is compared",
    )
    slip_ratio: float = setting(
        0.25, unit="-", low=0, high=1, doc="slip ratio below which it is not spin"
    )
    lock_ratio: float = setting(
        0.5, unit="-", low=0, high=1, doc="slip ratio, taken negative, below which it is not lock"
    )
    clear_ms: float = setting(
        60.0, unit="ms", low=0, high=5000, doc="how long slip must be below half before it is over"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolling:
    """When motion nobody asked for is called rolling."""

    travel_mm: float = setting(
        2.0, unit="mm", low=0, high=500, doc="travel away from rest or against the command"
    )
    speed_mps: float = setting(0.02, unit="m/s", low=0, high=2, doc="slowest motion that counts")
    speed_sd: float = setting(
        2.0, unit="sigma", low=0, high=20, doc="standard deviations the speed must also exceed"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldSettings:
    """The hill hold."""

    grade_percent: float = setting(
        2.0, unit="%", low=0, high=100, doc="grade from which standing still is held"
    )
    brake: float = setting(
        0.5,
        unit="-",
        low=0,
        high=1,
        doc="least brake command of a hold; a steep grade takes more",
    )
    margin: float = setting(
        2.0, unit="-", low=1, high=20, doc="brake torque over the torque the grade asks for"
    )
    press_per_mm: float = setting(
        0.15, unit="1/mm", low=0, high=10, doc="brake command added for each millimetre of creep"
    )
    release_s: float = setting(
        0.35, unit="s", low=0.01, high=10, doc="time over which the brakes let go on drive-off"
    )
    long_hold_s: float = setting(
        120.0, unit="s", above=0, doc="hold this long and the driver is told to chock the wheels"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the guard never exceeds, and when it stops the rover."""

    max_speed_mps: float | None = setting(
        None, unit="m/s", above=0, high=50, doc="speed cap; none: no cap and no overspeed finding"
    )
    traction_brake_max_speed_mps: float = setting(
        1.5,
        unit="m/s",
        low=0,
        high=50,
        doc="above this a spinning wheel is not braked; throttle is cut",
    )
    traction_brake_per_mps: float = setting(
        0.8, unit="1/(m/s)", low=0, high=50, doc="brake command for each m/s of slip speed"
    )
    slip_target_mps: float = setting(
        0.1, unit="m/s", low=0, high=10, doc="slip speed left alone by brakes and throttle limit"
    )
    throttle_cut_per_s: float = setting(
        12.0, unit="1/s", above=0, high=1000, doc="fastest fall of the throttle limit"
    )
    throttle_restore_per_s: float = setting(
        1.0, unit="1/s", above=0, high=1000, doc="fastest rise of the throttle limit"
    )
    throttle_dead_band: float = setting(
        0.03, unit="-", low=0, high=0.5, doc="|throttle| up to this is neutral"
    )
    link_timeout_s: float = setting(
        0.6,
        unit="s",
        above=0,
        high=10,
        doc="age of the last command at which the link counts as lost",
    )
    stop_decel_mps2: float = setting(
        1.5, unit="m/s2", above=0, high=20, doc="deceleration of a stop the guard makes by itself"
    )
    tip_over_share: float = setting(
        0.7, unit="-", above=0, high=1, doc="share of the tipping limit at which to warn"
    )
