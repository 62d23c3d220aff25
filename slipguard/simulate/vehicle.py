"""The rover as a model of the physics engine, built from the settings of its YAML."""

from __future__ import annotations

import math
from typing import NamedTuple

from slipguard.config import Config
from slipguard.reading import WHEELS, Quad
from slipguard.simulate.settings import SimSettings

GRAVITY_MPS2 = 9.81
PHYSICS_STEP_S = 0.001
WHEEL_MASS_SHARE = 0.05  # of the rover, each; common practice for hobby crawler wheels, no source
CARRIER_MASS_SHARE = 0.015
STIFF = 'solref="0.004 1" solimp="0.999 0.9999 0.001"'
CONTACT_IMPEDANCE = 0.3  # d of the engine: softness of a contact row is (1 - d) / d / mass
CONTACT_DAMPING_PER_S = 300.0  # contacts settle this fast; the engine's step allows ~500


def corners(config: Config) -> tuple[tuple[float, float], ...]:
    """Position (forward, left) of each wheel from the middle of the wheelbase, metres."""
    a, b = config.rover.wheelbase_m / 2, config.rover.track_m / 2
    return ((a, b), (a, -b), (-a, b), (-a, -b))


def steer_angles_rad(config: Config, steer: float) -> Quad:
    """Angle of each wheel, left positive, for a steer command -1..1.

    Ackermann: all wheel axes meet in one turning centre. With curvature k of the path of
    the middle of the unsteered axle (both axles steered: of the middle of the wheelbase),
    a wheel at longitudinal distance l from that line and lateral offset y has
    ``tan(d) = l k / (1 - y k)``.
    """
    rover = config.rover
    lever = {"front": (1.0, 0.0), "rear": (0.0, -1.0), "both": (0.5, -0.5), "skid": (0.0, 0.0)}
    front, rear = (share * rover.wheelbase_m for share in lever[rover.steered])
    if front == rear == 0.0:
        return (0.0, 0.0, 0.0, 0.0)
    delta = max(-1.0, min(1.0, steer)) * math.radians(rover.max_steer_deg)
    curvature = math.tan(delta) / max(front, -rear)
    half = rover.track_m / 2

    def angle(length: float, left: float) -> float:
        return math.atan2(length * curvature, 1.0 - left * curvature)

    return (angle(front, half), angle(front, -half), angle(rear, half), angle(rear, -half))


def unloaded_radius_m(config: Config, sim: SimSettings) -> float:
    """Radius of a tyre that carries nothing. Under the standing rover's load it rolls like a
    wheel of ``rover.wheel_radius_m``: the engine's contact lies half way into the tyre."""
    load = config.rover.mass_kg * GRAVITY_MPS2 / 4
    return config.rover.wheel_radius_m + load / sim.tyre_stiffness_n_per_m / 2


def model_xml(config: Config, sim: SimSettings) -> str:
    """The rover in the engine's own format (MJCF)."""
    rover = config.rover
    m, r = rover.mass_kg, rover.wheel_radius_m
    wheel_m, carrier_m = WHEEL_MASS_SHARE * m, CARRIER_MASS_SHARE * m
    chassis_m = m - 4 * (wheel_m + carrier_m)
    # Sprung mass sits so that the whole rover has its centre of mass at cog_height_m.
    cog = rover.cog_height_m if rover.cog_height_m is not None else 1.3 * r
    chassis_z = (m * cog - 4 * (wheel_m + carrier_m) * r) / chassis_m - r
    length, width, height = rover.wheelbase_m * 1.2, rover.track_m * 0.7, 1.2 * r
    inertia = [
        chassis_m / 12 * (width**2 + height**2),
        chassis_m / 12 * (length**2 + height**2),
        chassis_m / 12 * (length**2 + width**2),
    ]
    load = chassis_m * GRAVITY_MPS2 / 4
    stiffness = load / sim.suspension_sag_m
    damping = sim.suspension_damping * 2 * math.sqrt(stiffness * chassis_m / 4)
    travel = sim.suspension_travel_m
    spin_i = 0.7 * wheel_m * r**2  # between a disc (0.5) and a ring (1)
    cross_i = spin_i / 2 + wheel_m * sim.tyre_width_m**2 / 12
    tall = unloaded_radius_m(config, sim)
    wheels, grounds, pairs = [], [], []
    for name, (x, y) in zip(WHEELS, corners(config), strict=True):
        wheels.append(f"""
      <body name="{name}_carrier" pos="{x!r} {y!r} 0">
        <inertial pos="0 0 0" mass="{carrier_m!r}" diaginertia="1e-4 1e-4 1e-4"/>
        <joint name="{name}_spring" type="slide" axis="0 0 1" stiffness="{stiffness!r}"
          springref="{-sim.suspension_sag_m!r}" damping="{damping!r}" limited="true"
          range="{-travel!r} {travel!r}" solreflimit="0.01 1"/>
        <body name="{name}">
          <inertial pos="0 0 0" mass="{wheel_m!r}"
            diaginertia="{cross_i!r} {spin_i!r} {cross_i!r}"/>
          <joint name="{name}_hub" type="hinge" axis="0 1 0" frictionloss="0.01"
            solreffriction="0.004 2" solimpfriction="0.9999 0.99999 0.001"/>
          <geom name="{name}_tyre" type="ellipsoid" contype="0" conaffinity="0"
            size="{tall!r} {sim.tyre_width_m / 2!r} {tall!r}"/>
        </body>
      </body>""")
        grounds.append(f"""
    <body name="{name}_ground" mocap="true">
      <geom name="{name}_plane" type="plane" size="1 1 1" contype="0" conaffinity="0"/>
    </body>""")
        pairs.append(f"""
    <pair geom1="{name}_plane" geom2="{name}_tyre" condim="3"
      solimp="{CONTACT_IMPEDANCE} {CONTACT_IMPEDANCE} 0.001"/>""")
    line = _driveline(config, sim)
    return f"""
<mujoco>
  <compiler inertiafromgeom="false" angle="radian"/>
  <option timestep="{PHYSICS_STEP_S}" integrator="implicitfast" cone="elliptic"
    gravity="0 0 {-GRAVITY_MPS2}" solver="Newton" iterations="30" tolerance="1e-10"/>
  <worldbody>{"".join(grounds)}
    <body name="chassis" pos="0 0 1">
      <freejoint/>
      <inertial pos="0 0 {chassis_z!r}" mass="{chassis_m!r}"
        diaginertia="{" ".join(map(repr, inertia))}"/>{"".join(wheels)}
    </body>{"".join(line.rotors)}
  </worldbody>
  <contact>{"".join(pairs)}
  </contact>
  <tendon>{"".join(line.tendons)}
  </tendon>
  <actuator>{"".join(f'<motor joint="{n}"/>' for n in motors(config))}</actuator>
  <equality>{"".join(line.ties)}</equality>
</mujoco>"""


class Driveline(NamedTuple):
    """Pieces of the model between motor and hubs."""

    rotors: list[str]
    tendons: list[str]
    ties: list[str]


def motors(config: Config) -> tuple[str, ...]:
    """Names of the motors: one, or one a side for skid steering."""
    return ("left", "right") if config.rover.steered == "skid" else ("motor",)


def _driveline(config: Config, sim: SimSettings) -> Driveline:
    """Ideal differentials: the rotor is tied to the mean turn of the wheels it drives, so it
    hands each the same share of its torque. Locked: the hubs are tied together besides."""
    driven = {"front": ("fl", "fr"), "rear": ("rl", "rr")}.get(config.rover.drive, WHEELS)
    names = motors(config)
    inertia = max(1e-5, sim.motor_inertia_kgm2 / len(names))
    line = Driveline([], [], [])
    for name in names:
        mine = [w for w in driven if name == "motor" or w[1] == name[0]]
        hubs = "".join(f'<joint joint="{w}_hub" coef="{1 / len(mine)!r}"/>' for w in mine)
        line.rotors.append(f"""
    <body name="{name}">
      <inertial pos="0 0 0" mass="0.1" diaginertia="{inertia!r} {inertia!r} {inertia!r}"/>
      <joint name="{name}" type="hinge" axis="0 1 0"/>
    </body>""")
        line.tendons.append(f'<fixed name="{name}">{hubs}<joint joint="{name}" coef="-1"/></fixed>')
        line.ties.append(f'<tendon tendon1="{name}" {STIFF}/>')
        if config.rover.drive == "locked":
            line.ties.extend(
                f'<joint joint1="{w}_hub" joint2="{mine[0]}_hub" {STIFF}/>' for w in mine[1:]
            )
    return line
