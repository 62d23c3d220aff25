"""Ordinary driving and standing: nothing here should be called slip."""

from __future__ import annotations

import math
import zlib
from typing import Any

import numpy as np

from slipguard.config import Config
from slipguard.simulate.scenario import (
    DEMO_ROVER,
    Driver,
    Knock,
    Scenario,
    keep_line,
    track,
)
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import Feature, World, ramp, rough, stones


def draw(name: str, seed: int) -> np.random.Generator:
    """Random numbers of one scenario and seed."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def ground(rng: np.random.Generator, **keys: Any) -> World:
    """A world whose tyres creep as on one kind of ground or another."""
    return World(slip_stiffness=rng.uniform(9.0, 22.0), **keys)


def tight_turns(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Flat ground: a figure of eight at full lock, then hard acceleration and braking."""
    rng = draw("tight_turns", seed)
    v = rng.uniform(0.3, 0.45)
    half = rng.uniform(4.5, 7.0)
    sprint = rng.uniform(0.6, 0.9)
    throttle = track(
        (0.8, 0), (1.0, v), (20, v), (20.1, 0), (21.5, 0), (21.5 + rng.uniform(0.1, 0.4), sprint),
        (23, sprint), (23.3, -0.05), (24.0, -0.05), (24.3, 0), (25, 0), (25.2, v), (30, v),
        (30.3, 0),
    )  # fmt: skip
    turn_in = rng.uniform(0.1, 0.3)
    # With skid steering, more would be a spin on the spot, with all wheels scrubbing.
    lock = 0.5 if config.rover.steered == "skid" else 1.0

    def steer(t: float) -> float:
        if t < 20:
            wave = math.sin(math.pi * (t - 2) / half) if t > 2 else 0.0
            return max(-1.0, min(1.0, wave * half / turn_in / math.pi))
        return track((20.3, 0), (25.5, 0), (25.7, 1), (27.5, 1), (27.8, -1), (30, -1))(t)

    return Scenario(
        name="tight_turns",
        notes="Flat ground: a figure of eight at full lock, then hard acceleration and braking.",
        world=ground(rng, mu=rng.uniform(0.75, 0.95)),
        duration_s=32.0,
        operator=lambda t, truth: (throttle(t), lock * steer(t)),
    )


def rough_crawl(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Rough ground with small stones at a crawl."""
    rng = draw("rough_crawl", seed)
    driver, scale = Driver.of(config), config.rover.wheel_radius_m / 0.075
    speed = rng.uniform(0.4, 0.9)
    swing = rng.uniform(0.1, 0.5)
    ramp = track((0.8, 0.0), (1.8, speed))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        want = ramp(t)
        throttle = max(0.05, driver.cruise(truth, want, 0.15)) if want > 0.05 else 0.0
        return throttle, keep_line(truth, swing * math.sin(t / 3))

    return Scenario(
        name="rough_crawl",
        notes="Rough ground with small stones, driven at a crawl.",
        world=ground(
            rng,
            mu=0.9,
            features=(
                rough(seed * 7 + 1, scale * rng.uniform(0.006, 0.018)),
                stones(seed * 7 + 2, scale * rng.uniform(0.006, 0.024)),
            ),
        ),
        duration_s=30.0,
        operator=operator,
    )


def mixed_drive(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """A minute of everything: driving, turning, stopping, reversing, standing, on flat,
    sloping or rough ground."""
    rng = draw("mixed_drive", seed)
    driver, scale = Driver.of(config), config.rover.wheel_radius_m / 0.075
    plan: list[tuple[float, float, float, float]] = []  # until, speed, steer, steer period
    t = rng.uniform(0.8, 2.0)
    plan.append((t, 0.0, 0.0, 1.0))
    while t < 58:
        if rng.uniform() < 0.3:
            t += rng.uniform(1.0, 5.0)
            plan.append((t, 0.0, rng.uniform(-1, 1), 1.0))
        else:
            t += rng.uniform(2.0, 7.0)
            speed = rng.uniform(0.3, 2.2) * (1.0 if rng.uniform() < 0.75 else -0.5)
            # The faster, the wider the turn: at most 3 m/s2 to the side.
            tight = 3.0 / max(speed * speed, 0.1) * config.rover.wheelbase_m
            lock = math.tan(math.radians(max(config.rover.max_steer_deg, 1.0)))
            plan.append((t, speed, rng.uniform(-1, 1) * min(1.0, tight / lock), rng.uniform(2, 9)))
    hurry = rng.uniform(0.1, 0.5)

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        began = 0.0
        for end, speed, steer, period in plan:
            if t < end:
                swing = steer * math.cos(2 * math.pi * (t - began) / period / 2)
                if speed == 0.0 or speed * truth.speed_mps < -0.02:
                    return driver.stop(truth) if t > plan[0][0] else 0.0, swing
                # The driver's hand takes a moment.
                near = truth.speed_mps + math.copysign(0.8, speed)
                want = min(speed, near) if speed > 0 else max(speed, near)
                return driver.cruise(truth, want, hurry), swing
            began = end
        return driver.stop(truth), 0.0

    kind = rng.uniform()
    features: tuple[Feature, ...] = ()
    slope = side = 0.0
    if kind > 0.65:
        features = (
            rough(seed * 7 + 3, scale * rng.uniform(0.004, 0.009)),
            stones(seed * 7 + 4, scale * rng.uniform(0.004, 0.012)),
        )
    elif kind > 0.35:
        slope, side = rng.uniform(-6, 6, 2)
    return Scenario(
        name="mixed_drive",
        notes="A minute of driving, turning, stopping, reversing and standing.",
        world=ground(
            rng, mu=rng.uniform(0.7, 1.0), slope_deg=slope, side_slope_deg=side, features=features
        ),
        duration_s=60.0,
        operator=operator,
    )


def ramp_over(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Up a ramp, over a level stretch, and down another, with a stop on the way up."""
    rng = draw("ramp_over", seed)
    driver = Driver.of(config)
    up, down = rng.uniform(6, 16, 2)
    speed, stop = rng.uniform(0.4, 1.0), rng.uniform(0.3, 1.2)
    length = rng.uniform(1.5, 2.5)
    start, again = track((0.8, 0.0), (1.6, speed)), track((11.0, 0.0), (12.0, speed))
    rise = ramp(1.5, 1.5 + length, up)
    fall = ramp(3.5 + length, 5.5 + length, -down)

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        if t < 0.8:
            return 0.0, 0.0
        if t < 11.0 and truth.x_m > 1.5 + stop:
            return driver.hold(truth), keep_line(truth)
        return driver.cruise(truth, start(t) if t < 11.0 else again(t), 0.3), keep_line(truth)

    return Scenario(
        name="ramp_over",
        notes="Up a ramp with a stop on it, over a level stretch, and down another ramp.",
        world=ground(rng, mu=0.85, features=(rise, fall)),
        duration_s=24.0,
        operator=operator,
    )


def stop_and_go(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Flat ground: many short starts, gentle and hard, forwards and backwards."""
    rng = draw("stop_and_go", seed)
    points = [(0.0, 0.0)]
    t = 0.8
    while t < 36:
        go = rng.uniform(0.15, 0.9) * (1 if rng.uniform() < 0.7 else -1)
        rise, keep = rng.uniform(0.05, 0.8), rng.uniform(0.3, 1.2)
        points += [(t, 0.0), (t + rise, go), (t + rise + keep, go)]
        t += rise + keep + 0.2
        points += [(t, -0.05 * math.copysign(1, go)), (t + rng.uniform(0.5, 1.5), 0.0)]
        t = points[-1][0] + rng.uniform(0.0, 3.0)
    throttle = track(*points)
    return Scenario(
        name="stop_and_go",
        notes="Flat ground: many short starts, gentle and hard, forwards and backwards.",
        world=ground(rng, mu=0.85),
        duration_s=40.0,
        operator=lambda t, truth: (throttle(t), 0.0),
    )


def long_standing(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Stands for a long time, then pulls away at once."""
    rng = draw("long_standing", seed)
    u, go = rng.uniform(0.2, 0.6), rng.uniform(18, 22)
    throttle = track((go, 0), (go + rng.uniform(0.05, 0.3), u), (go + 7, u), (go + 7.2, 0))
    return Scenario(
        name="long_standing",
        notes="Stands for twenty seconds, then pulls away at once.",
        world=ground(rng, mu=0.8),
        duration_s=30.0,
        operator=lambda t, truth: (throttle(t), 0.3 * math.sin(t)),
    )


def knocks_standing(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Stands on a gentle slope while somebody knocks against it and lifts its nose."""
    rng = draw("knocks_standing", seed)
    weight = config.rover.mass_kg * 9.81
    knocks = []
    t = 3.0
    while t < 26:
        heading = rng.uniform(0, 2 * math.pi)
        force, up = rng.uniform(0.3, 1.0) * weight, rng.uniform(-0.3, 0.4) * weight
        knocks.append(
            Knock(
                start_s=t,
                duration_s=rng.uniform(0.01, 0.04),
                force_n=(force * math.cos(heading), force * math.sin(heading), up),
            )
        )
        t += rng.uniform(0.6, 3.0)
    return Scenario(
        name="knocks_standing",
        notes="Stands while somebody knocks against it.",
        world=ground(rng, mu=0.8, slope_deg=rng.uniform(-0.8, 0.8)),
        duration_s=28.0,
        operator=lambda t, truth: (0.0, 0.0),
        knocks=tuple(knocks),
    )
