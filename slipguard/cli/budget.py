"""``slipguard budget``: what a design can do, before anybody drives it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from slipguard.budget import Design, Line, Verdict, Wishes, load
from slipguard.budget import budget as work_out
from slipguard.budget.lines import most_wanted
from slipguard.budget.picture import FORMATS, draw
from slipguard.cli.console import console, table
from slipguard.cli.files import check_ending
from slipguard.cli.json_text import AsJson, as_json
from slipguard.errors import unwritable

STYLES = {
    Verdict.ENOUGH: "green",
    Verdict.THIN: "yellow",
    Verdict.NOT_ENOUGH: "bold red",
    Verdict.NOT_KNOWN: "magenta",
}
DEFAULT = Wishes()
MOST_KEYS = 5
"""So many keys to give are named before the table."""


def budget(
    rover: Annotated[Path, typer.Argument(help="The rover file.")],
    grade: Annotated[
        float, typer.Option(help="Grade to hold on, % and not degrees: 18 degrees are 32 %.")
    ] = DEFAULT.grade_percent,
    climb: Annotated[
        float, typer.Option(help="Grade to climb with wheels in the air, %.")
    ] = DEFAULT.climb_percent,
    payload: Annotated[
        float, typer.Option(help="Carried besides rover.mass_kg, kg.")
    ] = DEFAULT.payload_kg,
    friction: Annotated[
        float, typer.Option(help="Of the tyres on the ground: ice 0.05, wet asphalt 0.5.")
    ] = DEFAULT.friction,
    slip: Annotated[float, typer.Option(help="Slip speed to be found, m/s.")] = DEFAULT.slip_mps,
    delay: Annotated[float, typer.Option(help="Within this time, s.")] = DEFAULT.delay_s,
    latency: Annotated[
        float, typer.Option(help="From the camera to the command's arrival, s.")
    ] = DEFAULT.latency_s,
    stop: Annotated[float, typer.Option(help="Stopping distance wished, m.")] = DEFAULT.stop_m,
    crawl: Annotated[
        float, typer.Option(help="Speed while a wheel in the air is braked, m/s.")
    ] = DEFAULT.crawl_mps,
    roll: Annotated[
        float, typer.Option(help="Roll-back that is still welcome, mm.")
    ] = DEFAULT.roll_mm,
    json: AsJson = False,
    picture: Annotated[
        Path | None,
        typer.Option(help="Draw roll-back against grade into this new .png, .svg or .pdf file."),
    ] = None,
) -> None:
    """Work out what the design can do.

    Brakes, encoders, speed, motor. Each line shows its formula, the number it hangs on, and a
    verdict. A key that was left out makes it "not known", whatever the default would give.
    """
    try:
        wishes = Wishes(
            grade_percent=grade,
            climb_percent=climb,
            payload_kg=payload,
            friction=friction,
            slip_mps=slip,
            delay_s=delay,
            latency_s=latency,
            stop_m=stop,
            crawl_mps=crawl,
            roll_mm=roll,
        )
    except ValueError as err:
        key, _, problem = str(err).partition(": ")
        raise typer.BadParameter(f"--{key.partition('_')[0]}: {problem}") from err
    design = load(rover)
    lines = work_out(design, wishes)
    if picture is not None:
        _draw(design, wishes, picture)
    if json:
        rows = [asdict(line) for line in lines]
        document = {"rover": rover.name, "wishes": asdict(wishes), "lines": rows}
        typer.echo(as_json(document, indent=2))
    else:
        _print(console(), lines)


def _draw(design: Design, wishes: Wishes, path: Path) -> None:
    check_ending("--picture", path, *FORMATS)
    if path.exists():
        raise typer.BadParameter(f"--picture {path}: already there; name another file")
    try:
        draw(design.config, wishes, path)
    except OSError as err:
        raise unwritable(path, err) from err


def _print(screen: Console, lines: Sequence[Line]) -> None:
    _print_first(screen, lines)
    shown = table("Budget", "question", ">wanted", ">has", "", "verdict", "hangs on")
    for line in lines:
        shown.add_row(
            Text(line.name),
            _wanted(line),
            _number(line.has),
            Text(line.unit),
            Text(line.verdict.value, style=STYLES[line.verdict]),
            Text(line.hangs_on),
        )
    screen.print(shown)
    screen.print(Text("How each is worked out", style="bold"))
    for line in lines:
        _print_indented(screen, Text(f"{line.name}: {line.formula}", style="dim"))
    todo = [line for line in lines if line.verdict is not Verdict.ENOUGH]
    if todo:
        screen.print()
        screen.print(Text("What to change", style="bold"))
    for line in todo:
        head = Text(f"{line.name} ({line.verdict.value}): ", style=STYLES[line.verdict])
        _print_indented(screen, Text.assemble(head, line.change))


def _print_first(screen: Console, lines: Sequence[Line]) -> None:
    """What a beginner should do with a table of which most is not known."""
    unknown = sum(line.verdict is Verdict.NOT_KNOWN for line in lines)
    wanted = most_wanted(lines)[:MOST_KEYS]
    if wanted:
        keys = ", ".join(
            f"{key} ({count}{'' if number else ' lines' if count > 1 else ' line'})"
            for number, (key, count) in enumerate(wanted)
        )
        screen.print(
            Text(f"{unknown} of {len(lines)} lines are not known. Give these keys first: {keys}.")
        )
        screen.print(Text("How to measure each stands below, under What to change.", style="dim"))
        screen.print()


def _print_indented(screen: Console, words: Text) -> None:
    """A paragraph whose second line is further in than its first."""
    for number, part in enumerate(words.wrap(screen, screen.width - 4)):
        part.rstrip()
        screen.print(Padding(part, (0, 0, 0, 4 if number else 2), expand=False))


def _wanted(line: Line) -> str:
    number = _number(line.needed)
    sign = "~" if line.agree else "<" if line.at_most else ">"
    return number if line.needed is None else f"{sign} {number}"


def _number(value: float | None) -> str:
    if value is None:
        return "-"
    if math.isinf(value):
        return "none does" if value > 0 else "-"
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
