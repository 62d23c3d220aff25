"""The moving rover: energy, stopping, tipping."""

from __future__ import annotations

import math
from typing import NamedTuple

from slipguard.budget.formulas import (
    kinetic_energy_j,
    speed_for_stop_mps,
    stopping_m,
    tip_angle_rad,
)
from slipguard.budget.hardware import Hardware, fastest
from slipguard.budget.lines import Line, Verdict, at_least, at_most
from slipguard.budget.wishes import Wishes
from slipguard.config import Config
from slipguard.settings import GRAVITY_MPS2

HARMLESS_J = 4.0
"""Moving masses of up to this energy are taken for harmless in machine safety (10 J with a device
that gives way; limits for power-operated guards, ISO 14120, from memory)."""
GIVE_SPEED = (
    "give limits.max_speed_mps, or rover.top_speed_mps as measured, or motor, gears and battery in "
    "hardware"
)


def moving_lines(
    config: Config, hardware: Hardware, given: frozenset[str], wishes: Wishes
) -> list[Line]:
    """Lines about the rover on the move."""
    top = _top(config, hardware, given)
    return [
        *_tip(config, wishes),
        _energy(config, top, wishes),
        _stop(config, top, wishes, by_driver=True),
        _stop(config, top, wishes, by_driver=False),
        _speed_limit(config, wishes),
    ]


def stop_decel_mps2(config: Config, wishes: Wishes) -> float:
    """Deceleration of a stop on the level: what is set, unless grip or brakes end earlier."""
    mass = config.rover.mass_kg + wishes.payload_kg
    brakes = 4.0 * config.brakes.max_torque_nm / (mass * config.rover.wheel_radius_m)
    return min(config.limits.stop_decel_mps2, wishes.friction * GRAVITY_MPS2, brakes)


class _Top(NamedTuple):
    """Fastest speed, the key it hangs on with its value, and whether anybody gave it."""

    mps: float
    hangs_on: str
    known: bool


def _top(config: Config, hardware: Hardware, given: frozenset[str]) -> _Top:
    capped = config.limits.max_speed_mps
    if capped is not None:
        return _Top(capped, f"limits.max_speed_mps {capped:g}", True)
    speed, key, known = fastest(config, hardware, given)
    value = hardware.motor_rpm_per_v if key.startswith("hardware") else speed
    return _Top(speed, f"{key} {value:g}", known)


def _tip(config: Config, wishes: Wishes) -> list[Line]:
    rover, share = config.rover, config.limits.tip_over_share
    height = rover.cog_height_m
    lines = []
    cases = (("along", rover.wheelbase_m, "wheelbase"), ("across", rover.track_m, "track"))
    for way, base, word in cases:
        name = f"tip-over grade, {way}"
        if height is None:
            formula, has, change = f"{word} / 2 over cog_height", None, "give rover.cog_height_m"
            verdict = Verdict.NOT_KNOWN
        else:
            has = 100.0 * math.tan(tip_angle_rad(base / 2.0, height))
            formula = (
                f"tan(a) = {word} / 2 / cog_height = {base / 2:g} m / {height:g} m = {has:.0f} %, "
                f"of which limits.tip_over_share {share:g} is for use"
            )
            verdict = at_least(
                has * share, wishes.grade_percent, barely=wishes.grade_percent * share
            )
            change = "" if verdict is Verdict.ENOUGH else f"mass lower down, or a wider {word}"
        lines.append(
            Line(
                name=name,
                formula=formula,
                needed=wishes.grade_percent / share,
                has=has,
                unit="%",
                hangs_on=f"rover.cog_height_m {'-' if height is None else f'{height:g}'}",
                verdict=verdict,
                change=change,
            )
        )
    lines.append(_turn(config, height))
    return lines


def _turn(config: Config, height: float | None) -> Line:
    """Speed in the tightest turn at which the inner wheels lift: v^2 / R = g (track / 2) / h."""
    rover, share = config.rover, config.limits.tip_over_share
    top, key = config.limits.max_speed_mps, "rover.cog_height_m"
    axle = rover.wheelbase_m / (2.0 if rover.steered == "both" else 1.0)
    per_m = math.tan(math.radians(rover.max_steer_deg)) / axle
    formula, has, verdict = "v^2 / R = g (track / 2) / cog_height", None, Verdict.NOT_KNOWN
    if height is None:
        hangs_on, change = f"{key} -", "give rover.cog_height_m"
    elif rover.steered == "skid":
        hangs_on, change = "rover.steered skid", "turns on the spot: try it slowly"
    else:
        hangs_on = f"{key} {height:g}"
        tips = math.sqrt(GRAVITY_MPS2 * rover.track_m / 2.0 / height / per_m)
        has = math.sqrt(share) * tips
        formula = (
            f"sqrt(g (track / 2) / cog_height x R), R = {1.0 / per_m:.2f} m: {tips:.1f} m/s, of "
            f"which sqrt(limits.tip_over_share) is for use: {has:.1f} m/s"
        )
        verdict = Verdict.NOT_ENOUGH if top is None else at_least(has, top, barely=top * 0.85)
        change = f"limits.max_speed_mps {has:.1f} at most, or slow down before every turn"
    return Line(
        name="tip-over speed, tightest turn",
        formula=formula,
        needed=None if has is None else top,
        has=has,
        unit="m/s",
        hangs_on=hangs_on,
        verdict=verdict,
        change="" if verdict is Verdict.ENOUGH else change,
    )


def _energy(config: Config, top: _Top, wishes: Wishes) -> Line:
    speed = top.mps
    mass = config.rover.mass_kg + wishes.payload_kg
    energy = kinetic_energy_j(mass, speed)
    verdict = at_most(energy, HARMLESS_J, barely=10.0) if top.known else Verdict.NOT_KNOWN
    change = f"treat it as dangerous, or limits.max_speed_mps {math.sqrt(2 * 10 / mass):.1f}"
    if not top.known:
        change = GIVE_SPEED
    return Line(
        name="energy at top speed",
        formula=f"m v^2 / 2 = {mass:g} kg x ({speed:.3g} m/s)^2 / 2 = {energy:.1f} J; up to "
        f"{HARMLESS_J:g} J is taken for harmless",
        at_most=True,
        needed=HARMLESS_J,
        has=energy,
        unit="J",
        hangs_on=top.hangs_on,
        verdict=verdict,
        change="" if verdict is Verdict.ENOUGH else change,
    )


def _stop(config: Config, top: _Top, wishes: Wishes, *, by_driver: bool) -> Line:
    speed = top.mps
    delay = wishes.latency_s if by_driver else config.limits.link_timeout_s
    delay += config.brakes.lag_s
    decel = stop_decel_mps2(config, wishes)
    needed = stopping_m(speed, delay, decel)
    verdict = at_most(needed, wishes.stop_m) if top.known else Verdict.NOT_KNOWN
    slower = speed_for_stop_mps(wishes.stop_m, delay, decel)
    change = f"at most {slower:.1f} m/s, a quicker link, or a higher limits.stop_decel_mps2"
    if not top.known:
        change = GIVE_SPEED
    first = "--latency" if by_driver else "limits.link_timeout_s"
    return Line(
        name=f"stop from top speed, {'by the driver' if by_driver else 'link lost'}",
        formula=f"v t + v^2 / (2 a), v = {speed:.3g} m/s, t = {first} + brakes.lag_s = "
        f"{delay:.2f} s, a = {decel:.2f} m/s2: {needed:.1f} m",
        at_most=True,
        needed=wishes.stop_m,
        has=needed,
        unit="m",
        hangs_on=top.hangs_on,
        verdict=verdict,
        change="" if verdict is Verdict.ENOUGH else change,
    )


def _speed_limit(config: Config, wishes: Wishes) -> Line:
    decel = stop_decel_mps2(config, wishes)
    delay = max(wishes.latency_s, config.limits.link_timeout_s) + config.brakes.lag_s
    allowed = speed_for_stop_mps(wishes.stop_m, delay, decel)
    cap = config.limits.max_speed_mps
    verdict = Verdict.NOT_ENOUGH if cap is None else at_most(cap, allowed)
    return Line(
        name=f"speed limit to stop in {wishes.stop_m:g} m",
        formula=f"sqrt((a t)^2 + 2 a d) - a t, t = {delay:.2f} s, a = {decel:.2f} m/s2: "
        f"{allowed:.2f} m/s",
        at_most=True,
        needed=allowed,
        has=cap,
        unit="m/s",
        hangs_on=f"limits.max_speed_mps {'none' if cap is None else f'{cap:g}'}",
        verdict=verdict,
        change="" if verdict is Verdict.ENOUGH else f"limits.max_speed_mps {allowed:.2f}",
    )
