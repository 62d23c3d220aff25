"""Measures and trials as tables and as plain values for JSON."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from slipguard.evaluate.measures import COUNTED, SPEED_PARTS, Measures

if TYPE_CHECKING:
    from slipguard.evaluate.trials import Trial

Table = tuple[str, list[str], list[list[str]]]


def rate_interval(events: int, hours: float) -> tuple[float, float]:
    """95 % interval of a Poisson rate per hour, exact.

    F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28, 1936: quantiles
    of chi-square with 2 n and 2 n + 2 degrees of freedom, over 2 hours.
    """
    from scipy.stats import chi2  # a dependency of filterpy; needed here alone, and slow

    if hours <= 0.0:
        return 0.0, math.inf
    low = float(chi2.ppf(0.025, 2 * events)) / (2 * hours) if events else 0.0
    return low, float(chi2.ppf(0.975, 2 * events + 2)) / (2 * hours)


def as_json(measures: Mapping[str, Measures], trials: Sequence[Trial] = ()) -> dict[str, Any]:
    """Everything as plain values. ``measures``: by scenario; the total is added."""
    total = _total(measures.values())
    return {
        "scenarios": {name: _plain(m) for name, m in measures.items()},
        "total": _plain(total),
        "notes": total.notes,
        "closed_loop": _closed(trials),
    }


def tables(measures: Mapping[str, Measures], trials: Sequence[Trial] = ()) -> list[Table]:
    """(title, header, rows) of each table."""
    everything = {**measures, "all": _total(measures.values())}
    out = [_detection(everything), _false(everything), _speed(everything)]
    if trials:
        out.append(_closed_table(trials))
    return out


def _total(measures: Iterable[Measures]) -> Measures:
    total = Measures()
    for m in measures:
        total += m
    return total


def percentile(values: Sequence[float], percent: float) -> float | None:
    """A percentile; None of nothing."""
    return float(np.percentile(values, percent)) if len(values) else None


def _plain(m: Measures) -> dict[str, Any]:
    out: dict[str, Any] = {"drives": m.drives, "hours": m.hours}
    for kind in (*COUNTED, "sensor_fault"):
        found, missed = m.found.get(kind, 0), m.missed.get(kind, 0)
        if found + missed:
            delays = m.delays_s.get(kind, [])
            matched, false = m.matched.get(kind, 0), m.false.get(kind, 0)
            out[kind] = {
                "labelled": found + missed,
                "recall": found / (found + missed),
                "precision": matched / (matched + false) if matched + false else None,
                "delay_p50_s": percentile(delays, 50),
                "delay_p95_s": percentile(delays, 95),
            }
    alarms = sum(m.false.get(kind, 0) for kind in COUNTED)
    out["false_alarms"] = dict(m.false)
    out["slight"] = dict(m.slight)
    out["false_spin_and_rolling_per_hour"] = alarms / m.hours if m.hours else None
    out["false_per_hour_95"] = rate_interval(alarms, m.hours)
    for kind, name in (("wheel_spin", "short_spins"), ("rolling", "short_rolls")):
        found, missed = m.short_found.get(kind, 0), m.short_missed.get(kind, 0)
        out[name] = {"found": found, "missed": missed}
    out["roll_travel_p95_m"] = percentile(m.roll_travel_m, 95)
    out["speed_rmse_mps"] = {part: m.rmse_mps(part) for part in SPEED_PARTS}
    out["coverage_2_sigma"] = m.coverage
    out["sigma_over_rmse"] = m.sigma_over_rmse
    return out


def _ms(seconds: float | None) -> str:
    return "-" if seconds is None else f"{1e3 * seconds:.0f}"


def _detection(measures: Mapping[str, Measures]) -> Table:
    rows = []
    for name, m in measures.items():
        cells = [name]
        for kind in COUNTED:
            found, missed = m.found.get(kind, 0), m.missed.get(kind, 0)
            delays = m.delays_s.get(kind, [])
            short, slipped = m.short_found.get(kind, 0), m.short_missed.get(kind, 0)
            cells += [
                f"{found}/{found + missed}" if found + missed else "-",
                _ms(percentile(delays, 50)),
                _ms(percentile(delays, 95)),
                f"{short}/{short + slipped}" if short + slipped else "-",
            ]
        rows.append(cells)
    of_each = ["p50 ms", "p95 ms", "short"]
    header = ["scenario", "spin", *of_each, "rolling", *of_each]
    return "Found of labelled, and delay from onset", header, rows


def _false(measures: Mapping[str, Measures]) -> Table:
    rows = []
    for name, m in measures.items():
        alarms = sum(m.false.get(kind, 0) for kind in COUNTED)
        low, high = rate_interval(alarms, m.hours)
        other = sum(n for kind, n in m.false.items() if kind not in COUNTED)
        rows.append(
            [
                name,
                f"{m.hours:.2f}",
                str(m.false.get("wheel_spin", 0)),
                str(m.false.get("rolling", 0)),
                f"{alarms / m.hours:.2f}" if m.hours else "-",
                f"{low:.2f}-{high:.2f}",
                str(other),
                str(sum(m.slight.values())),
            ]
        )
    header = ["scenario", "hours", "spin", "rolling", "per hour", "95 %", "other", "slight"]
    return "False alarms", header, rows


def _number(value: float | None, digits: int = 4) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _speed(measures: Mapping[str, Measures]) -> Table:
    rows = [
        [
            name,
            *(_number(m.rmse_mps(part)) for part in SPEED_PARTS),
            "-" if m.coverage is None else f"{100 * m.coverage:.1f}",
            _number(m.sigma_over_rmse, 2),
        ]
        for name, m in measures.items()
    ]
    header = ["scenario", "RMSE m/s", "spinning", "all four", "inside 2 sigma %", "sigma/RMSE"]
    return "Speed", header, rows


def _closed(trials: Sequence[Trial]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for t in trials:
        out.setdefault(t.scenario, {}).setdefault(t.helper, []).append(t)
    return {
        name: {helper: _outcomes(ts) for helper, ts in helpers.items()}
        for name, helpers in out.items()
    }


def _outcomes(trials: Sequence[Trial]) -> dict[str, Any]:
    crossed = [t.across_s for t in trials if t.across_s is not None]
    rolled = [t.rolled_m for t in trials]
    return {
        "drives": len(trials),
        "across": len(crossed) if trials[0].goal else None,
        "across_mean_s": sum(crossed) / len(crossed) if crossed else None,
        "rolled_p50_m": percentile(rolled, 50),
        "rolled_p95_m": percentile(rolled, 95),
        "rolled_worst_m": max(rolled),
        "brake_wheel_s": sum(t.brake_wheel_s for t in trials) / len(trials),
        "pulled_m": sum(t.pulled_m for t in trials) / len(trials),
        "leap_worst_mps": max(t.leap_mps for t in trials),
    }


def _closed_table(trials: Sequence[Trial]) -> Table:
    rows = []
    for name, helpers in _closed(trials).items():
        for helper, o in helpers.items():
            rows.append(
                [
                    name,
                    helper,
                    "-" if o["across"] is None else f"{o['across']}/{o['drives']}",
                    _number(o["across_mean_s"], 2),
                    f"{1e3 * o['rolled_p50_m']:.1f}",
                    f"{1e3 * o['rolled_p95_m']:.1f}",
                    _number(o["brake_wheel_s"], 2),
                    _number(o["pulled_m"], 2),
                    _number(o["leap_worst_mps"], 2),
                ]
            )
    header = [
        "scenario",
        "helper",
        "across",
        "time s",
        "rolled p50 mm",
        "p95 mm",
        "brake s",
        "5 s, m",
        "leap m/s",
    ]
    return "Closed loop", header, rows
