"""Brakes: hold a grade, on how many wheels, transfer torque, the servo behind it."""

from __future__ import annotations

import math

from slipguard.budget.formulas import (
    axle_loads_n,
    clamp_torque_nm,
    grade_force_n,
    grade_rad,
)
from slipguard.budget.hardware import Hardware
from slipguard.budget.lines import Line, Verdict, at_least
from slipguard.budget.wishes import Wishes
from slipguard.config import Config
from slipguard.settings import GRAVITY_MPS2

TORQUE = "brakes.max_torque_nm"
WEIGH = (
    "give brakes.max_torque_nm: press the brake fully, pull at the tyre with a spring scale, force "
    "times wheel radius"
)


def holding_lines(
    config: Config, hardware: Hardware, given: frozenset[str], wishes: Wishes
) -> list[Line]:
    """Lines about brakes."""
    return [
        _hold_torque(config, given, wishes),
        *_friction(config, wishes),
        _transfer(config, given, wishes, free_wheels=1),
        _transfer(config, given, wishes, free_wheels=2),
        _transfer_motor(config, given, wishes),
        _servo(config, hardware, wishes),
    ]


def hold_torque_nm(config: Config, wishes: Wishes) -> float:
    """Torque of each of four brakes that just balances the grade, m g sin(angle) r / 4."""
    mass = config.rover.mass_kg + wishes.payload_kg
    return grade_force_n(mass, wishes.grade_percent) * config.rover.wheel_radius_m / 4.0


def transfer_torque_nm(config: Config, wishes: Wishes, free_wheels: int) -> float:
    """Torque that each gripping wheel needs to climb: m g sin(angle) r over their number.

    Open differentials hand every driven wheel the torque that the braked, free ones take
    (torque balance; any vehicle dynamics handbook), so it is also what those brakes must hold.
    """
    mass = config.rover.mass_kg + wishes.payload_kg
    pull = grade_force_n(mass, wishes.climb_percent) * config.rover.wheel_radius_m
    return pull / (_driven(config) - free_wheels)


def _driven(config: Config) -> int:
    return 4 if config.rover.drive in ("open", "locked") else 2


def _known(verdict: Verdict, key: str, given: frozenset[str]) -> Verdict:
    return verdict if key in given else Verdict.NOT_KNOWN


def _hold_torque(config: Config, given: frozenset[str], wishes: Wishes) -> Line:
    just, margin = hold_torque_nm(config, wishes), config.hold.margin
    has, needed = config.brakes.max_torque_nm, margin * just
    verdict = _known(at_least(has, needed, barely=just), TORQUE, given)
    mass = config.rover.mass_kg + wishes.payload_kg
    advice = {
        Verdict.ENOUGH: "",
        Verdict.NOT_KNOWN: WEIGH,
    }.get(
        verdict, f"brakes of {needed:.2f} N m, or a gentler grade than {wishes.grade_percent:g} %"
    )
    deg = math.degrees(grade_rad(wishes.grade_percent))
    return Line(
        # In degrees, too: a slope of 18 degrees is one of 32 %.
        name=f"hold {wishes.grade_percent:g} % ({deg:.1f} deg), each of 4 brakes",
        formula=(
            f"m g sin(a) r / 4, times hold.margin: {mass:g} kg, {deg:.2f} deg, "
            f"{just:.3f} N m x {margin:g} = {needed:.3f} N m"
        ),
        needed=needed,
        has=has,
        unit="N m",
        hangs_on=f"{TORQUE} {has:g}",
        verdict=verdict,
        change=advice,
    )


def _friction(config: Config, wishes: Wishes) -> list[Line]:
    """Friction needed by 4 braked wheels, 3, and either axle alone; the grade either way round."""
    rover = config.rover
    height = rover.cog_height_m
    assumed = height is None
    tall = 1.3 * rover.wheel_radius_m if height is None else height
    force = grade_force_n(1.0, wishes.grade_percent)
    up, down = axle_loads_n(1.0, wishes.grade_percent, rover.wheelbase_m, tall)
    whole = GRAVITY_MPS2 * math.cos(grade_rad(wishes.grade_percent))
    cases = [
        ("4 wheels braked", whole, "four working brakes do; chains or spikes on ice"),
        ("3 braked, a lower one fails", whole - down / 2, "mend the fourth brake"),
        ("2 braked, the lower axle", down, "fit the other axle's brakes too, or mend them"),
        ("2 braked, the upper axle", up, "fit the other axle's brakes too, or mend them"),
    ]
    lines = []
    for name, load, change in cases:
        needed = force / load if load > 0 else math.inf
        verdict = at_least(wishes.friction, 1.25 * needed, barely=needed)
        share = load / whole
        note = f"cog_height {tall:.3f} m{' (guessed)' if assumed else ''}"
        lines.append(
            Line(
                name=f"grip to hold: {name}",
                formula=(
                    f"mu = m g sin(a) / load on them ({100 * share:.0f} % of the weight) = "
                    f"{needed:.2f}; all four: tan(a); {note}"
                ),
                needed=needed,
                has=wishes.friction,
                unit="-",
                hangs_on=f"--friction {wishes.friction:g}",
                verdict=verdict,
                change="" if verdict is Verdict.ENOUGH else change,
            )
        )
    return lines


def _transfer(config: Config, given: frozenset[str], wishes: Wishes, *, free_wheels: int) -> Line:
    words = {1: "one wheel in the air", 2: "two wheels in the air"}[free_wheels]
    name = f"climb {wishes.climb_percent:g} %, {words}"
    if config.rover.drive == "locked" or free_wheels >= _driven(config):
        locked = config.rover.drive == "locked"
        return Line(
            name=name,
            formula="locked: no brake needed" if locked else "no driven wheel left",
            needed=None,
            has=None,
            unit="N m",
            hangs_on=f"rover.drive {config.rover.drive}",
            verdict=Verdict.ENOUGH if locked else Verdict.NOT_ENOUGH,
            change="" if locked else "drive all four wheels",
        )
    needed, has = transfer_torque_nm(config, wishes, free_wheels), config.brakes.max_torque_nm
    verdict = _known(at_least(has, 1.25 * needed, barely=needed), TORQUE, given)
    change = {Verdict.ENOUGH: "", Verdict.NOT_KNOWN: WEIGH}.get(
        verdict, f"brakes of {1.25 * needed:.2f} N m"
    )
    grip = _driven(config) - free_wheels
    return Line(
        name=name,
        formula=f"brake on each free wheel T = m g sin(a) r / {grip} = {needed:.3f} N m; 1.25 T "
        "wished",
        needed=1.25 * needed,
        has=has,
        unit="N m",
        hangs_on=f"{TORQUE} {has:g}",
        verdict=verdict,
        change=change,
    )


def _transfer_motor(config: Config, given: frozenset[str], wishes: Wishes) -> Line:
    key, driven = "motor.stall_torque_nm", _driven(config)
    mass = config.rover.mass_kg + wishes.payload_kg
    weight_nm = grade_force_n(mass, wishes.climb_percent) * config.rover.wheel_radius_m
    if config.rover.drive == "locked":
        needed, words = weight_nm, f"m g sin(a) r = {weight_nm:.2f} N m"
    else:
        free = 2 if driven == 4 else 1
        needed = driven * weight_nm / (driven - free)
        words = f"{driven} T, {free} wheel(s) in the air = {needed:.2f} N m"
    has = config.motor.stall_torque_nm
    # A motor near stall makes heat and little motion: half of the stall torque is for use.
    verdict = _known(at_least(has, 2.0 * needed, barely=1.2 * needed), key, given)
    change = {
        Verdict.ENOUGH: "",
        Verdict.NOT_KNOWN: f"give {key}: hold the rover at full throttle with a spring scale "
        "(wheels must not slip; briefly), force times wheel radius",
    }.get(verdict, "a lower gear, or a stronger motor")
    return Line(
        name=f"motor: climb {wishes.climb_percent:g} % so",
        formula=f"at the wheels {words}; half of the stall torque is for use",
        needed=2.0 * needed,
        has=has,
        unit="N m",
        hangs_on=f"{key} {has:g}",
        verdict=verdict,
        change=change,
    )


def _servo(config: Config, hardware: Hardware, wishes: Wishes) -> Line:
    needed_nm = max(
        config.hold.margin * hold_torque_nm(config, wishes),
        0.0 if config.rover.drive == "locked" else transfer_torque_nm(config, wishes, 1),
    )
    h = hardware
    missing = [
        f"hardware.{key}"
        for key in ("servo_torque_nm", "servo_lever_m", "disc_radius_m")
        if getattr(h, key) is None
    ]
    formula = "brake torque = faces x pad friction x (servo torque x share / lever x ratio) x disc"
    if h.servo_torque_nm is None or h.servo_lever_m is None or h.disc_radius_m is None:
        return Line(
            name="brake servo",
            formula=formula,
            needed=needed_nm,
            has=None,
            unit="N m",
            hangs_on="hardware.servo_torque_nm",
            verdict=Verdict.NOT_KNOWN,
            change=f"give {', '.join(missing)}",
        )
    usable = h.servo_share * h.servo_torque_nm
    has = clamp_torque_nm(
        usable, h.servo_lever_m, h.caliper_ratio, h.pad_friction, h.disc_faces, h.disc_radius_m
    )
    verdict = at_least(has, needed_nm)
    servo_nm = needed_nm / has * h.servo_torque_nm
    return Line(
        name="brake servo",
        formula=(
            f"{formula} = {h.disc_faces} x {h.pad_friction:g} x ({usable:g} N m / "
            f"{1e3 * h.servo_lever_m:g} mm x {h.caliper_ratio:g}) x {1e3 * h.disc_radius_m:g} mm"
            f" = {has:.2f} N m"
        ),
        needed=needed_nm,
        has=has,
        unit="N m",
        hangs_on=f"hardware.servo_torque_nm {h.servo_torque_nm:g}",
        verdict=verdict,
        change=""
        if verdict is Verdict.ENOUGH
        else f"a servo of {servo_nm:.2f} N m, a shorter horn, or a larger disc",
    )
