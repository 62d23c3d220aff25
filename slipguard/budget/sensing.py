"""Sensors: what roll and what slip they can see in time, and what their bias hides."""

from __future__ import annotations

import math

from slipguard.budget.formulas import bias_grade_percent
from slipguard.budget.hardware import Hardware, fastest
from slipguard.budget.lines import Line, Verdict, at_least, at_most
from slipguard.budget.rollback import roll_back
from slipguard.budget.wishes import Wishes
from slipguard.config import Config
from slipguard.settings import GRAVITY_MPS2

GRADES_PERCENT = (5.0, 10.0, 20.0, 30.0)
WINDOWS_S = (0.05, 0.1)
COUNT_RATE = "hardware.count_rate_hz"
FREE_WHEEL_TURNS = 4.0
"""One wheel alone on three open differentials turns four times as fast as the motor drives the
others (kinematics of ideal differentials)."""


def sensing_lines(
    config: Config, hardware: Hardware, given: frozenset[str], wishes: Wishes
) -> list[Line]:
    """Lines about encoders and the IMU."""
    lines = [_roll(config, given, wishes, grade) for grade in _grades(wishes)]
    if config.encoders.kind == "counts":
        lines += [_slip(config, wishes, window) for window in WINDOWS_S]
        lines += [_counts(config, wishes), _count_rate(config, hardware, given)]
    return [*lines, _bias(config, given)]


def slip_seen_mps(config: Config, window_s: float) -> float:
    """Smallest steady slip that is found within ``window_s`` at the worst phase, m/s.

    Excess travel must pass one count plus ``spin.excess_travel_mm``; the last encoder reading is
    up to one period old. Slip below ``spin.slip_speed_mps`` is not called spin. Infinite where
    the window holds no reading.
    """
    left = window_s - 1.0 / config.encoders.rate_hz - config.encoders.delay_s
    if left <= 0.0:
        return math.inf
    excess = config.count_m + config.spin.excess_travel_mm * 1e-3
    return max(excess / left, config.spin.slip_speed_mps)


def counts_needed(config: Config, slip_mps: float, delay_s: float) -> float:
    """Counts a revolution with which ``slip_mps`` is found within ``delay_s``; infinite when no
    encoder does: the excess travel allowed is longer than the slip."""
    left = delay_s - 1.0 / config.encoders.rate_hz - config.encoders.delay_s
    room = slip_mps * left - config.spin.excess_travel_mm * 1e-3
    if room <= 0.0 or slip_mps < config.spin.slip_speed_mps:
        return math.inf
    return 2.0 * math.pi * config.rover.wheel_radius_m / room


def _grades(wishes: Wishes) -> list[float]:
    return sorted({*GRADES_PERCENT, wishes.grade_percent})


def _roll(config: Config, given: frozenset[str], wishes: Wishes, grade: float) -> Line:
    mass = config.rover.mass_kg + wishes.payload_kg
    roll = roll_back(config, grade, mass, friction=wishes.friction)
    slides = roll.travel_m > 1.1 * roll_back(config, grade, mass).travel_m
    has, allowed = 1e3 * roll.travel_m, wishes.roll_mm
    verdict = at_most(has, allowed, barely=2.0 * allowed)
    change = ""
    if "brakes.max_torque_nm" not in given:
        verdict, change = Verdict.NOT_KNOWN, "give brakes.max_torque_nm"
    elif slides and verdict is not Verdict.ENOUGH:
        change = f"more grip: with --friction {wishes.friction:g} braked tyres slide on {grade:g} %"
    elif math.isinf(has):
        change = "stronger brakes: these never hold it"
    elif verdict is not Verdict.ENOUGH:
        change = "more counts a revolution; a quicker servo (brakes.lag_s, brakes.slew_per_s)"
    grip = 100.0 * wishes.friction
    if grade > grip:
        verdict, change = Verdict.NOT_ENOUGH, f"nothing holds beyond tan(a) = mu: {grip:g} %"
    where = "counts_per_rev" if config.encoders.kind == "counts" else "rate_hz"
    value = getattr(config.encoders, where)
    stands = "never stands" if math.isinf(has) else f"stands after {has:.0f} mm"
    return Line(
        name=f"roll-back on {grade:g} %",
        formula=(
            f"a = g sin = {GRAVITY_MPS2 * math.sin(math.atan(grade / 100)):.2f} m/s2; found after "
            f"{1e3 * roll.found_s:.0f} ms (count, filter, loop), held after "
            f"{1e3 * roll.bite_s:.0f} ms (servo); {stands}"
        ),
        at_most=True,
        needed=allowed,
        has=has,
        unit="mm",
        hangs_on=f"encoders.{where} {value:g}",
        verdict=verdict,
        change=change,
    )


def _slip(config: Config, wishes: Wishes, window_s: float) -> Line:
    seen = slip_seen_mps(config, window_s)
    verdict = at_most(seen, wishes.slip_mps)
    enc = config.encoders
    return Line(
        name=f"smallest slip seen in {1e3 * window_s:g} ms",
        formula=(
            f"(count + spin.excess_travel_mm) / (window - 1/encoders.rate_hz) = "
            f"({1e3 * config.count_m:.2f} + {config.spin.excess_travel_mm:g}) mm / "
            f"{1e3 * max(0.0, window_s - 1 / enc.rate_hz - enc.delay_s):.0f} ms = {seen:.2f} m/s"
        ),
        at_most=True,
        needed=wishes.slip_mps,
        has=seen,
        unit="m/s",
        hangs_on=f"encoders.counts_per_rev {enc.counts_per_rev:g}",
        verdict=verdict,
        change="" if verdict is Verdict.ENOUGH else "see 'counts needed'",
    )


def _counts(config: Config, wishes: Wishes) -> Line:
    needed = counts_needed(config, wishes.slip_mps, wishes.delay_s)
    has = config.encoders.counts_per_rev or 0.0
    verdict = at_least(has, needed)
    if math.isinf(needed):
        change = "no encoder does: a lower spin.excess_travel_mm, or a longer --delay"
    else:
        change = "" if verdict is Verdict.ENOUGH else f"{math.ceil(needed)} counts or more"
    return Line(
        name="counts needed",
        formula=(
            f"2 pi r / (slip x (delay - 1/encoders.rate_hz) - spin.excess_travel_mm), "
            f"{wishes.slip_mps:g} m/s in {1e3 * wishes.delay_s:g} ms: {needed:.0f}"
        ),
        needed=needed,
        has=has,
        unit="counts/rev",
        hangs_on=f"encoders.counts_per_rev {has:g}",
        verdict=verdict,
        change=change,
    )


def _count_rate(config: Config, hardware: Hardware, given: frozenset[str]) -> Line:
    alone = FREE_WHEEL_TURNS if config.rover.drive == "open" else 2.0
    alone = 1.0 if config.rover.drive == "locked" else alone
    speed, key, known = fastest(config, hardware, given)
    needed, has = alone * speed / config.count_m, hardware.count_rate_hz
    if not known or has is None:
        missing = [*([] if known else [key]), *([] if has is not None else [COUNT_RATE])]
        verdict, change = Verdict.NOT_KNOWN, f"give {' and '.join(missing)}"
    else:
        verdict = at_least(has, 1.5 * needed, barely=needed)
        change = "" if verdict is Verdict.ENOUGH else "a counter in hardware, or fewer counts"
    return Line(
        name="counts a second, a wheel spinning free",
        formula=f"{alone:g} x top speed / count = {alone:g} x {speed:.3g} m/s / "
        f"{1e3 * config.count_m:.2f} mm = {needed:.0f}/s; 1.5 times that wished",
        needed=1.5 * needed,
        has=has,
        unit="1/s",
        hangs_on=f"{COUNT_RATE} {'-' if has is None else f'{has:g}'}",
        verdict=verdict,
        change=change,
    )


def _bias(config: Config, given: frozenset[str]) -> Line:
    sd = config.imu.accel_bias_sd_mps2
    has, allowed = bias_grade_percent(sd), config.hold.grade_percent
    verdict = at_most(has, allowed / 2.0, barely=allowed)
    key = "imu.accel_bias_sd_mps2"
    if key not in given:
        verdict = Verdict.NOT_KNOWN
    return Line(
        name="accelerometer bias read as grade",
        formula=f"tan(asin(bias / g)): {sd:g} m/s2 is {has:.1f} %; half of hold.grade_percent "
        "wished",
        at_most=True,
        needed=allowed / 2.0,
        has=has,
        unit="%",
        hangs_on=f"{key} {sd:g}",
        verdict=verdict,
        change="" if verdict is Verdict.ENOUGH else "slipguard calibrate level",
    )
