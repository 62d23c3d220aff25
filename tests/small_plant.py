"""A rover on a straight slope, in closed loop with a guard: four wheels, one motor, open or axle
differentials, Coulomb friction with creep, servo brakes that lag. Needs numpy alone.

Steps are implicit, so that stiff tyres stay stable. Brakes are dry friction: they hold a wheel or
slow it, and never turn it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from synthetic import QUICK

from slipguard import Config, Decision, Guard, Reading

G_MPS2 = 9.80665
SUB_S = 0.0025
STEP_S = 0.005
NO_LOAD_RADPS = 40.0
"""Wheel rate at which the motor gives no torque at full throttle."""
WHEEL_KG = 0.15
CREEP_FLOOR_MPS = 0.002
ROUNDS = 6


class Plant:
    """State and physics. ``mu`` may change between steps. ``anchored``: held by a rope.
    ``rolling``: resistance of a turning wheel as a share of its load.

    Attributes
    ----------
    v_mps, way_m : float
        Speed and distance up the slope.
    rim_mps, brake : list of 4 float
        Rim speeds and the brakes' real position after lag.
    thrust_n : list of 4 float
        Force of each wheel on the ground in the last step.
    """

    def __init__(
        self,
        config: Config,
        *,
        mu: float | Sequence[float] = 0.8,
        slope_rad: float = 0.0,
        v_mps: float = 0.0,
        brake: float = 0.0,
        anchored: bool = False,
        rolling: float = 0.02,
    ) -> None:
        self.config = config
        self.rolling = rolling
        self.anchored = anchored
        self.mu = [float(m) for m in np.broadcast_to(mu, 4)]
        self.slope_rad = slope_rad
        self.v_mps = v_mps
        self.way_m = 0.0
        self.rim_mps = [v_mps] * 4
        self.rim_m = [0.0] * 4
        self.brake = [brake] * 4
        self.thrust_n = [0.0] * 4
        self.accel_mps2 = 0.0
        self.motor_nm = 0.0

    @property
    def load_n(self) -> float:
        """Of each wheel: the weight is shared evenly."""
        return self.config.rover.mass_kg * G_MPS2 * math.cos(self.slope_rad) / 4

    def step(self, throttle: float, brakes: Sequence[float], seconds: float = STEP_S) -> None:
        """Go on for ``seconds`` with these commands."""
        v_before = self.v_mps
        for _ in range(round(seconds / SUB_S)):
            self._sub(throttle, brakes)
        self.accel_mps2 = (self.v_mps - v_before) / seconds

    def _sub(self, throttle: float, brakes: Sequence[float]) -> None:
        c, b = self.config, self.config.brakes
        mass, r, dt = c.rover.mass_kg, c.rover.wheel_radius_m, SUB_S
        share = {"front": (0.5, 0.5, 0, 0), "rear": (0, 0, 0.5, 0.5)}.get(c.rover.drive)
        share = share or (0.25,) * 4
        # Differentials without loss or inertia: torques in fixed shares, speeds add up.
        turn = sum(s * w for s, w in zip(share, self.rim_mps, strict=True)) / r
        self.motor_nm = 0.0
        if throttle:
            self.motor_nm = c.motor.stall_torque_nm * (throttle - turn / NO_LOAD_RADPS)
        weight = mass * G_MPS2 * math.sin(self.slope_rad)
        load_n = self.load_n
        creep, against, push = [0.0] * 4, [0.0] * 4, [0.0] * 4
        for i in range(4):
            self.brake[i] += (brakes[i] - self.brake[i]) * min(1.0, dt / max(b.lag_s, dt))
            speed = max(abs(self.v_mps), CREEP_FLOOR_MPS)
            creep[i] = max(self.mu[i], 1e-6) * speed / c.rover.tyre_slip_stiffness
            against[i] = b.max_torque_nm * self.brake[i] / r + self.rolling * load_n
            push[i] = share[i] * self.motor_nm / r
        # Friction is grip times slip; grip falls with slip, and which brakes hold their wheel
        # depends on the speed, and back: solved by going round a few times.
        v, rims = self.v_mps, list(self.rim_mps)
        slip = [abs(rim - v) for rim in rims]
        grip, slope, const = [0.0] * 4, [0.0] * 4, [0.0] * 4  # rim = slope v + const
        for _ in range(ROUNDS):
            for i in range(4):
                slip[i] = 0.5 * (slip[i] + abs(rims[i] - v))
                grip[i] = self.mu[i] * load_n / (slip[i] + creep[i])
                inertia = WHEEL_KG + dt * grip[i]
                slope[i] = dt * grip[i] / inertia
                const[i] = (WHEEL_KG * self.rim_mps[i] + dt * push[i]) / inertia
                free, cap = slope[i] * v + const[i], dt * against[i] / inertia
                if abs(free) <= cap:
                    slope[i] = const[i] = 0.0
                else:
                    const[i] -= math.copysign(cap, free)
            v = self._speed(slope, const, grip, weight)
            rims = [slope[i] * v + const[i] for i in range(4)]
        v = 0.0 if self.anchored else v
        rims = [slope[i] * v + const[i] for i in range(4)]
        self.thrust_n = [grip[i] * (rims[i] - v) for i in range(4)]
        for i in range(4):
            self.rim_m[i] += 0.5 * (rims[i] + self.rim_mps[i]) * dt
        self.way_m += 0.5 * (v + self.v_mps) * dt
        self.v_mps, self.rim_mps = v, rims

    def _speed(
        self, slope: list[float], const: list[float], grip: list[float], against_n: float
    ) -> float:
        """m (v' - v) = dt (sum of grip (rim - v') - forces), with rim = slope v' + const."""
        mass = self.config.rover.mass_kg
        pull = hold = 0.0
        for i in range(4):
            pull += grip[i] * const[i]
            hold += grip[i] * (1.0 - slope[i])
        pull -= against_n
        return (mass * self.v_mps + SUB_S * pull) / (mass + SUB_S * hold)


@dataclass(frozen=True)
class Log:
    """What happened, one entry a step: arrays (n,) and (n, 4), and the decisions."""

    t_s: np.ndarray
    v_mps: np.ndarray
    way_m: np.ndarray
    rim_mps: np.ndarray
    decisions: list[Decision]
    readings: list[Reading]

    @property
    def brakes(self) -> np.ndarray:
        return np.array([d.brakes for d in self.decisions])

    def since(self, t_s: float) -> slice:
        return slice(int(np.searchsorted(self.t_s, t_s - 1e-9)), None)


Stick = Callable[[float], float]


def closed_loop(
    plant: Plant,
    seconds: float,
    stick: Stick,
    *,
    guard: Guard | None = None,
    age_s: Callable[[float], float] = lambda t: 0.02,
    enabled: Callable[[float], bool] = lambda t: True,
    change: Callable[[float, Reading], Reading] | None = None,
    surface: Callable[[float], Sequence[float]] | None = None,
    seed: int = 0,
) -> Log:
    """Let a guard drive the plant.

    Parameters
    ----------
    stick, age_s, enabled : function of time
        What the operator's link says.
    change : function of time and reading, optional
        Spoils a reading.
    surface : function of the way, optional
        Friction coefficient under each wheel.
    """
    config = plant.config
    guard = guard or Guard(config, QUICK)
    rng = np.random.default_rng(seed)
    phase = rng.uniform(0.0, 1.0, 4)
    bias = float(rng.normal(0.0, 0.05))
    q, imu = config.count_m, config.imu
    rows, decisions, readings = [], [], []
    decision: Decision | None = None
    for step in range(round(seconds / STEP_S)):
        t = step * STEP_S
        if surface is not None:
            plant.mu = list(surface(plant.way_m))
        if decision is not None:
            plant.step(decision.throttle if enabled(t) else 0.0, decision.brakes)
        noise = rng.standard_normal(6)
        tilt = G_MPS2 * math.sin(plant.slope_rad)
        reading = Reading(
            t_s=t,
            counts=tuple(math.floor(m / q + p) for m, p in zip(plant.rim_m, phase, strict=True))
            if step % 2 == 0
            else None,
            accel_mps2=(
                plant.accel_mps2 + tilt + bias + imu.accel_noise_mps2 * float(noise[0]),
                imu.accel_noise_mps2 * float(noise[1]),
                G_MPS2 * math.cos(plant.slope_rad) + imu.accel_noise_mps2 * float(noise[2]),
            ),
            gyro_radps=tuple(imu.gyro_noise_radps * float(n) for n in noise[3:]),
            throttle=stick(t),
            steer=0.0,
            motor_enabled=enabled(t),
            command_age_s=age_s(t),
            brake_position=tuple(plant.brake),
        )
        if change is not None:
            reading = change(t, reading)
        decision = guard.step(reading)
        rows.append((t, plant.v_mps, plant.way_m, *plant.rim_mps))
        decisions.append(decision)
        readings.append(reading)
    table = np.array(rows)
    return Log(
        t_s=table[:, 0],
        v_mps=table[:, 1],
        way_m=table[:, 2],
        rim_mps=table[:, 3:],
        decisions=decisions,
        readings=readings,
    )
