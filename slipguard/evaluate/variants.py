"""Rovers that are not as their YAML says, and rovers with one broken sensor, measured.

Definitions
-----------
A variant is what the guard believes, what the rover really is, and perhaps a fault. In the open
loop a drive is simulated once and its sensors made again for each variant; only payload, which
moves differently, drives again. A fault begins at a fifth to a half of the drive and stays. Its
label begins with the first reading it makes wrong: a stuck encoder on a standing rover shows
nothing yet. It is *named* by a ``sensor_fault`` of the right wheel or of the IMU; any other
``sensor_fault`` is *misnamed*. Spins of a wheel whose encoder is broken do not count for recall.

In the closed loop the motor is cut on a slope, the hold is applied, or the rover starts uphill,
and the fault begins anywhere in the drive. The hold is *lost* when the rover then rolls more than
``LOST_M``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from slipguard.config import Config
from slipguard.engines import quickest
from slipguard.evaluate.measures import Measures, measure
from slipguard.evaluate.tables import Table, percentile, rate_interval
from slipguard.evaluate.trials import truth_arrays
from slipguard.guard import Guard
from slipguard.reading import WHEELS
from slipguard.simulate import SCENARIOS, Label, run, summarise
from slipguard.simulate.faults import EncoderFault, Fault
from slipguard.simulate.resense import fine, first_wrong_s, seen_by
from slipguard.simulate.scenarios import ENCODER_FAULTS, ENCODERS, IMU_FAULTS, MISMATCHES

Change = Callable[[Config], Config]
Misfit = Callable[[Config, np.random.Generator], Config]
Breaks = Callable[[str, float, float], Fault]

OPEN_LOOP = ("mixed_drive", "stop_and_go", "tight_turns", "rough_crawl", "twister", "clay_uphill")
HOLDING = ("parking_motor_cut", "parking_held", "hill_start")
LOST_M = 0.05
NAMED_IN_S = 1.0
ALARMS = ("wheel_spin", "rolling")


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """What the guard believes, how the rover really differs from that, and what breaks.

    Attributes
    ----------
    believed : callable
        ``believed(config)``: the YAML, e.g. with other encoders; the rover has them too.
    real : callable or None
        ``real(believed, rng)``: the rover, where it is not what its YAML says.
    breaks : callable or None
        ``breaks(wheel, start_s, end_s) -> Fault``.
    moves : bool
        Whether the rover moves differently, so that it must be driven again.
    """

    believed: Change = staticmethod(lambda config: config)
    real: Misfit | None = None
    breaks: Breaks | None = None
    moves: bool = False


def _imu(build: Callable[[float, float], Fault], wheel: str, start_s: float, end_s: float) -> Fault:
    return build(start_s, end_s)


VARIANTS: dict[str, Variant] = {
    "as_its_yaml_says": Variant(),
    **{
        name: Variant(believed=ENCODERS[name])
        for name in ("counts_24", "counts_48", "counts_400", "one_channel")
    },
    **{name: Variant(real=change, moves=name == "payload") for name, change in MISMATCHES.items()},
    **{name: Variant(breaks=build) for name, build in ENCODER_FAULTS.items()},
    **{name: Variant(breaks=partial(_imu, build)) for name, build in IMU_FAULTS.items()},
}
"""Every variant by name."""


@dataclass(slots=True)
class VariantResult:
    """What came of one variant: detection, and distance rolled in each closed-loop trial."""

    measures: Measures = field(default_factory=Measures)
    rolled_m: list[float] = field(default_factory=list)

    def __iadd__(self, other: VariantResult) -> VariantResult:
        self.measures += other.measures
        self.rolled_m += other.rolled_m
        return self

    @property
    def held(self) -> int:
        """Trials in which the hold was not lost."""
        return sum(way <= LOST_M for way in self.rolled_m)


def watch_variants(
    scenario: str, seed: int, config: Config, names: Iterable[str]
) -> dict[str, VariantResult]:
    """One open-loop drive, measured as each of ``names`` of ``VARIANTS`` sees it."""
    names = list(names)
    played = SCENARIOS[scenario](seed, config)
    drive = None
    if any(not VARIANTS[name].moves for name in names):
        drive = run(played, fine(config), seed)
    out = {}
    for name in names:
        variant, rng = VARIANTS[name], _random(seed, name)
        believed = variant.believed(config)
        real = variant.real(believed, rng) if variant.real else believed
        seen = run(played, fine(real), seed) if variant.moves or drive is None else drive
        faults = _faults(variant, rng, played.duration_s, 0.2, 0.5)
        readings = seen_by(seen, real, faults, seed=seed)
        labels: list[Label] = seen.labels()
        if faults:
            start_s = first_wrong_s(seen_by(seen, real, seed=seed), readings)
            labels = _with_fault(labels, faults[0], start_s, readings[-1].t_s)
        out[name] = VariantResult(
            measure(
                readings,
                truth_arrays(seen),
                labels,
                believed,
                name=f"{name} {scenario} {seed}",
                late_s=real.encoders.delay_s,
            )
        )
    return out


def hold_variant(scenario: str, seed: int, config: Config, name: str) -> VariantResult:
    """One closed-loop drive of one variant: how far the rover rolled that nobody asked for."""
    variant, rng = VARIANTS[name], _random(seed, name)
    believed = variant.believed(config)
    real = variant.real(believed, rng) if variant.real else believed
    played = SCENARIOS[scenario](seed, believed)
    played = replace(played, faults=_faults(variant, rng, played.duration_s, 0.1, 0.9))
    drive = run(played, believed, seed, Guard(believed, quickest()), plant_config=real)
    return VariantResult(rolled_m=[summarise(drive).rolled_after_event_m])


def _random(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, 6, *name.encode()])


def _faults(
    variant: Variant, rng: np.random.Generator, duration_s: float, early: float, late: float
) -> Sequence[Fault]:
    if variant.breaks is None:
        return ()
    wheel = WHEELS[int(rng.integers(len(WHEELS)))]
    return (variant.breaks(wheel, float(rng.uniform(early, late)) * duration_s, duration_s + 1.0),)


def _with_fault(
    labels: Sequence[Label], fault: Fault, start_s: float | None, end_s: float
) -> list[Label]:
    wheel = fault.wheel if isinstance(fault, EncoderFault) else None
    kept = [
        spin
        for spin in labels
        if not (spin.wheel == wheel and wheel is not None and spin.end_s >= fault.start_s)
    ]
    if start_s is None:
        return kept
    broken = Label(kind="sensor_fault", wheel=wheel, start_s=start_s, end_s=end_s, travel_m=0.0)
    return [*kept, broken]


# ---------------------------------------------------------------- shown


def variants_json(results: Mapping[str, VariantResult]) -> dict[str, Any]:
    """Everything as plain values, by variant."""
    return {name: _plain(result) for name, result in results.items()}


def _plain(result: VariantResult) -> dict[str, Any]:
    m = result.measures
    found = sum(m.found.get(kind, 0) for kind in ALARMS)
    labelled = found + sum(m.missed.get(kind, 0) for kind in ALARMS)
    false = sum(m.false.get(kind, 0) for kind in ALARMS)
    delays = m.delays_s.get("wheel_spin", [])
    named = m.delays_s.get("sensor_fault", [])
    faults = len(named) + m.missed.get("sensor_fault", 0)
    return {
        "drives": m.drives,
        "hours": m.hours,
        "labelled": labelled,
        "recall": found / labelled if labelled else None,
        "delay_p50_s": percentile(delays, 50),
        "delay_p95_s": percentile(delays, 95),
        "false_spin_and_rolling": false,
        "false_per_hour": false / m.hours if m.hours else None,
        "false_per_hour_95": rate_interval(false, m.hours),
        "speed_rmse_mps": m.rmse_mps("ordinary"),
        "coverage_2_sigma": m.coverage,
        "faults": faults,
        "named": len(named),
        "named_within_1_s": sum(s <= NAMED_IN_S for s in named),
        "named_p50_s": percentile(named, 50),
        "named_p95_s": percentile(named, 95),
        "misnamed": m.false.get("sensor_fault", 0),
        "trials": len(result.rolled_m),
        "held": result.held,
        "rolled_p50_m": percentile(result.rolled_m, 50),
        "rolled_worst_m": max(result.rolled_m, default=None),
        "notes": m.notes,
    }


def variants_tables(results: Mapping[str, VariantResult]) -> list[Table]:
    """(title, header, rows) of each table."""
    plain = variants_json(results)
    watched = {name: p for name, p in plain.items() if p["drives"]}
    tried = {name: p for name, p in plain.items() if p["trials"]}
    out: list[Table] = []
    if watched:
        out.append(_detection(watched))
    broken = {name: p for name, p in watched.items() if p["faults"]}
    if broken:
        out.append(_naming(broken))
    if tried:
        out.append(_holding(tried))
    return out


def _detection(plain: Mapping[str, dict[str, Any]]) -> Table:
    rows = [
        [
            name,
            f"{p['hours']:.2f}",
            f"{p['recall'] * p['labelled']:.0f}/{p['labelled']}" if p["labelled"] else "-",
            f"{_scaled(p['delay_p50_s'], 1e3)}/{_scaled(p['delay_p95_s'], 1e3)}",
            f"{p['false_per_hour']:.1f}",
            "{:.1f}-{:.1f}".format(*p["false_per_hour_95"]),
            _scaled(p["speed_rmse_mps"], 1e3),
            _scaled(p["coverage_2_sigma"], 1e2),
            str(p["misnamed"]),
        ]
        for name, p in plain.items()
    ]
    header = ["variant", "h", "found", "p50/95 ms", "false/h", "95 %", "mm/s", "2 sd %", "misnamed"]
    return "Spin and rolling found, false alarms, RMSE of speed, truth in 2 sd", header, rows


def _naming(plain: Mapping[str, dict[str, Any]]) -> Table:
    rows = [
        [
            name,
            str(p["faults"]),
            str(p["named"]),
            str(p["named_within_1_s"]),
            _scaled(p["named_p50_s"], 1e3),
            _scaled(p["named_p95_s"], 1e3),
        ]
        for name, p in plain.items()
    ]
    header = ["variant", "faults", "named", "within 1 s", "p50 ms", "p95 ms"]
    return "Faults named, from the first wrong reading", header, rows


def _holding(plain: Mapping[str, dict[str, Any]]) -> Table:
    rows = [
        [
            name,
            f"{p['held']}/{p['trials']}",
            _scaled(p["rolled_p50_m"], 1e3),
            _scaled(p["rolled_worst_m"], 1e3),
        ]
        for name, p in plain.items()
    ]
    header = ["variant", "held", "rolled p50 mm", "worst mm"]
    return f"Hold, closed loop (lost: rolled more than {1e3 * LOST_M:.0f} mm)", header, rows


def _scaled(value: float | None, by: float) -> str:
    return "-" if value is None else f"{by * value:.0f}"
