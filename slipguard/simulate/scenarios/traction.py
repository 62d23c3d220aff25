"""Wheels that lose their grip."""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.simulate.scenario import DEMO_ROVER, Driver, Scenario, keep_line, track
from slipguard.simulate.scenarios.driving import draw, ground
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import Patch, axle_twister, kerb, rough

PACE_MPS = 0.4
"""What the driver counts on across the ridges; with locked differentials it is faster."""
IMPATIENCE_PER_S = 0.2
"""More throttle for each second late: all there is after 2 to 3 s without getting on."""


def _pushing(throttle: float, truth: Truth, late_s: float = 0.0) -> float:
    """A driver who gives more throttle while the rover hardly moves, the more the later he is.

    Up to full throttle: three open differentials hand every wheel a quarter of the torque, so
    two wheels that climb for four need twice the throttle that locked differentials do.
    """
    push = 0.2 + IMPATIENCE_PER_S * max(0.0, late_s)
    return min(1.0, throttle + push * max(0.0, 1.0 - abs(truth.speed_mps) / 0.2))


def twister(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Alternate ridges under left and right: a wheel hangs and spins."""
    rng = draw("twister", seed)
    rover, scale = config.rover, config.rover.wheel_radius_m / 0.075
    height = scale * rng.uniform(0.055, 0.075)
    throttle = track((0.8, 0), (1.1, rng.uniform(0.22, 0.38)))
    ridges = axle_twister(1.2, 8, height, scale * 0.55, rover.wheelbase_m)

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        late_s = t - 1.0 - truth.x_m / PACE_MPS  # all he remembers of having been stuck
        u = throttle(t)
        return _pushing(u, truth, late_s) if t > 2.0 else u, keep_line(truth)

    return Scenario(
        name="twister",
        notes="Axle-twister: ridges alternately left and right leave a wheel in the air.",
        world=ground(rng, mu=rng.uniform(0.75, 0.95), features=(ridges,)),
        duration_s=22.0,
        operator=operator,
        goal_x_m=1.2 + 8 * rover.wheelbase_m,
    )


def clay_uphill(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Pulling away uphill with one wheel on wet clay."""
    rng = draw("clay_uphill", seed)
    driver, half = Driver.of(config), config.rover.wheelbase_m / 2
    slope = rng.uniform(6, 11)
    front, left = rng.uniform() < 0.5, rng.uniform() < 0.5
    x = (half if front else -half) + rng.uniform(-0.05, 0.05)
    u = driver.lift_at(slope) + rng.uniform(0.15, 0.3)
    throttle = track((1.0, 0), (1.5, u))
    patch = Patch(
        mu=rng.uniform(0.05, 0.13),
        x_m=(x - rng.uniform(0.1, 0.3), x + rng.uniform(0.1, 0.3)),
        y_m=(0.0, math.inf) if left else (-math.inf, 0.0),
    )

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        v = throttle(t)
        return _pushing(v, truth) if t > 2.0 else v, keep_line(truth)

    return Scenario(
        name="clay_uphill",
        notes="Pulls away uphill with one wheel on a patch of wet clay.",
        world=ground(rng, slope_deg=slope, mu=rng.uniform(0.7, 0.9), patches=(patch,)),
        duration_s=16.0,
        operator=operator,
        blocked_until_s=1.0 + 0.5 * driver.lift_at(slope) / u,
        goal_x_m=1.5,
    )


def all_on_ice(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Pulls away with all four wheels on ice; grip returns some metres on."""
    rng = draw("all_on_ice", seed)
    u = rng.uniform(0.25, 0.6)
    throttle = track((1.0, 0), (1.0 + rng.uniform(0.1, 0.6), u), (12, u), (12.3, 0))
    ice = Patch(mu=rng.uniform(0.04, 0.12), x_m=(-5.0, rng.uniform(1.5, 4.0)))
    return Scenario(
        name="all_on_ice",
        notes="Pulls away with all four wheels on ice; grip returns further on.",
        world=ground(rng, mu=0.8, patches=(ice,)),
        duration_s=15.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
    )


def ice_patch(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Drives over patches of ice under one side or both, on the throttle and against it."""
    rng = draw("ice_patch", seed)
    driver = Driver.of(config)
    sides = ((0.0, math.inf), (-math.inf, 0.0), (-math.inf, math.inf))
    patches, x = [], 2.0
    for _ in range(5):
        length = rng.uniform(0.2, 1.2)
        mu, side = rng.uniform(0.04, 0.15), sides[rng.integers(3)]
        patches.append(Patch(mu=mu, x_m=(x, x + length), y_m=side))
        x += length + rng.uniform(0.8, 2.5)
    fast, slow = rng.uniform(1.0, 2.0), rng.uniform(0.2, 0.5)
    period, eager = rng.uniform(2, 4), rng.uniform(0.5, 1.0)
    start = track((0.8, 0), (1.6, 1))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        want = (fast if (t % period) < period / 2 else slow) * start(t)
        return driver.cruise(truth, want, eager) if t > 0.8 else 0.0, keep_line(truth)

    return Scenario(
        name="ice_patch",
        notes="Drives over patches of ice under one side or both, speeding up and slowing down.",
        world=ground(rng, mu=0.8, slope_deg=rng.uniform(-3, 5), patches=tuple(patches)),
        duration_s=20.0,
        operator=operator,
        blocked_until_s=0.9,
    )


def kerb_climb(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Climbs a kerb and drops off its far side, straight on or askew."""
    rng = draw("kerb_climb", seed)
    driver, radius = Driver.of(config), config.rover.wheel_radius_m
    height = radius * rng.uniform(0.25, 0.45)
    angle = math.radians(rng.uniform(-15, 15))
    speed = rng.uniform(0.3, 0.6)
    step = kerb(1.5, height, 2.0)
    grain = rough(seed * 7 + 5, 0.002)
    start = track((0.8, 0), (1.6, speed))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        if t < 0.8:
            return 0.0, 0.0
        return driver.cruise(truth, start(t), 0.6), keep_line(truth)

    return Scenario(
        name="kerb_climb",
        notes="Climbs a kerb and drops off its far side.",
        world=ground(
            rng,
            mu=0.9,
            features=(
                lambda x, y: step(x + y * math.tan(angle), y),
                grain,
            ),
        ),
        duration_s=16.0,
        operator=operator,
        goal_x_m=4.5,
    )
