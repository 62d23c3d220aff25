"""Ways to change any scenario or rover: reversed, with a fault, not as its YAML says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import wraps

import numpy as np

from slipguard.config import Config
from slipguard.simulate.faults import EncoderFault, Fault, ImuFault
from slipguard.simulate.scenario import DEMO_ROVER, Scenario, keep_line
from slipguard.simulate.truth import Truth


def backwards(base: Scenario) -> Scenario:
    """The same scenario in reverse gear: the rover stands turned round on the same ground."""

    def operator(t_s: float, truth: Truth) -> tuple[float, float]:
        seen = replace(
            truth,
            speed_mps=-truth.speed_mps,
            grade_rad=-truth.grade_rad,
            heading_rad=truth.heading_rad - math.pi,
        )
        throttle, _ = base.operator(t_s, seen)
        return -throttle, keep_line(truth, 0.0, math.pi)

    return replace(
        base,
        name=f"{base.name}_reverse",
        notes=f"In reverse: {base.notes}",
        operator=operator,
        heading_deg=base.heading_deg + 180.0,
    )


def in_reverse(build: Callable[..., Scenario]) -> Callable[..., Scenario]:
    """The scenario function whose scenarios are driven backwards."""

    @wraps(build)
    def built(seed: int, config: Config = DEMO_ROVER) -> Scenario:
        return backwards(build(seed, config))

    return built


def with_fault(base: Scenario, name: str, *faults: Fault) -> Scenario:
    """The same scenario with broken sensors."""
    return replace(base, name=f"{base.name}_{name}", faults=(*base.faults, *faults))


ENCODER_FAULTS: dict[str, Callable[[str, float, float], EncoderFault]] = {
    "encoder_dead": lambda wheel, start, end: EncoderFault(
        kind="dead", wheel=wheel, start_s=start, end_s=end
    ),
    "encoder_none": lambda wheel, start, end: EncoderFault(
        kind="none", wheel=wheel, start_s=start, end_s=end
    ),
    "encoder_missing_teeth": lambda wheel, start, end: EncoderFault(
        kind="missing_teeth", wheel=wheel, start_s=start, end_s=end, amount=0.25
    ),
    "encoder_bounce": lambda wheel, start, end: EncoderFault(
        kind="bounce", wheel=wheel, start_s=start, end_s=end, amount=0.3
    ),
}
"""Encoder faults by name: ``f(wheel, start_s, end_s)``."""

IMU_FAULTS: dict[str, Callable[[float, float], ImuFault]] = {
    "imu_frozen": lambda start, end: ImuFault(kind="frozen", start_s=start, end_s=end),
    "imu_saturated": lambda start, end: ImuFault(kind="saturated", start_s=start, end_s=end),
    "imu_missing": lambda start, end: ImuFault(kind="missing", start_s=start, end_s=end),
    "imu_nan": lambda start, end: ImuFault(kind="nan", start_s=start, end_s=end),
}
"""IMU faults by name: ``f(start_s, end_s)``."""


def _counts(counts_per_rev: float) -> Callable[[Config], Config]:
    return lambda config: config.with_changes(encoders__counts_per_rev=counts_per_rev)


ENCODERS: dict[str, Callable[[Config], Config]] = {
    **{f"counts_{n}": _counts(float(n)) for n in (24, 48, 96, 400)},
    "one_channel": lambda config: config.with_changes(encoders__direction="unsigned"),
    "speeds": lambda config: config.with_changes(encoders__kind="speed"),
}
"""The same rover with other wheel sensors, by name; guard and plant both know."""


def _payload(config: Config, rng: np.random.Generator) -> Config:
    return config.with_changes(rover__mass_kg=1.3 * config.rover.mass_kg)


def _tyres(config: Config, rng: np.random.Generator) -> Config:
    share = 1.05 if rng.uniform() < 0.5 else 0.95
    return config.with_changes(rover__wheel_radius_m=share * config.rover.wheel_radius_m)


def _askew(config: Config, rng: np.random.Generator) -> Config:
    axis = rng.standard_normal(3)
    axis *= 5.0 / np.linalg.norm(axis)
    turned = tuple(a + float(b) for a, b in zip(config.imu.rotation_deg, axis, strict=True))
    return config.with_changes(imu__rotation_deg=turned)


def _late(config: Config, rng: np.random.Generator) -> Config:
    return config.with_changes(encoders__delay_s=float(rng.uniform(0.02, 0.1)))


MISMATCHES: dict[str, Callable[[Config, np.random.Generator], Config]] = {
    "payload": _payload,
    "tyres": _tyres,
    "askew": _askew,
    "late": _late,
}
"""The rover as it really is, where its YAML says otherwise: payload +30 %, tyres 5 % larger or
smaller, IMU 5 degrees askew, wheel data 20-100 ms late. Pass the result to ``run`` as
``plant_config``."""
