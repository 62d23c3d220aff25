"""The drives of the guide, driven by the simulated rover (physics engine) with hidden settings."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slipguard import Config
from slipguard.calibrate import Samples
from slipguard.calibrate.samples import Source
from slipguard.simulate import Plant, World
from slipguard.simulate.scenario import Driver, keep_line
from slipguard.simulate.truth import Truth

SOURCE = Source("simulated.csv", "1" * 64)
Command = Callable[[float, Truth], tuple[float, float]]


class Run(NamedTuple):
    """A drive, and the truth behind it: one a step; biases of the IMU (n, 6) in sensor axes."""

    samples: Samples
    truth: list[Truth]
    bias: NDArray[np.float64]


def drive(
    config: Config,
    seed: int,
    length_s: float,
    command: Command,
    world: World | None = None,
    controller: Callable[[float], float] = float,
    lifted: float = 0.0,
) -> Run:
    """Readings and truth of a rover that does what ``command`` says.

    ``controller``: what the speed controller makes of the throttle. ``lifted``: share of the weight
    that something else carries.
    """
    plant = Plant(config, world or World(), seed)
    readings, truths, biases = [], [], []
    up_n = lifted * config.rover.mass_kg * 9.81
    for _ in range(round(length_s / plant.dt_s)):
        truth = plant.truth()
        throttle, steer = command(plant.t_s, truth)
        readings.append(plant.reading(throttle, steer, True, 0.02))
        truths.append(truth)
        biases.append(plant._imu._bias.copy())  # it wanders: this is the truth of each moment
        plant.step(controller(throttle), steer, push_n=(0.0, 0.0, up_n))
    return Run(Samples.of(readings, SOURCE), truths, np.array(biases))


def standing_bias(run: Run) -> dict[str, float]:
    """Bias of the accelerometer while the rover stood, by the names that ``level`` reports."""
    still = np.array([abs(t.speed_mps) < 1e-3 for t in run.truth])
    bias = run.bias[still].mean(axis=0)
    return {f"accel_bias_{a}": float(b) for a, b in zip("xyz", bias[:3], strict=True)}


def level(config: Config, seed: int) -> Run:
    """Stands, drives half a circle, stands; on ground that slopes by 1 %."""
    driver = Driver.of(config)

    def command(t: float, truth: Truth) -> tuple[float, float]:
        turned = abs(truth.heading_rad) > 3.0
        if t < 18.0 or (turned and t > 20.0) or t > 30.0:
            return (driver.stop(truth) if abs(truth.speed_mps) > 0.06 else 0.0), 1.0
        return driver.cruise(truth, 0.5), 1.0

    return drive(config, seed, 44.0, command, World(slope_deg=math.degrees(math.atan(0.003))))


def straight(config: Config, seed: int, length_m: float = 5.0) -> Run:
    """Stands, drives a line at walking pace, stands."""
    driver = Driver.of(config)

    def command(t: float, truth: Truth) -> tuple[float, float]:
        if t < 4.0:
            return 0.0, 0.0
        if truth.x_m < length_m - 0.35:
            return driver.cruise(truth, min(1.0, 1.2 * (t - 4.0))), keep_line(truth)
        return driver.stop(truth), keep_line(truth)

    return drive(config, seed, 4.0 + length_m + 6.5, command)


def delay(config: Config, seed: int, starts: int = 10, speed_mps: float = 0.8) -> Run:
    """Stands, drives ahead and back by turns, each from standstill to standstill, stands."""
    driver = Driver.of(config)

    def command(t: float, truth: Truth) -> tuple[float, float]:
        number, into = divmod(t - 4.0, 4.0)
        if t < 4.0 or number >= starts:
            return 0.0, 0.0
        way = 1.0 if number % 2 == 0 else -1.0
        if into < 1.0:
            return driver.cruise(truth, way * speed_mps), keep_line(truth)
        return driver.stop(truth), keep_line(truth)

    return drive(config, seed, 4.0 + 4.0 * starts + 2.0, command)


def circle(config: Config, seed: int, way: float, turns: float, off_rad: float = 0.0) -> Run:
    """Stands with the steering held, drives whole turns and a little slowly, stands."""
    driver = Driver.of(config)
    passed = [0.0, 0.0]

    def command(t: float, truth: Truth) -> tuple[float, float]:
        step = truth.heading_rad - passed[0]
        passed[0] = truth.heading_rad
        passed[1] += math.atan2(math.sin(step), math.cos(step))
        if t < 4.0:
            return 0.0, way
        left = 2 * math.pi * turns + off_rad - abs(passed[1])
        if left > 0.02:
            return driver.cruise(truth, min(0.4, 0.08 + 0.6 * left)), way
        return driver.stop(truth), way

    return drive(config, seed, 4.0 + 16.0 * turns + 8.0, command)


def turns_from(config: Config, edge: float) -> float:
    """Throttle from which the wheels of ``deadband`` turn. Bearings and what load is left ask for a
    little more than the controller's ``edge``: torque balance of the plant, (4 x 0.002 + rolling) /
    stall torque."""
    load_n = 0.05 * 5.0 * 9.81 / 4
    loss = 4 * (0.002 + 0.018 * load_n * 0.075) / config.motor.stall_torque_nm
    return edge + (1 - edge) * loss


def deadband(config: Config, seed: int, edge: float, sweeps: int) -> Run:
    """Wheels that carry next to nothing on ice, which is as good as in the air."""
    period = (edge + 0.06) / 0.02 + 2.5

    def command(t: float, truth: Truth) -> tuple[float, float]:
        number, into = divmod(t - 1.0, period)
        if t < 1.0 or number >= 2 * sweeps:
            return 0.0, 0.0
        up = 0.02 * into
        return (0.0 if up > edge + 0.06 else up) * (1 if number < sweeps else -1), 0.0

    def controller(u: float) -> float:
        return math.copysign(max(0.0, abs(u) - edge) / (1 - edge), u)

    ice = World(mu=0.001)
    return drive(config, seed, 2.0 + 2 * sweeps * period, command, ice, controller, 0.95)
