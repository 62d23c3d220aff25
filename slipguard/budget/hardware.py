"""The section ``hardware`` of a rover file: what only the budget needs to know of the parts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from slipguard.config import Config
from slipguard.section import Section
from slipguard.settings import setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Hardware:
    """Data sheets and a ruler. Nothing that drives reads this section."""

    servo_torque_nm: float | None = setting(
        None, unit="N m", above=0, doc="stall torque of a brake servo at the voltage it gets"
    )
    servo_lever_m: float | None = setting(
        None, unit="m", above=0, high=1, doc="servo shaft to where the rod hangs on its horn"
    )
    caliper_ratio: float = setting(
        1.0, unit="-", above=0, doc="force on the pads over force in the rod"
    )
    disc_radius_m: float | None = setting(
        None, unit="m", above=0, high=1, doc="axle to the middle of the pads"
    )
    disc_faces: int = setting(
        2, unit="-", low=1, high=20, doc="faces the pads press on: 2 for one disc between two pads"
    )
    pad_friction: float = setting(
        0.35, unit="-", above=0, high=2, doc="pads on the disc, warm and dry"
    )
    servo_share: float = setting(
        0.5, unit="-", above=0, high=1, doc="share of the stall torque a servo can hold for long"
    )
    count_rate_hz: float | None = setting(
        None, unit="1/s", above=0, doc="counts a second that what reads one encoder can follow"
    )
    battery_v: float | None = setting(None, unit="V", above=0, doc="voltage of the full battery")
    battery_max_a: float | None = setting(
        None, unit="A", above=0, doc="least of what battery, wires and speed controller can carry"
    )
    motor_rpm_per_v: float | None = setting(
        None, unit="rpm/V", above=0, doc="free-running motor speed for each volt"
    )
    motor_resistance_ohm: float | None = setting(
        None, unit="ohm", above=0, doc="from battery to battery through controller and motor"
    )
    gear_ratio: float | None = setting(
        None, unit="-", above=0, doc="turns of the motor for one turn of the wheels, all the way"
    )

    @classmethod
    def of(cls, config: Config) -> Hardware:
        """The section of a rover file; without one, nothing is known.

        Raises
        ------
        ConfigError
            File, line and key.
        """
        found = config.hardware
        section = found if isinstance(found, Section) else Section(found, path="hardware")
        return section.read(cls)

    def free_speed_mps(self, wheel_radius_m: float) -> float | None:
        """Rim speed of a motor without load, Kv U / gear x 2 pi r / 60; None: a key is missing."""
        if self.motor_rpm_per_v is None or self.battery_v is None or self.gear_ratio is None:
            return None
        wheel_rpm = self.motor_rpm_per_v * self.battery_v / self.gear_ratio
        return wheel_rpm * 2.0 * math.pi * wheel_radius_m / 60.0


def fastest(config: Config, hardware: Hardware, given: frozenset[str]) -> tuple[float, str, bool]:
    """What the motor can do, m/s; the key that says so; whether anybody gave it.

    ``rover.top_speed_mps`` where it was given, else what the data sheets of motor, gears and
    battery come to, else the default of the former, which is nobody's word.
    """
    key = "rover.top_speed_mps"
    free_mps = hardware.free_speed_mps(config.rover.wheel_radius_m)
    if key not in given and free_mps is not None:
        return free_mps, "hardware.motor_rpm_per_v", True
    return config.rover.top_speed_mps, key, key in given
