"""A scenario: a world, and a driver who does something in it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from slipguard.config import Config
from slipguard.simulate.faults import Fault
from slipguard.simulate.settings import SimSettings
from slipguard.simulate.truth import Truth
from slipguard.simulate.vehicle import GRAVITY_MPS2
from slipguard.simulate.world import World

DEMO_ROVER_YAML = """\
# The survey rover of the demo drives (simulated): a hobby truck chassis with one motor,
# three open differentials, wheel encoders, an IMU and a servo brake on each wheel.
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075, max_steer_deg: 25, steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}

# Parts, as examples: nobody weighed or measured them, put in those of your own rover. The first two
# sections only spell out defaults; the third is read by slipguard budget alone.
brakes: {max_torque_nm: 0.8, heat_limit_j: 400, cooling_w: 8}
motor: {stall_torque_nm: 4.0}  # of all wheels together, after the gears
hardware:
  servo_torque_nm: 1.1  # about 11 kg cm
  servo_lever_m: 0.012
  disc_radius_m: 0.025
  count_rate_hz: 20000  # a microcontroller that counts by interrupts
  battery_v: 12.6  # three lithium cells, full
  battery_max_a: 20  # the fuse
  motor_rpm_per_v: 850
  motor_resistance_ohm: 0.8
  gear_ratio: 24  # a crawling gear: 3.5 m/s at full throttle
"""  # noqa: E501
DEMO_ROVER = Config.parse(DEMO_ROVER_YAML, source="the demo rover")

Operator = Callable[[float, Truth], tuple[float, float]]
"""Throttle and steer, each -1..1, that the driver asks for at a time, seeing the rover."""


def always(t_s: float) -> bool:
    """True at any time."""
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Knock:
    """Somebody or something pushes the chassis: force in world axes, newton."""

    start_s: float
    duration_s: float
    force_n: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """What is driven, where, for how long. Build one by a function of a seed and copy that.

    Attributes
    ----------
    name : str
    notes : str
        What happens, in one sentence.
    world : World
    duration_s : float
    operator : callable
        ``operator(t_s, truth) -> (throttle, steer)``. It keeps no memory, so that a scenario
        can be run any number of times.
    motor_enabled, link : callable
        By time: whether the motor may turn; whether the operator's commands arrive.
    blocked_until_s : float
        Chocks lie before all wheels until then.
    x_m, y_m, heading_deg : float
        Where the rover stands at the start.
    goal_x_m : float or None
        Reaching this place along x counts as getting across.
    event_s : float or None
        When the thing happens that the scenario is about, e.g. the motor is cut.
    faults : sequence of Fault
    knocks : sequence of Knock
    """

    name: str
    notes: str
    world: World
    duration_s: float
    operator: Operator
    motor_enabled: Callable[[float], bool] = always
    link: Callable[[float], bool] = always
    blocked_until_s: float = 0.0
    x_m: float = 0.0
    y_m: float = 0.0
    heading_deg: float = 0.0
    goal_x_m: float | None = None
    event_s: float | None = None
    faults: Sequence[Fault] = ()
    knocks: Sequence[Knock] = ()


# ---------------------------------------------------------------- how a driver drives


def track(*points: tuple[float, float]) -> Callable[[float], float]:
    """A value over time through (time, value) points, straight lines between, held outside."""
    times = [p[0] for p in points]
    values = [p[1] for p in points]

    def value(t_s: float) -> float:
        if t_s <= times[0]:
            return values[0]
        for i in range(1, len(times)):
            if t_s < times[i]:
                share = (t_s - times[i - 1]) / (times[i] - times[i - 1])
                return values[i - 1] + share * (values[i] - values[i - 1])
        return values[-1]

    return value


@dataclass(frozen=True, slots=True)
class Driver:
    """What a driver knows of the rover: how much throttle makes it do what.

    Attributes
    ----------
    weight_share : float
        Throttle that balances gravity, per sine of the grade: m g r / stall torque.
    free_speed_mps : float
        Speed at full throttle without load.
    """

    weight_share: float
    free_speed_mps: float

    @classmethod
    def of(cls, config: Config) -> Driver:
        """The driver of one rover."""
        rover = config.rover
        weight_nm = rover.mass_kg * GRAVITY_MPS2 * rover.wheel_radius_m
        return cls(
            weight_nm / config.motor.stall_torque_nm, SimSettings.read(config.sim).free_speed_mps
        )

    def lift(self, truth: Truth) -> float:
        """Throttle that balances gravity where the rover stands."""
        return self.weight_share * math.sin(truth.grade_rad)

    def lift_at(self, slope_deg: float) -> float:
        """Throttle that balances gravity on a slope."""
        return self.weight_share * math.sin(math.radians(slope_deg))

    def cruise(self, truth: Truth, speed_mps: float, gain: float = 0.3) -> float:
        """Throttle to drive at a speed; the driver sees how fast the rover really is."""
        miss = speed_mps - truth.speed_mps
        return _clip(speed_mps / self.free_speed_mps + self.lift(truth) + gain * miss)

    def hold(self, truth: Truth) -> float:
        """Throttle to stand on a slope, as drivers do who have no parking brake."""
        return _clip(self.lift(truth) - 0.5 * truth.speed_mps)

    def stop(self, truth: Truth) -> float:
        """Throttle against the motion until the rover hardly moves, then neutral."""
        if abs(truth.speed_mps) < 0.06:
            return 0.0
        return _clip(-0.06 * truth.speed_mps - math.copysign(0.04, truth.speed_mps))


def keep_line(truth: Truth, y_m: float = 0.0, heading_rad: float = 0.0) -> float:
    """Steer that a driver gives to stay on the line y = ``y_m`` (driving along x).

    ``heading_rad`` is where the nose should point: 0 along x, pi when reversing along x.
    """
    off = truth.heading_rad - heading_rad
    off = math.atan2(math.sin(off), math.cos(off))
    nose = math.cos(heading_rad)  # which way the nose points along x
    way = 1.0 if truth.speed_mps > -0.05 else -1.0
    return _clip(way * (-2.0 * off) - 1.5 * nose * (truth.y_m - y_m))


def _clip(value: float) -> float:
    return max(-1.0, min(1.0, value))
