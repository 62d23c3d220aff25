"""Scenarios to use, copy and change. Each is a function of a seed that varies timings,
friction, heights and places; the driver's motor is on and the stick neutral at first."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable

import numpy as np

from slipguard.simulate.scenario import Scenario, keep_line, track
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import (
    Patch,
    World,
    axle_twister,
    rough,
    stones,
)

SCENARIOS: dict[str, Callable[[int], Scenario]] = {}


def scenario(build: Callable[[int], Scenario]) -> Callable[[int], Scenario]:
    """Register a scenario under the name of its function."""
    SCENARIOS[build.__name__] = build
    return build


def _rng(name: str, seed: int) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def hold_throttle(truth: Truth, stall_share_per_rad: float = 1.0) -> float:
    """What a driver gives who holds the rover on a slope with the throttle."""
    lift = 0.92 * math.sin(truth.grade_rad) * stall_share_per_rad
    return max(-1.0, min(1.0, lift - 0.5 * truth.speed_mps))


@scenario
def tight_turns(seed: int) -> Scenario:
    """Flat ground: a figure of eight, hard acceleration and braking, full lock both ways."""
    rng = _rng("tight_turns", seed)
    v = rng.uniform(0.3, 0.5)
    lap = rng.uniform(5.0, 7.0)
    throttle = track(
        (0.8, 0), (0.9, v), (20, v), (20.1, 0), (21.5, 0), (21.9, 0.7), (23, 0.7), (23.3, -0.05),
        (24, -0.05), (24.3, 0), (25, 0), (25.2, v), (30, v), (30.5, 0)
    )  # fmt: skip

    def steer(t: float) -> float:
        if t < 2:
            return 0.0
        if t < 20:
            return math.copysign(1.0, math.sin(2 * math.pi * (t - 2) / (2 * lap)))
        return track((21, 0), (25.5, 0), (25.6, 1), (27.5, 1), (27.7, -1), (30, -1))(t)

    return Scenario(
        name="tight_turns",
        notes="Flat ground: figure of eight at full lock, then hard acceleration and braking.",
        world=World(mu=0.8),
        duration_s=32.0,
        operator=lambda t, truth: (throttle(t), steer(t)),
    )


@scenario
def rough_crawl(seed: int) -> Scenario:
    """Rough ground with stones at a crawl."""
    rng = _rng("rough_crawl", seed)
    v = rng.uniform(0.2, 0.35)
    throttle = track((0.8, 0), (1.0, v))
    swing = rng.uniform(0.1, 0.4)

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        u = throttle(t)
        # The driver feeds more throttle where the rover slows.
        extra = max(0.0, 0.5 * (u * 3.0 - truth.speed_mps)) if u > 0.1 else 0.0
        return min(1.0, u + extra), keep_line(truth, swing * math.sin(t / 3))

    return Scenario(
        name="rough_crawl",
        notes="Rough ground with small stones at a crawl; no wheel leaves the ground for long.",
        world=World(
            mu=0.9,
            features=(
                rough(seed * 7 + 1, rng.uniform(0.006, 0.011)),
                stones(seed * 7 + 2, rng.uniform(0.006, 0.014)),
            ),
        ),
        duration_s=30.0,
        operator=operator,
    )


@scenario
def twister(seed: int) -> Scenario:
    """Alternate ridges under left and right: a wheel hangs and spins."""
    rng = _rng("twister", seed)
    height = rng.uniform(0.06, 0.08)
    u = rng.uniform(0.22, 0.4)
    throttle = track((0.8, 0), (1.1, u))
    return Scenario(
        name="twister",
        notes="Axle-twister: ridges alternately left and right leave a wheel in the air.",
        world=World(mu=0.8, features=(axle_twister(1.2, 8, height, 0.55, 0.36),)),
        duration_s=22.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
        goal_x_m=4.2,
    )


@scenario
def clay_uphill(seed: int) -> Scenario:
    """Pulling away uphill with one wheel on wet clay."""
    rng = _rng("clay_uphill", seed)
    slope = rng.uniform(6, 10)
    mu = rng.uniform(0.08, 0.2)
    left = rng.uniform() < 0.5
    x = rng.uniform(0.1, 0.25) if rng.uniform() < 0.5 else rng.uniform(-0.25, -0.1)
    u = rng.uniform(0.3, 0.45)
    throttle = track((1.0, 0), (1.5, u))
    y = (0.0, 9.0) if left else (-9.0, 0.0)
    return Scenario(
        name="clay_uphill",
        notes="Uphill start with one wheel on a patch of wet clay.",
        world=World(
            slope_deg=slope, mu=0.75, patches=(Patch(mu=mu, x_m=(x - 0.3, x + 0.3), y_m=y),)
        ),
        duration_s=20.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
        blocked_until_s=1.0 + 0.5 * 0.92 * math.sin(math.radians(slope)) / u,
        goal_x_m=1.2,
    )


@scenario
def parking_motor_cut(seed: int) -> Scenario:
    """Held on a slope by the throttle, then the motor is cut."""
    rng = _rng("parking_motor_cut", seed)
    slope = rng.uniform(5, 20)
    cut = rng.uniform(8, 11)
    lift = 0.92 * math.sin(math.radians(slope))
    up = 0.3 + 1.1 * lift
    pull = track((0.8, 0.0), (1.8, up))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        if t < 5.0:
            return pull(t), keep_line(truth)
        hold = hold_throttle(truth)
        return hold + (up - hold) * max(0.0, 1 - (t - 5.0) / 1.5), keep_line(truth)

    return Scenario(
        name="parking_motor_cut",
        notes="Drives up a slope, is held there by the throttle, then the motor is cut.",
        world=World(slope_deg=slope, mu=0.8),
        duration_s=cut + 6.0,
        operator=operator,
        motor_enabled=lambda t: t < cut,
        blocked_until_s=0.8 + lift / up,
    )


@scenario
def hill_start(seed: int) -> Scenario:
    """Starts on a slope with too little throttle at first, and rolls back."""
    rng = _rng("hill_start", seed)
    slope = rng.uniform(5, 15)
    go = rng.uniform(1.5, 3.0)
    lift = 0.92 * math.sin(math.radians(slope))
    few = rng.uniform(0.3, 0.7) * lift
    throttle = track((go, 0), (go + 0.3, few), (go + 1.0, few), (go + 1.5, lift + 0.3))
    return Scenario(
        name="hill_start",
        notes="Hill start: the driver feeds the throttle too slowly and the rover rolls back.",
        world=World(slope_deg=slope, mu=0.8),
        duration_s=14.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
        blocked_until_s=go,
    )


@scenario
def all_on_ice(seed: int) -> Scenario:
    """Pulls away with all four wheels on ice; grip returns after some metres."""
    rng = _rng("all_on_ice", seed)
    throttle = track((1.0, 0), (1.3, rng.uniform(0.3, 0.6)), (12, 0.4), (12.3, 0))
    return Scenario(
        name="all_on_ice",
        notes="Pulls away with all four wheels on ice; grip returns further on.",
        world=World(
            mu=0.8,
            patches=(Patch(mu=rng.uniform(0.04, 0.1), x_m=(-5.0, rng.uniform(1.5, 4.0))),),
        ),
        duration_s=15.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
    )


@scenario
def long_standing(seed: int) -> Scenario:
    """Stands for twenty seconds, then drives."""
    rng = _rng("long_standing", seed)
    u = rng.uniform(0.2, 0.6)
    throttle = track((20, 0), (20.1, u), (27, u), (27.2, 0))
    return Scenario(
        name="long_standing",
        notes="Stands for twenty seconds, then pulls away at once.",
        world=World(mu=0.8),
        duration_s=30.0,
        operator=lambda t, truth: (throttle(t), 0.3 * math.sin(t)),
    )


def reversed_scenario(base: Scenario) -> Scenario:
    """The same scenario driven backwards: the rover stands turned round."""
    from dataclasses import replace

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        throttle, _ = base.operator(t, _mirror(truth))
        return -throttle, keep_line(truth, 0.0, math.pi)

    return replace(
        base,
        name=f"{base.name}_reverse",
        notes=f"In reverse: {base.notes}",
        operator=operator,
        heading_deg=base.heading_deg + 180.0,
    )


def _mirror(truth: Truth) -> Truth:
    from dataclasses import replace

    return replace(truth, speed_mps=-truth.speed_mps, grade_rad=-truth.grade_rad)
