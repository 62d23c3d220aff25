"""The simulated rover: actuators in, readings and truth out, one IMU sample a step."""

from __future__ import annotations

import math
from collections.abc import Sequence

import mujoco
import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.reading import WHEELS, Reading, Triple, quad
from slipguard.simulate.faults import EncoderFault, Fault, ImuFault
from slipguard.simulate.sensors import EncoderModel, ImuModel
from slipguard.simulate.settings import SimSettings
from slipguard.simulate.truth import Truth
from slipguard.simulate.vehicle import (
    CONTACT_DAMPING_PER_S,
    CONTACT_IMPEDANCE,
    GRAVITY_MPS2,
    PHYSICS_STEP_S,
    corners,
    model_xml,
    motors,
    steer_angles_rad,
    unloaded_radius_m,
)
from slipguard.simulate.world import Surface, World

Array = NDArray[np.float64]

SETTLE_S = 1.0
BEARING_NM = 0.002
STANDING_SOFTNESS = 5e-6  # of friction at rest, as a share of the contact's


class Plant:
    """A rover in a world.

    Parameters
    ----------
    config : Config
        The rover as it really is (payload, tyres, mounting); a guard under test may believe
        something else.
    world : World
    seed : int
        Sensor noise, biases and encoder phase. Same seed, same readings, bit for bit (on one
        machine and engine version).
    x_m, y_m, heading_deg : float
        Where it stands at the start. It settles on its springs, wheels blocked, before time 0.
    faults : sequence of Fault
    """

    def __init__(
        self,
        config: Config,
        world: World,
        seed: int,
        *,
        x_m: float = 0.0,
        y_m: float = 0.0,
        heading_deg: float = 0.0,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.config, self.world = config, world
        self.sim = SimSettings.read(config.sim)
        self.dt_s = 1.0 / config.imu.rate_hz
        self._substeps = max(1, round(self.dt_s / PHYSICS_STEP_S))
        self._radius = config.rover.wheel_radius_m
        self._tall = unloaded_radius_m(config, self.sim)
        self._surface = Surface(world, self._tall)
        self._build()
        noise = np.random.default_rng([seed, 1])
        self._imu = ImuModel(
            config, self.sim, self.dt_s, [f for f in faults if isinstance(f, ImuFault)], noise
        )
        self._encoders = EncoderModel(
            config,
            self.dt_s,
            [f for f in faults if isinstance(f, EncoderFault)],
            np.random.default_rng([seed, 2]),
        )
        self._normal = np.tile([0.0, 0.0, 1.0], (4, 1))
        self._drive, self._enabled = 0.0, False
        self._steer = 0.0
        self._brakes = [0.0] * 4
        self._angles = steer_angles_rad(config, 0.0)
        self._load = [config.rover.mass_kg * GRAVITY_MPS2 / 4] * 4
        self._ground, self._rim = [0.0] * 4, [0.0] * 4
        self._arm = np.array([[x, y, 0.0] for x, y in corners(config)])
        self._rot: Array
        self._imu_v: Array
        self._truth: Truth
        self._place(x_m, y_m, math.radians(heading_deg))
        self._tick = 0
        self._look(math.inf)
        for _ in range(round(SETTLE_S / self.dt_s)):
            self._advance((0.0,) * 4, blocked=True)
        self._look(math.inf)
        self._sense()

    # ------------------------------------------------------------ the public verbs

    def step(
        self,
        throttle: float,
        steer: float,
        brakes: Sequence[float] = (0.0, 0.0, 0.0, 0.0),
        motor_enabled: bool = True,
        *,
        blocked: bool = False,
        push_n: Triple = (0.0, 0.0, 0.0),
    ) -> None:
        """Advance by one IMU sample.

        ``blocked``: chocks lie before all wheels. ``push_n``: force on the chassis, world axes.
        """
        sim, dt = self.sim, self.dt_s
        self._enabled = motor_enabled
        target = max(-1.0, min(1.0, throttle)) if motor_enabled else 0.0
        self._drive += (target - self._drive) * _lag(dt, sim.motor_lag_s)
        if abs(self._drive - target) < 1e-4:
            self._drive = target
        self._steer += (max(-1.0, min(1.0, steer)) - self._steer) * _lag(dt, sim.steer_lag_s)
        if abs(self._steer - steer) < 1e-5:
            self._steer = steer
        lag, slew = _lag(dt, self.config.brakes.lag_s), sim.brake_servo_slew_per_s * dt
        for i, command in enumerate(brakes):
            move = (max(0.0, min(1.0, command)) - self._brakes[i]) * lag
            self._brakes[i] += max(-slew, min(slew, move))
        band, peak = sim.brake_dead_band, self.config.brakes.max_torque_nm
        torque = tuple(max(0.0, (b - band) / (1 - band)) * peak for b in self._brakes)
        self._steer_wheels()
        self._data.xfrc_applied[self._chassis, :3] = push_n
        self._advance(torque, blocked=blocked)
        self._tick += 1
        self._look(dt)
        self._sense()

    def reading(
        self,
        throttle: float | None = None,
        steer: float | None = None,
        motor_enabled: bool | None = None,
        command_age_s: float | None = None,
    ) -> Reading:
        """What the sensors deliver now, with the operator's command as it was received."""
        speeds = self.config.encoders.kind == "speed"
        return Reading(
            t_s=self.t_s,
            counts=None if speeds else self._wheels,
            wheel_speed_radps=self._wheels if speeds else None,
            accel_mps2=self._inertial[0] if self._inertial else None,
            gyro_radps=self._inertial[1] if self._inertial else None,
            throttle=throttle,
            steer=steer,
            motor_enabled=motor_enabled,
            command_age_s=command_age_s,
        )

    def truth(self) -> Truth:
        """What really happens now."""
        return self._truth

    @property
    def t_s(self) -> float:
        """Time since the start, seconds."""
        return round(self._tick * self.dt_s, 6)

    @property
    def motor_speed_radps(self) -> float:
        """Speed of the motor (each side's mean, for skid steering), referred to the wheels."""
        return float(np.mean(self._data.qvel[self._rotor_v]))

    # ------------------------------------------------------------ inside

    def _build(self) -> None:
        self._model = model = mujoco.MjModel.from_xml_string(model_xml(self.config, self.sim))
        model.opt.timestep = self.dt_s / self._substeps
        self._data = mujoco.MjData(model)

        def ids(kind: int, suffix: str) -> list[int]:
            return [mujoco.mj_name2id(model, kind, w + suffix) for w in WHEELS]

        self._chassis = mujoco.mj_name2id(model, mujoco.mjtObj.mjOBJ_BODY, "chassis")
        hubs = ids(mujoco.mjtObj.mjOBJ_JOINT, "_hub")
        springs = ids(mujoco.mjtObj.mjOBJ_JOINT, "_spring")
        self._wheel_body = ids(mujoco.mjtObj.mjOBJ_BODY, "")
        self._tyre = {g: i for i, g in enumerate(ids(mujoco.mjtObj.mjOBJ_GEOM, "_tyre"))}
        self._hub_q, self._hub_v = model.jnt_qposadr[hubs], model.jnt_dofadr[hubs]
        self._spring_q, self._spring_v = model.jnt_qposadr[springs], model.jnt_dofadr[springs]
        # Softness of a contact row in the engine; the tyre's spring and damper follow from it.
        inverse = float(model.body_invweight0[self._wheel_body[0], 0])
        self._softness = (1 - CONTACT_IMPEDANCE) / CONTACT_IMPEDANCE * inverse
        spring = self.sim.tyre_stiffness_n_per_m * self._softness
        model.pair_solref[:] = (
            -spring * CONTACT_IMPEDANCE,
            -CONTACT_DAMPING_PER_S * CONTACT_IMPEDANCE,
        )
        weight = self.config.rover.mass_kg * GRAVITY_MPS2 / 4
        stiffness = self.world.slip_stiffness or self.sim.tyre_slip_stiffness
        self._creep_per_n = 1.0 / (stiffness * weight)
        drive = self.config.rover.drive
        self._driven = []
        self._rotor_v = [int(model.joint(n).dofadr[0]) for n in motors(self.config)]
        for name in motors(self.config):
            side = [i for i, w in enumerate(WHEELS) if name == "motor" or w[1] == name[0]]
            axle = {"front": "f", "rear": "r"}.get(drive)
            self._driven.append([i for i in side if axle is None or WHEELS[i][0] == axle])

    def _place(self, x: float, y: float, heading: float) -> None:
        """Stand the rover on the ground so that its wheels just touch."""
        c, s = math.cos(heading), math.sin(heading)
        points = [(x + c * a - s * b, y + s * a + c * b) for a, b in corners(self.config)]
        fl, fr, rl, rr = (self._surface.at(*p)[0] for p in points)
        rise = (fl + fr - rl - rr) / (2 * self.config.rover.wheelbase_m)
        lean = (fl + rl - fr - rr) / (2 * self.config.rover.track_m)
        normal = np.array([-rise * c + lean * s, -rise * s - lean * c, 1.0])
        normal /= np.linalg.norm(normal)
        forward = np.array([c, s, 0.0])
        forward -= normal * (forward @ normal)
        forward /= np.linalg.norm(forward)
        rotation = np.column_stack((forward, np.cross(normal, forward), normal))
        q = np.zeros(4)
        mujoco.mju_mat2Quat(q, rotation.ravel())
        self._data.qpos[:3] = (x, y, (fl + fr + rl + rr) / 4)
        self._data.qpos[3:7] = q
        mujoco.mj_forward(self._model, self._data)

    def _steer_wheels(self) -> None:
        """Turn the wheels on their pivots; the pivots themselves have no mass."""
        angles = steer_angles_rad(self.config, self._steer)
        if angles == self._angles:
            return
        self._angles = angles
        for body, angle in zip(self._wheel_body, angles, strict=True):
            quat = self._model.body_quat[body]
            quat[0], quat[3] = math.cos(angle / 2), math.sin(angle / 2)

    def _advance(self, brake_nm: Sequence[float], *, blocked: bool) -> None:
        model, data = self._model, self._data
        # Ground under each wheel: its tangent plane and its friction.
        fast = []
        for i, (x, y, _) in enumerate(self._centre.tolist()):
            z, gx, gy = self._surface.at(x, y)
            norm = math.sqrt(1 + gx * gx + gy * gy)
            nx, ny, nz = -gx / norm, -gy / norm, 1 / norm
            self._normal[i] = (nx, ny, nz)
            r = self._tall
            data.mocap_pos[i] = (x - r * nx, y - r * ny, z - r * nz)
            half = math.sqrt(2 * (1 + nz))
            data.mocap_quat[i] = ((1 + nz) / half, -ny / half, nx / half, 0.0)
            mu = self.world.friction(x, y) * self._sliding(i)
            model.pair_friction[i, 0] = model.pair_friction[i, 1] = mu
            fast.append(max(abs(self._rim[i]), abs(self._ground[i])))
        # Tyre creep below the grip limit: slip speed = speed * force / (stiffness * load). The
        # engine's friction creeps at softness / damping per newton, so one follows the other.
        # Friction must not be softer than the contact itself (it would chatter), nor damped
        # less than that needs (it would give way to centripetal acceleration).
        damping = CONTACT_DAMPING_PER_S
        slow = self._creep_per_n * min(fast) * damping
        softness = min(self._softness, max(slow, STANDING_SOFTNESS * self._softness))
        model.opt.impratio = self._softness / softness
        for i, v in enumerate(fast):
            wanted = min(damping, softness / max(self._creep_per_n * v, 1e-9))
            model.pair_solreffriction[i] = (-1.0, -CONTACT_IMPEDANCE * max(2.0, wanted))
        for i, dof in enumerate(self._hub_v.tolist()):
            loss = BEARING_NM + self.sim.rolling_resistance * self._load[i] * self._radius
            model.dof_frictionloss[dof] = 100.0 if blocked else loss + brake_nm[i]
        hub = data.qvel[self._hub_v].tolist()
        for k, wheels in enumerate(self._driven):
            turning = sum(hub[i] for i in wheels) / len(wheels)
            data.ctrl[k] = self._motor_nm(turning, k)
        mujoco.mj_step(model, data, self._substeps)

    def _sliding(self, wheel: int) -> float:
        """Share of grip left to a wheel that slips: all of it up to a slip ratio of 0.15, then
        falling to ``sim.sliding_grip`` at 0.5 (the shape of measured tyre curves)."""
        rim, ground = self._rim[wheel], self._ground[wheel]
        ratio = abs(rim - ground) / max(abs(rim), abs(ground), 0.1)
        return 1.0 - (1.0 - self.sim.sliding_grip) * max(0.0, min(1.0, (ratio - 0.15) / 0.35))

    def _motor_nm(self, wheel_radps: float, side: int) -> float:
        """Linear torque-speed curve; little drag when the wheels overrun the throttle."""
        throttle, drag = self._drive, self.sim.overrun_drag
        if len(self._driven) == 2 and self._enabled:
            # Skid steering: the sides differ, each can brake, and steering in reverse goes the
            # way a car's does.
            turn = self._steer * (1 if side else -1) * (-1 if throttle < 0 else 1)
            throttle, drag = max(-1.0, min(1.0, throttle + turn)), 1.0
        stall = self.config.motor.stall_torque_nm / len(self._driven)
        back = wheel_radps * self._radius / self.sim.free_speed_mps
        torque = stall * (throttle - back)
        if throttle == 0.0 or torque * throttle < 0:
            torque *= drag
        return max(-stall, min(stall, torque))

    def _look(self, dt: float) -> None:
        """Bring truth up to date from the engine's state."""
        qpos, qvel = self._data.qpos, self._data.qvel
        rot = _matrix(*qpos[3:7].tolist())
        position, velocity = qpos[:3].copy(), qvel[:3].copy()
        ox, oy, oz = omega = qvel[3:6].tolist()  # body axes
        speed = float(rot[:, 0] @ velocity)
        self._look_at_wheels(rot, position, (rot.T @ velocity).tolist(), omega)
        self._look_at_loads()
        # IMU truth: mean over the step, from velocity and attitude before and after.
        px, py, pz = self.config.imu.position_m
        lever = np.array([oy * pz - oz * py, oz * px - ox * pz, ox * py - oy * px])
        imu_v = velocity + rot @ lever
        if math.isinf(dt):
            self._force = rot.T @ np.array([0.0, 0.0, GRAVITY_MPS2])
            self._rate = np.array(omega)
            accel = 0.0
        else:
            force = (imu_v - self._imu_v) / dt
            force[2] += GRAVITY_MPS2
            self._force = force @ (rot + self._rot) / 2
            turn = self._rot.T @ rot
            self._rate = np.array(
                [turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]
            ) / (2 * dt)
            accel = (speed - self._truth.speed_mps) / dt
        self._rot, self._imu_v = rot, imu_v
        self._truth = Truth(
            t_s=self.t_s,
            speed_mps=speed,
            accel_mps2=accel,
            grade_rad=math.asin(max(-1.0, min(1.0, float(rot[2, 0])))),
            roll_rad=math.atan2(rot[2, 1], rot[2, 2]),
            yaw_rate_radps=oz,
            heading_rad=math.atan2(rot[1, 0], rot[0, 0]),
            x_m=float(position[0]),
            y_m=float(position[1]),
            ground_mps=quad(self._ground),
            rim_mps=quad(self._rim),
            slip_mps=quad([r - g for r, g in zip(self._rim, self._ground, strict=True)]),
            load_n=quad(self._load),
            brakes=quad(self._brakes),
        )

    def _look_at_wheels(
        self, rot: Array, position: Array, velocity: Sequence[float], omega: Sequence[float]
    ) -> None:
        """Where each wheel's centre is; its speed over the ground along the wheel; its rim's."""
        (vx, vy, vz), (ox, oy, oz) = velocity, omega
        qvel = self._data.qvel
        self._arm[:, 2] = self._data.qpos[self._spring_q]
        self._centre = position + self._arm @ rot.T
        rows = zip(
            self._arm.tolist(),
            (self._normal @ rot).tolist(),
            qvel[self._spring_v].tolist(),
            qvel[self._hub_v].tolist(),
            self._angles,
            strict=True,
        )
        for i, ((a, b, c), (nx, ny, nz), travel, hub, angle) in enumerate(rows):
            ux = vx + oy * c - oz * b  # velocity of the wheel's centre, body axes
            uy = vy + oz * a - ox * c
            uz = vz + ox * b - oy * a + travel
            # Along the wheel: square to its axle (-sin, cos, 0) and to the ground under it.
            sin, cos = math.sin(angle), math.cos(angle)
            ex, ey, ez = cos * nz, sin * nz, -sin * ny - cos * nx
            self._ground[i] = (ux * ex + uy * ey + uz * ez) / math.sqrt(ex * ex + ey * ey + ez * ez)
            # Absolute turning rate: the hub's, plus the chassis' about the axle.
            self._rim[i] = (hub - ox * sin + oy * cos) * self._radius

    def _look_at_loads(self) -> None:
        self._load = [0.0] * 4
        contact = self._data.contact
        if self._data.ncon:
            rows = zip(contact.geom.tolist(), contact.efc_address.tolist(), strict=True)
            for (_, tyre), address in rows:
                if address >= 0:
                    self._load[self._tyre[tyre]] += float(self._data.efc_force[address])

    def _sense(self) -> None:
        data, t = self._data, self.t_s
        rate = data.qvel[self._hub_v]
        self._wheels = self._encoders.sample(t, data.qpos[self._hub_q].copy(), rate.copy())
        turning = sum(abs(r) for r in self._rim) / 4
        self._inertial = self._imu.sample(
            t, self._force, self._rate, turning, turning / self._radius
        )


def _lag(dt_s: float, lag_s: float) -> float:
    """Share of the way a first-order lag goes in one step."""
    return 1.0 if lag_s <= 0 else 1.0 - math.exp(-dt_s / lag_s)


def _matrix(w: float, x: float, y: float, z: float) -> Array:
    """Rotation matrix (body to world) of a unit quaternion."""
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )
