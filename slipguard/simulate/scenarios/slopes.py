"""Slopes: standing, starting, rolling, and losing the link."""

from __future__ import annotations

import math
from dataclasses import replace

from slipguard.config import Config
from slipguard.simulate.scenario import DEMO_ROVER, Driver, Scenario, keep_line, track
from slipguard.simulate.scenarios.driving import draw, ground
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import Patch


def parking_motor_cut(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Drives up a slope, is held there by the throttle, then the motor is cut."""
    rng = draw("parking_motor_cut", seed)
    driver = Driver.of(config)
    slope, cut = rng.uniform(5, 20), rng.uniform(8, 11)
    lift = driver.lift_at(slope)
    up = min(1.0, lift + rng.uniform(0.2, 0.35))
    pull = track((0.8, 0.0), (1.8, up))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        ease = max(0.0, 1 - max(0.0, t - 5.0) / 1.5)  # up to 5 s drive, from 6.5 s hold
        hold = driver.hold(truth)
        return pull(t) if t < 5.0 else hold + (up - hold) * ease, keep_line(truth)

    return Scenario(
        name="parking_motor_cut",
        notes="Drives up a slope, is held there by the throttle, then the motor is cut.",
        world=ground(rng, slope_deg=slope, mu=0.8),
        duration_s=cut + 6.0,
        operator=operator,
        motor_enabled=lambda t: t < cut,
        event_s=cut,
        blocked_until_s=0.8 + lift / up,
    )


def _park(seed: int, config: Config, name: str) -> tuple[Scenario, float]:
    """Drives up a slope and lets the stick go; returns the time of the later event too."""
    rng = draw(name, seed)
    driver = Driver.of(config)
    slope, late = rng.uniform(5, 20), rng.uniform(8, 11)
    lift = driver.lift_at(slope)
    up = min(1.0, lift + rng.uniform(0.15, 0.35))
    throttle = track((0.8, 0.0), (1.8, up), (4.5, up), (4.5 + rng.uniform(0.1, 0.8), 0.0))
    scenario = Scenario(
        name=name,
        notes="Drives up a slope and lets the stick go.",
        world=ground(rng, slope_deg=slope, mu=0.8),
        duration_s=late + 6.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
        blocked_until_s=0.8 + lift / up,
    )
    return scenario, late


def parking_held(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Drives up a slope, lets the stick go (a hill hold takes over), then the motor is cut."""
    scenario, late = _park(seed, config, "parking_held")
    return replace(
        scenario,
        notes="Drives up a slope and lets the stick go; later the motor is cut.",
        motor_enabled=lambda t: t < late,
        event_s=late,
    )


def parking_link_lost(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Held on a slope by the throttle when the link is lost; it returns later."""
    rng = draw("parking_link_lost", seed)
    base = parking_motor_cut(seed, config)
    gone = rng.uniform(8, 11)
    back = gone + rng.uniform(3.0, 5.0)
    return replace(
        base,
        name="parking_link_lost",
        notes="Drives up a slope, is held there by the throttle, then the link is lost.",
        duration_s=gone + 8.0,
        motor_enabled=lambda t: True,
        link=lambda t: not gone <= t < back,
        event_s=gone,
    )


def hill_start(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Hill start: the driver feeds the throttle too slowly and an unaided rover rolls back."""
    rng = draw("hill_start", seed)
    driver = Driver.of(config)
    slope, go = rng.uniform(5, 15), rng.uniform(1.5, 3.0)
    lift = driver.lift_at(slope)
    few, wait = rng.uniform(0.3, 0.7) * lift, rng.uniform(0.4, 0.8)
    drive = lift + rng.uniform(0.2, 0.35)
    throttle = track((go, 0), (go + 0.2, few), (go + wait, few), (go + wait + 0.5, drive))
    return Scenario(
        name="hill_start",
        notes="Hill start: the driver feeds the throttle too slowly.",
        world=ground(rng, slope_deg=slope, mu=0.8),
        duration_s=12.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
        blocked_until_s=go,
        event_s=go,
        goal_x_m=1.0,
    )


def stranded_roll_back(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Climbs until a slippery band stops it with the throttle still on; it slides back."""
    rng = draw("stranded_roll_back", seed)
    driver = Driver.of(config)
    slope = rng.uniform(8, 15)
    lift = driver.lift_at(slope)
    up = min(1.0, lift + rng.uniform(0.15, 0.3))
    throttle = track((0.8, 0.0), (1.8, up), (9.0, up), (9.5, 0.0))
    grip = math.tan(math.radians(slope)) * rng.uniform(0.3, 0.7)
    return Scenario(
        name="stranded_roll_back",
        notes="Climbs onto a slippery band, strands with spinning wheels and comes back down.",
        world=ground(rng, slope_deg=slope, mu=0.8, patches=(Patch(mu=grip, x_m=(1.2, 9.0)),)),
        duration_s=14.0,
        operator=lambda t, truth: (throttle(t), keep_line(truth)),
        blocked_until_s=0.8 + lift / up,
    )


def turning_on_slope(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Circles on a slope, so that gravity turns round the rover."""
    rng = draw("turning_on_slope", seed)
    driver = Driver.of(config)
    speed, side = rng.uniform(0.4, 0.9), rng.choice([-1.0, 1.0])
    ramp = track((0.8, 0.0), (2.0, speed), (24.0, speed), (25.0, 0.0))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        if t < 0.8:
            return 0.0, 0.0
        if t > 25.0:
            return driver.hold(truth), 0.0
        return driver.cruise(truth, ramp(t), 0.3), side * min(1.0, max(0.0, (t - 2.0) / 0.5))

    return Scenario(
        name="turning_on_slope",
        notes="Circles at full lock on a slope.",
        world=ground(rng, slope_deg=rng.uniform(5, 11), mu=0.85),
        duration_s=28.0,
        operator=operator,
        blocked_until_s=1.0,
    )


def side_slope(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """Drives along a hillside, tilted sideways, with small steering corrections."""
    rng = draw("side_slope", seed)
    driver = Driver.of(config)
    speed = rng.uniform(0.5, 1.2)
    ramp = track((0.8, 0.0), (2.0, speed), (15.0, speed), (16.0, 0.0))

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        if t < 0.8:
            return 0.0, 0.0
        want = ramp(t)
        throttle = driver.cruise(truth, want, 0.3) if want else driver.stop(truth)
        return throttle, keep_line(truth, 0.2 * math.sin(t))

    return Scenario(
        name="side_slope",
        notes="Drives along a hillside, tilted sideways.",
        world=ground(rng, side_slope_deg=rng.choice([-1, 1]) * rng.uniform(8, 18), mu=0.85),
        duration_s=18.0,
        operator=operator,
    )


def link_lost_driving(seed: int, config: Config = DEMO_ROVER) -> Scenario:
    """The link is lost at speed, on the flat or on a slope, in a gentle bend."""
    rng = draw("link_lost_driving", seed)
    driver = Driver.of(config)
    speed, gone = rng.uniform(0.6, 2.5), rng.uniform(4.0, 6.0)
    ramp = track((0.8, 0.0), (2.5, speed))
    bend = rng.uniform(-0.3, 0.3)

    def operator(t: float, truth: Truth) -> tuple[float, float]:
        return driver.cruise(truth, ramp(t), 0.3) if t > 0.8 else 0.0, bend if t > 2 else 0.0

    return Scenario(
        name="link_lost_driving",
        notes="The link is lost at speed and returns five seconds later.",
        world=ground(rng, slope_deg=rng.uniform(-8, 8), mu=rng.uniform(0.5, 0.9)),
        duration_s=gone + 8.0,
        operator=operator,
        link=lambda t: not gone <= t < gone + 5.0,
        event_s=gone,
        blocked_until_s=0.9,
    )
