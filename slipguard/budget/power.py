"""Heat in a brake; whether motor, gears and battery fit what the rover file says."""

from __future__ import annotations

from slipguard.budget.formulas import torque_constant_nm_per_a
from slipguard.budget.hardware import Hardware
from slipguard.budget.holding import transfer_torque_nm
from slipguard.budget.lines import Line, Verdict, at_least, at_most
from slipguard.budget.wishes import Wishes
from slipguard.config import Config

MINUTE_S = 60.0


def power_lines(
    config: Config, hardware: Hardware, given: frozenset[str], wishes: Wishes
) -> list[Line]:
    """Lines about heat, battery and motor."""
    return [
        *_heat(config, given, wishes),
        _free_speed(config, hardware, given),
        _stall_torque(config, hardware, given),
        _stall_current(hardware),
    ]


def transfer_heat_j(config: Config, wishes: Wishes) -> float:
    """Heat in the brake of one spinning wheel in a minute of transfer: torque x turn rate x time.

    The wheel turns at crawling speed plus the slip that traction braking leaves
    (``limits.slip_target_mps``).
    """
    rim = wishes.crawl_mps + config.limits.slip_target_mps
    return transfer_torque_nm(config, wishes, 1) * rim / config.rover.wheel_radius_m * MINUTE_S


def _heat(config: Config, given: frozenset[str], wishes: Wishes) -> list[Line]:
    if config.rover.drive == "locked":
        return []
    brakes, key = config.brakes, "brakes.heat_limit_j"
    has = transfer_heat_j(config, wishes)
    torque = transfer_torque_nm(config, wishes, 1)
    rim = wishes.crawl_mps + config.limits.slip_target_mps
    allowed = brakes.heat_limit_j + brakes.cooling_w * MINUTE_S
    verdict = at_most(has, allowed) if key in given else Verdict.NOT_KNOWN
    change = {
        Verdict.ENOUGH: "",
        Verdict.NOT_KNOWN: f"give {key} and brakes.cooling_w: heat per degree of disc and pads "
        "(steel 460 J/(kg K)) times the rise they stand",
    }.get(verdict, "larger discs, or shorter work with a wheel in the air")
    return [
        Line(
            name="brake heat, a minute of transfer",
            formula=(
                f"T x (crawl + slip) / r x 60 s = {torque:.2f} N m x {rim:.2f} m/s / r x 60 s = "
                f"{has:.0f} J; allowed heat_limit_j + cooling_w x 60 s"
            ),
            at_most=True,
            needed=allowed,
            has=has,
            unit="J",
            hangs_on=f"{key} {brakes.heat_limit_j:g}",
            verdict=verdict,
            change=change,
        )
    ]


def _missing(hardware: Hardware, *keys: str) -> str:
    names = [f"hardware.{key}" for key in keys if getattr(hardware, key) is None]
    return f"give {', '.join(names)}" if names else ""


def _agree(a: float, b: float) -> Verdict:
    """Two ways to the same number: within 20 % fine, within a factor of 1.5 doubtful."""
    apart = max(a, b) / min(a, b)
    return at_most(apart, 1.2, barely=1.5)


def _free_speed(config: Config, hardware: Hardware, given: frozenset[str]) -> Line:
    h, key = hardware, "rover.top_speed_mps"
    top = config.rover.top_speed_mps
    formula = "Kv x U / gear x 2 pi r / 60"
    has = h.free_speed_mps(config.rover.wheel_radius_m)
    change = _missing(h, "motor_rpm_per_v", "battery_v", "gear_ratio")
    verdict = Verdict.NOT_KNOWN
    if has is not None:
        formula += f" = {has:.1f} m/s"
        if key not in given:
            verdict = at_least(top, has)
            change = "" if verdict is Verdict.ENOUGH else f"give {key}, at least {has:.1f}"
        else:
            # The free-running motor is the upper bound; loads take a good part of it.
            verdict = at_least(top, 0.9 * has, barely=0.6 * has)
            if top > 1.1 * has:
                verdict = Verdict.THIN
            change = "" if verdict is Verdict.ENOUGH else f"is {key} {has:.1f}, or the gear wrong?"
    return Line(
        name="plausible: free-running speed",
        formula=formula,
        needed=has,
        has=top,
        unit="m/s",
        hangs_on=f"{key} {top:g}",
        verdict=verdict,
        change=change,
        agree=key in given,
    )


def _stall_torque(config: Config, hardware: Hardware, given: frozenset[str]) -> Line:
    h, key = hardware, "motor.stall_torque_nm"
    stated = config.motor.stall_torque_nm
    formula = "60 / (2 pi Kv) x U / R x gear"
    has = None
    change = _missing(h, "motor_rpm_per_v", "battery_v", "motor_resistance_ohm", "gear_ratio")
    verdict = Verdict.NOT_KNOWN
    amps = _stall_a(h)
    if amps is not None and h.motor_rpm_per_v is not None and h.gear_ratio is not None:
        if h.battery_max_a is not None:
            amps = min(amps, h.battery_max_a)
        has = torque_constant_nm_per_a(h.motor_rpm_per_v) * amps * h.gear_ratio
        formula += f", at most battery_max_a: {amps:.0f} A, {has:.1f} N m at the wheels"
        if key in given:
            verdict = _agree(stated, has)
            change = "" if verdict is Verdict.ENOUGH else f"measure {key}: a spring scale decides"
        else:
            change = f"measure {key}; this says {has:.1f}"
    return Line(
        name="plausible: stall torque",
        formula=formula,
        needed=has,
        has=stated,
        unit="N m",
        hangs_on=f"{key} {stated:g}",
        verdict=verdict,
        change=change,
        agree=True,
    )


def _stall_a(hardware: Hardware) -> float | None:
    """Current of the stalled motor, U / R."""
    if hardware.battery_v is None or hardware.motor_resistance_ohm is None:
        return None
    return hardware.battery_v / hardware.motor_resistance_ohm


def _stall_current(hardware: Hardware) -> Line:
    h = hardware
    formula, needed, has = "U / R", _stall_a(h), h.battery_max_a
    change = _missing(h, "battery_v", "motor_resistance_ohm", "battery_max_a")
    verdict = Verdict.NOT_KNOWN
    if needed is not None and has is not None:
        formula += f" = {h.battery_v:g} V / {h.motor_resistance_ohm:g} ohm = {needed:.0f} A"
        verdict = at_least(has, needed)
        if verdict is not Verdict.ENOUGH:
            change = "set the controller's current limit below it, and fuse the battery"
    return Line(
        name="stall current",
        formula=formula,
        needed=needed,
        has=has,
        unit="A",
        hangs_on=f"hardware.battery_max_a {'-' if has is None else f'{has:g}'}",
        verdict=verdict,
        change=change,
    )
