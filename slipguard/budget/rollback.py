"""How far a rover rolls before its brakes have it: from the first count to standing still.

This is the roll nobody saw coming: chocks pulled away, a driver who lets go on a hill, a hold
that was given up. A rover that stands on a grade with the stick in neutral is held before it
rolls, and does not come here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from slipguard.budget.formulas import grade_rad
from slipguard.config import Config
from slipguard.settings import GRAVITY_MPS2

SURE_MPS = 0.01
"""What two standard deviations of the filter's speed come to when a roll has just begun; median
of simulated rolls on 5 to 30 %, 24 and 96 counts."""
STEP_S = 1e-3
LONGEST_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RollBack:
    """A roll on one grade.

    Attributes
    ----------
    found_s, bite_s : float
        From the start until it is found, and until the brakes carry the weight.
    travel_m : float
        Until it stands; infinite when the brakes never hold it.
    speed_mps : float
        Fastest on the way.
    """

    grade_percent: float
    found_s: float
    bite_s: float
    travel_m: float
    speed_mps: float


def roll_back(
    config: Config, grade_percent: float, mass_kg: float, *, friction: float = math.inf
) -> RollBack:
    """Roll of a rover of ``mass_kg`` from rest, without drive, until its brakes hold it.

    It is found when the travel passes ``rolling.travel_mm`` and a whole count (the worst phase of
    the encoders) and the speed is beyond what the filter leaves open; one encoder reading, one
    IMU sample and the sensors' delays later the brakes are asked for. Their command rises at
    ``brakes.slew_per_s`` to what the hold presses with, and follows with ``brakes.lag_s``. Even
    acceleration g sin(angle) until then (kinematics); brakes slow it by no more than
    ``friction`` g cos(angle), from where on tyres slide (statics). Rolling resistance, the inertia
    of wheels and motor, and the luck of four encoders with different phases are left out, which
    makes the answer a bound: simulated rolls are 0.4 of it with 96 counts, 0.1 to 0.35 with 24.
    """
    angle = grade_rad(grade_percent)
    pull = GRAVITY_MPS2 * math.sin(angle)
    seen_m = max(config.rolling.travel_mm * 1e-3, config.count_m)
    fast = config.rolling.speed_mps + SURE_MPS
    wait = (
        1.0 / config.encoders.rate_hz
        + 1.0 / config.imu.rate_hz
        + max(config.encoders.delay_s, config.imu.delay_s)
    )
    found = max(math.sqrt(2.0 * seen_m / pull), fast / pull) + wait
    per_mps2 = mass_kg * config.rover.wheel_radius_m / (4.0 * config.brakes.max_torque_nm)
    hold = config.hold
    level = min(1.0, max(hold.brake, hold.margin * per_mps2 * pull))
    speed, travel, time = pull * found, 0.5 * pull * found**2, found
    command = position = 0.0
    bite, fastest = math.inf, speed
    share = 1.0 if config.brakes.lag_s <= 0 else 1.0 - math.exp(-STEP_S / config.brakes.lag_s)
    grip = friction * GRAVITY_MPS2 * math.cos(angle)
    while speed > 0.0:
        if time > found + LONGEST_S:
            travel = math.inf
            break
        creep = hold.brake + hold.press_per_mm * 1e3 * travel
        wanted = min(1.0, max(level, creep))
        command = min(wanted, command + config.brakes.slew_per_s * STEP_S)
        position += (command - position) * share
        accel = pull - min(position / per_mps2, grip)
        if accel <= 0.0:
            bite = min(bite, time)
        speed += accel * STEP_S
        fastest = max(fastest, speed)
        travel += max(0.0, speed) * STEP_S
        time += STEP_S
    return RollBack(
        grade_percent=grade_percent,
        found_s=found,
        bite_s=bite,
        travel_m=travel,
        speed_mps=fastest,
    )
