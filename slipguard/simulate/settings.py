"""The ``sim:`` section of a rover file: what only the simulator needs to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from slipguard.section import Section
from slipguard.settings import setting


@dataclass(frozen=True, slots=True, kw_only=True)
class SimSettings:
    """Everything about the simulated rover that the guard never asks for."""

    free_speed_mps: float = setting(
        3.5, unit="m/s", above=0, doc="speed at full throttle without load (crawl gearing)"
    )
    motor_inertia_kgm2: float = setting(
        0.002, unit="kg m2", low=0, doc="rotor inertia referred to the mean wheel speed"
    )
    motor_lag_s: float = setting(0.02, unit="s", low=0, doc="first-order lag of motor and ESC")
    overrun_drag: float = setting(
        0.05,
        low=0,
        high=1,
        doc="share of the motor's back-EMF braking left when the wheels overrun the throttle; "
        "also with the motor disabled",
    )
    steer_lag_s: float = setting(0.03, unit="s", low=0, doc="first-order lag of the steering")
    brake_dead_band: float = setting(
        0.03, low=0, high=0.9, doc="brake command below which the shoe does not touch"
    )
    brake_servo_slew_per_s: float = setting(
        12.0, unit="1/s", above=0, doc="fastest travel of the brake servo"
    )
    rolling_resistance: float = setting(
        0.018, low=0, high=0.5, doc="rolling resistance over wheel load"
    )
    tyre_slip_stiffness: float = setting(
        12.0,
        above=0,
        doc="drive force over wheel load per unit of slip ratio, below the grip limit, on ground "
        "that does not say otherwise",
    )
    tyre_stiffness_n_per_m: float = setting(
        20000.0, unit="N/m", above=0, doc="how hard a tyre is to press flat"
    )
    sliding_grip: float = setting(
        0.85, above=0, high=1, doc="friction of a sliding tyre, as a share of the peak"
    )
    tyre_width_m: float = setting(0.06, unit="m", above=0, doc="width of a tyre")
    suspension_sag_m: float = setting(
        0.012, unit="m", above=0, doc="how far the springs give under the standing rover"
    )
    suspension_travel_m: float = setting(
        0.022, unit="m", above=0, doc="spring travel up, and down, from standing"
    )
    suspension_damping: float = setting(0.4, above=0, doc="damping ratio of the springs")
    accel_bias_sd_mps2: float = setting(
        0.12, unit="m/s2", low=0, doc="spread of the accelerometer's unknown bias between runs"
    )
    gyro_bias_sd_radps: float = setting(
        0.012, unit="rad/s", low=0, doc="spread of the gyro's unknown bias between runs"
    )
    accel_drift_mps2_per_sqrt_s: float = setting(
        0.002, unit="m/s2/sqrt(s)", low=0, doc="random walk of the accelerometer's bias"
    )
    gyro_drift_radps_per_sqrt_s: float = setting(
        0.0001, unit="rad/s/sqrt(s)", low=0, doc="random walk of the gyro's bias"
    )
    vibration_mps2_per_mps: float = setting(
        0.3,
        unit="m/s2 per m/s",
        low=0,
        doc="vibration amplitude on each accelerometer axis per metre a second of mean rim speed",
    )
    vibration_radps_per_mps: float = setting(
        0.012, unit="rad/s per m/s", low=0, doc="the same for the gyro"
    )
    link_latency_s: float = setting(0.04, unit="s", low=0, doc="delay of the operator's commands")
    link_jitter_s: float = setting(0.01, unit="s", low=0, doc="spread of that delay")
    link_loss: float = setting(
        0.0, low=0, high=1, doc="share of the operator's commands that never arrive"
    )
    link_rate_hz: float = setting(50.0, unit="Hz", above=0, doc="operator commands a second")
    failsafe_s: float = setting(
        0.5,
        unit="s",
        above=0,
        doc="silence after which the radio receiver alone sets the throttle to neutral",
    )

    @classmethod
    def read(cls, section: Mapping[str, Any]) -> SimSettings:
        """Validate a ``sim:`` section, as ``Config.sim`` carries it.

        Raises
        ------
        ConfigError
            File, line and key; what was found and what was expected.
        """
        if not isinstance(section, Section):
            section = Section(section, path="sim")
        return section.read(cls)
