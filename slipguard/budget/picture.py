"""One picture: roll-back against grade, for the encoder that is fitted and for two others."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from slipguard.budget.rollback import roll_back
from slipguard.budget.wishes import Wishes
from slipguard.config import Config

FORMATS = (".png", ".svg", ".pdf")
GRADES_PERCENT = [0.5 * k for k in range(2, 81)]


def draw(config: Config, wishes: Wishes, path: Path) -> None:
    """Draw it into ``path``: PNG, SVG or PDF, by its ending.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    # A dependency of filterpy; needed here alone, and slow.
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 5.0), dpi=120, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    mass = config.rover.mass_kg + wishes.payload_kg
    grades = [g for g in GRADES_PERCENT if g <= min(40.0, 1.5 * max(20.0, wishes.grade_percent))]
    highest = 2.0 * wishes.roll_mm
    for label, rover, style in _curves(config):
        rolls = [1e3 * roll_back(rover, g, mass, friction=wishes.friction).travel_m for g in grades]
        axes.plot(grades, rolls, label=label, **style)
        highest = max(highest, *(r for r in rolls if r < 1e4))
    axes.axhline(
        wishes.roll_mm, color="tab:red", lw=1, ls="--", label=f"welcome: {wishes.roll_mm:g} mm"
    )
    axes.axvline(
        wishes.grade_percent,
        color="0.4",
        lw=1,
        ls=":",
        label=f"design grade {wishes.grade_percent:g} %",
    )
    limit = 100.0 * wishes.friction
    if limit < grades[-1]:
        axes.axvspan(limit, grades[-1], color="0.85", label="beyond tan(a) = mu nothing holds")
    axes.set(
        xlim=(0, grades[-1]),
        ylim=(0, min(1.05 * highest, 12.0 * wishes.roll_mm)),
        xlabel="grade, %",
        ylabel="roll-back until it stands, at most, mm",
        title="Roll nobody saw coming, before the brakes have it",
    )
    axes.grid(alpha=0.3)
    axes.legend(loc="upper left", frameon=False)
    figure.savefig(path)


def _curves(config: Config) -> list[tuple[str, Config, dict[str, Any]]]:
    if config.encoders.kind != "counts":
        return [("wheels that report speeds", config, {"color": "tab:blue", "lw": 2.5})]
    fitted = config.encoders.counts_per_rev or 0.0
    curves: list[tuple[str, Config, dict[str, Any]]] = [
        (f"{fitted:g} counts (fitted)", config, {"color": "tab:blue", "lw": 2.5})
    ]
    for counts, ls in ((24.0, "-."), (384.0, "-")):
        if counts != fitted:
            other = config.with_changes(encoders__counts_per_rev=counts)
            curves.append((f"{counts:g} counts", other, {"color": "0.6", "lw": 1.2, "ls": ls}))
    return curves
