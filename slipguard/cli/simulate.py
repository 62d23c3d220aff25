"""``slipguard simulate``: a rover in a physics engine, with the guard's help or without."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.text import Text

from slipguard.cli.console import console, table
from slipguard.cli.drive_in import keep_rover_file
from slipguard.cli.files import check_ending
from slipguard.config import Config
from slipguard.errors import SIMULATOR_NEEDED, unwritable
from slipguard.guard import Guard
from slipguard.recording import labels_path

if TYPE_CHECKING:
    from slipguard.simulate import Drive, Outcome, Scenario

MOST_EVENTS = 40


def simulate(
    scenario: Annotated[
        str | None,
        typer.Argument(
            help="A scenario's name, or FILE.py:FUNCTION for one of your own. None: list them."
        ),
    ] = None,
    rover: Annotated[
        Path | None, typer.Option(help="The rover file. Default: the rover of the demo drives.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Varies ground, timing and noise.")] = 1,
    guard: Annotated[
        bool,
        typer.Option(
            "--guard/--no-guard", help="Let the guard act on the rover, or nobody help the driver."
        ),
    ] = True,
    out: Annotated[
        Path | None,
        typer.Option(help="Write the drive to this .csv or .csv.gz file, its labels beside it."),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Let --out replace a drive and its labels.")
    ] = False,
) -> None:
    """Drive a simulated rover through a scenario.

    Everything is simulated; a rover that crosses here has crossed nothing yet.
    """
    try:
        from slipguard.simulate import DEMO_ROVER, run, summarise
    except ModuleNotFoundError as err:
        if err.name != "mujoco":
            raise
        raise typer.BadParameter(SIMULATOR_NEEDED) from err
    screen = console()
    if scenario is None:
        _print_scenarios(screen)
        return
    check_ending("--out", out, ".csv", ".csv.gz")
    if out is not None:
        keep_rover_file(out, rover)
        for path in (out, labels_path(out)):
            if path.exists() and not force:
                raise typer.BadParameter(
                    f"--out {out}: {path} is there already; name another file, or give --force"
                )
        if not out.parent.is_dir():
            raise unwritable(out, FileNotFoundError())
    config = Config.load(rover) if rover is not None else DEMO_ROVER
    chosen = find_scenario(scenario, seed, config)
    drive = run(chosen, config, seed, Guard(config) if guard else None)
    if out is not None:
        drive.write(out)
    _print_drive(screen, drive, summarise(drive), helped=guard)


def find_scenario(name: str, seed: int, config: Config) -> Scenario:
    """A scenario by its name, or by ``FILE.py:FUNCTION``."""

    from slipguard.simulate.scenarios import ScenarioError, find

    try:
        return find(name, seed, config)
    except ScenarioError as err:
        raise typer.BadParameter(str(err)) from err


def _print_scenarios(screen: Console) -> None:
    from slipguard.simulate import SCENARIOS

    shown = table("Scenarios", "name", "what happens")
    for name, build in SCENARIOS.items():
        words = " ".join((build.__doc__ or "").split())
        shown.add_row(name, Text(f"In reverse: {words}" if name.endswith("_reverse") else words))
    screen.print(shown)


def _print_drive(screen: Console, drive: Drive, outcome: Outcome, *, helped: bool) -> None:
    scenario = drive.scenario
    screen.print(Text(f"{scenario.name}, seed {drive.seed} (simulated)", style="bold"))
    screen.print(Text(f"  {scenario.notes}", style="dim"))
    screen.print(f"  {'with the guard' if helped else 'nobody helps the driver'}")
    if scenario.goal_x_m is not None:
        across = outcome.across_s
        farthest = f"stuck, {outcome.farthest_m:.2f} of {scenario.goal_x_m:.2f} m"
        screen.print(f"  {farthest if across is None else f'across in {across:.2f} s'}")
    screen.print(
        f"  {scenario.duration_s:.1f} s, top speed {outcome.top_speed_mps:.2f} m/s, "
        f"rolled {1000 * outcome.rolled_m:.1f} mm, brakes {outcome.brake_wheel_s:.2f} wheel-seconds"
        " while driving"
    )
    events = drive.labels()
    if not events:
        screen.print("  no wheel spun or locked, nothing rolled or slid")
        return
    shown = table("What truly happened", "kind", "wheel", ">start s", ">length s", ">travel mm")
    for event in events[:MOST_EVENTS]:
        shown.add_row(
            event.kind.replace("_", " "),
            event.wheel or "",
            f"{event.start_s:.3f}",
            f"{event.end_s - event.start_s:.3f}",
            f"{1000 * event.travel_m:.0f}",
        )
    screen.print(shown)
    if len(events) > MOST_EVENTS:
        screen.print(f"... and {len(events) - MOST_EVENTS} more")
