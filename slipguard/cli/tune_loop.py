"""What ``slipguard tune --scenario`` prints and writes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Console

from slipguard.cli.console import table
from slipguard.cli.tune_settings import print_settings, settings_document

if TYPE_CHECKING:
    from slipguard.tune import LoopDrive, LoopTuned, Trial

MOST_ROWS = 40
HEADS = (">across s", ">rolled mm", ">leap m/s", ">brake wheel-s")


def note(tuned: LoopTuned) -> str:
    """For the head of the tuned sections."""
    from slipguard.tune import with_chance

    drives = len(tuned.judged)
    return (
        f"Tuned in the simulator on {', '.join(tuned.scenarios)}; {tuned.sets} sets tried: "
        f"{tuned.reason}.\nOn {drives} other simulated drives: {with_chance(tuned)}."
    )


def print_loop(screen: Console, tuned: LoopTuned) -> None:
    """Trade-offs, settings, and the judgement on other drives."""
    from slipguard.tune import with_chance

    shown = table(
        f"Trade-offs among {tuned.sets} sets: means over the drives chosen on", "", *HEADS
    )
    front = list(tuned.pareto)
    rows = front if tuned.own in front else [tuned.own, *front]
    for trial in rows[:MOST_ROWS]:
        shown.add_row(_name(trial, tuned), *_numbers(trial.objectives))
    screen.print(shown)
    if len(rows) > MOST_ROWS:
        screen.print(f"and {len(rows) - MOST_ROWS} more; --json FILE has them all")
    goals = "across s / rolled mm / leap m/s / brake wheel-s"
    print_settings(screen, tuned.sensitivity, goals, _moved)
    shown = table(
        f"Judged on {len(tuned.judged)} drives that were not chosen on",
        "", ">own", ">tuned", ">difference", ">chance", "",
    )  # fmt: skip
    if any(before.time_s is not None for before, _ in tuned.judged):
        before, after = tuned.stuck
        by = f"{after - before:+d}" if after != before else "0"
        shown.add_row("stuck, drives", str(before), str(after), by, "", "")
    for d in tuned.differences:
        shown.add_row(
            f"{d.goal.name}, {d.goal.unit}",
            _digits(d.before),
            _digits(d.after),
            _by(d.by),
            f"± {d.by_2se:.2g}",
            d.verdict,
        )
    worst = [max(drive.rolled_mm for drive in side) for side in zip(*tuned.judged, strict=True)]
    shown.add_row("rolled at worst, mm", *map(_digits, worst), _by(worst[1] - worst[0]), "", "")
    screen.print(shown)
    screen.print("Chance: two standard errors of the mean difference; inside it nothing is known.")
    screen.print(f"\nRecommended: {tuned.reason}.")
    screen.print(f"On drives it was not chosen on: {with_chance(tuned)}.")
    if not any(d.verdict == "better" for d in tuned.differences) and not (
        tuned.stuck[1] < tuned.stuck[0]
    ):
        screen.print("So it need not be a gain: keep your own, or try more sets or more drives.")
    screen.print("All of this is simulated: try it wheels off the ground, then at a crawl.")


def document(tuned: LoopTuned) -> dict[str, Any]:
    """All numbers, for ``--json``."""
    from slipguard.tune import with_chance

    def trial(t: Trial) -> dict[str, Any]:
        settings = {name.replace("__", "."): value for name, value in t.values.items()}
        return {**_named(t.objectives), "settings": settings}

    def drive(d: LoopDrive) -> dict[str, Any]:
        return {"stuck": d.stuck, **_named(d.objectives)}

    return {
        "scenarios": list(tuned.scenarios),
        "sets": tuned.sets,
        "own": trial(tuned.own),
        "recommended": trial(tuned.recommended),
        "reason": tuned.reason,
        "pareto": [trial(t) for t in tuned.pareto],
        "sensitivity": settings_document(tuned.sensitivity, _named),
        "judged": {
            "verdict": with_chance(tuned),
            "differences": {
                d.goal.name.replace(" ", "_"): {
                    "unit": d.goal.unit,
                    "before": d.before,
                    "after": d.after,
                    "by": d.by,
                    "two_standard_errors": d.by_2se,
                    "verdict": d.verdict,
                }
                for d in tuned.differences
            },
            "drives": [
                {
                    "scenario": before.scenario,
                    "seed": before.seed,
                    "before": drive(before),
                    "after": drive(after),
                }
                for before, after in tuned.judged
            ],
        },
    }


NAMES = ("time_across_s", "rolled_mm", "leap_mps", "brake_wheel_s")


def _named(objectives: Any) -> dict[str, Any]:
    return dict(zip(NAMES, objectives, strict=True))


def _name(trial: Trial, tuned: LoopTuned) -> str:
    if trial == tuned.recommended:
        return "the rover's own, recommended" if trial == tuned.own else "recommended"
    return "the rover's own" if trial == tuned.own else ""


def _numbers(objectives: Any) -> list[str]:
    time_s, rolled_mm, leap_mps, brake_s = objectives
    return [f"{time_s:.2f}", f"{rolled_mm:.1f}", f"{leap_mps:.2f}", f"{brake_s:.2f}"]


def _by(value: float) -> str:
    return f"{value:+.2g}" if value else "0"


def _digits(value: float) -> str:
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def _moved(at: Any, moved: Any) -> str:
    changes = []
    for a, m, digits in zip(at, moved, (2, 1, 2, 2), strict=True):
        by = round(m - a, digits)
        changes.append(f"{by:+g}" if by else "0")
    return " / ".join(changes) if set(changes) != {"0"} else "nothing"
