"""``slipguard calibrate``: from recordings of simple drives to settings, with their uncertainty."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from operator import attrgetter
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from slipguard import calibrate as steps
from slipguard.calibrate.circle import HEADING_SD_DEG, RADIUS_SD_M
from slipguard.calibrate.guide import CAUTION, GUIDE
from slipguard.calibrate.straight import LENGTH_SD_M
from slipguard.cli.console import console, table
from slipguard.cli.drive_in import load_rover
from slipguard.cli.examples import end_of_help
from slipguard.cli.files import write_new
from slipguard.config import Config
from slipguard.settings import GRAVITY_MPS2

app = typer.Typer(
    help="Measure settings from simple drives.\n\nBiases, noise, wheels, delay, track, throttle. "
    "'slipguard calibrate guide' says what to drive.",
    epilog=end_of_help("calibrate"),
    no_args_is_help=True,
    rich_markup_mode=None,
)
ALLAN_NEEDED = (
    "this step needs allantools; install it, in slipguard's folder, with: "
    "pip install '.[calibrate]'"
)

Drive = Annotated[Path, typer.Argument(help="Recorded drive: .csv, .csv.gz, .parquet.")]
Rover = Annotated[
    Path | None, typer.Option(help="The rover file. Default: rover.yaml beside the drive.")
]
After = Annotated[
    list[Path] | None,
    typer.Option(help="What an earlier step wrote; laid over the rover file. May be repeated."),
]
Out = Annotated[
    Path | None, typer.Option(help="Write the settings, with their origin, to this new YAML file.")
]
Date = Annotated[str | None, typer.Option(help="Date to write down. Default: today.")]


def _step(name: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Register a step; its help is its part of the guide, line for line."""
    words = "\b\n" + f"{GUIDE[name]}\n\n\b\n{CAUTION}"
    return app.command(name, help=words, epilog=end_of_help(f"calibrate {name}"))


@app.command("guide", epilog=end_of_help("calibrate guide"))
def guide() -> None:
    """Print what to drive for each step, in order."""
    for number, (name, words) in enumerate(GUIDE.items(), 1):
        typer.echo(f"{number}. {name}\n{words}\n")
    typer.echo(CAUTION)


@_step("level")
def level(
    drive: Drive,
    rover: Rover = None,
    after: After = None,
    gravity: Annotated[
        float, typer.Option(min=9.7, max=9.9, help="Local gravity, m/s2.")
    ] = GRAVITY_MPS2,
    out: Out = None,
    date: Date = None,
) -> None:
    config = load_rover(drive, rover, *(after or ()))
    _finish(steps.level(steps.load_samples(drive), config, gravity_mps2=gravity), config, out, date)


@_step("noise")
def noise(
    drive: Drive, rover: Rover = None, after: After = None, out: Out = None, date: Date = None
) -> None:
    config = load_rover(drive, rover, *(after or ()))
    try:
        found = steps.noise(steps.load_samples(drive), config)
    except ModuleNotFoundError as err:
        if err.name != "allantools":
            raise
        raise typer.BadParameter(ALLAN_NEEDED) from err
    _finish(found, config, out, date)


@_step("straight")
def straight(
    drive: Drive,
    length: Annotated[float, typer.Option(min=0.1, help="How far it went, by tape, m.")],
    length_sd: Annotated[
        float, typer.Option(min=0.0, help="How well that is known, m.")
    ] = LENGTH_SD_M,
    rover: Rover = None,
    after: After = None,
    out: Out = None,
    date: Date = None,
) -> None:
    config = load_rover(drive, rover, *(after or ()))
    found = steps.straight(steps.load_samples(drive), config, length, length_sd_m=length_sd)
    _finish(found, config, out, date)


@_step("delay")
def delay(
    drive: Drive, rover: Rover = None, after: After = None, out: Out = None, date: Date = None
) -> None:
    config = load_rover(drive, rover, *(after or ()))
    _finish(steps.delay(steps.load_samples(drive), config), config, out, date)


@_step("circle")
def circle(
    drives: Annotated[
        list[Path], typer.Argument(help="Circles: one to the left, one to the right.")
    ],
    turns: Annotated[float, typer.Option(min=0.5, help="Whole turns in each.")],
    heading_sd: Annotated[
        float, typer.Option(min=0.0, help="How well the nose came back, degrees.")
    ] = HEADING_SD_DEG,
    radius_sd: Annotated[
        float, typer.Option(min=0.0, help="How well the wheel radius is known, m ('straight').")
    ] = RADIUS_SD_M,
    rover: Rover = None,
    after: After = None,
    out: Out = None,
    date: Date = None,
) -> None:
    config = load_rover(drives[0], rover, *(after or ()))
    samples = [steps.load_samples(drive) for drive in drives]
    found = steps.circle(samples, config, turns, heading_sd_deg=heading_sd, radius_sd_m=radius_sd)
    _finish(found, config, out, date)


@_step("deadband")
def deadband(
    drive: Drive, rover: Rover = None, after: After = None, out: Out = None, date: Date = None
) -> None:
    config = load_rover(drive, rover, *(after or ()))
    _finish(steps.deadband(steps.load_samples(drive), config), config, out, date)


@app.command("apply", epilog=end_of_help("calibrate apply"))
def apply(
    rover: Annotated[Path, typer.Argument(help="The rover file.")],
    patches: Annotated[list[Path], typer.Argument(help="What the steps wrote, in order.")],
    out: Annotated[Path, typer.Option(help="The new rover file; never one that is there.")],
) -> None:
    """Lay what the steps wrote over a rover file: a new one.

    Comments of the old file are lost; keep it.
    """
    write_new(out, steps.merged(rover, patches))
    Config.load(out)
    console().print(Text(f"wrote {out}"))


def _finish(found: steps.Calibration, config: Config, out: Path | None, date: str | None) -> None:
    if out is not None:
        day = datetime.date.today().isoformat() if date is None else date
        write_new(out, steps.patch_text(found, day))
    _print(console(), found, config)
    if out is not None:
        typer.echo(f"wrote {out}; lay it over the rover file with: slipguard calibrate apply")


def _print(screen: Console, found: steps.Calibration, config: Config) -> None:
    screen.print(Text(f"{found.step}: {found.method}", style="bold"))
    shown = table("", "value", ">is", ">+- (2 sd)", "unit")
    for value in found.values:
        digits = max(0, min(8, 1 - _exponent(2.0 * value.sd)))
        shown.add_row(
            value.name,
            f"{value.value:.{digits}f}",
            f"{2.0 * value.sd:.{digits}f}",
            value.unit,
        )
    screen.print(shown)
    for note in found.notes:
        screen.print(Text(f"  note: {note}"))
    # Beside what it was: a tape read wrong by a tenth passes every check but this look.
    settings = table("For the rover file", "setting", "was", "value")
    for name, setting in found.settings.items():
        was = attrgetter(name)(config)
        shown_was = list(was) if isinstance(was, tuple) else was
        settings.add_row(Text(name), Text(str(shown_was)), Text(str(setting)))
    screen.print(settings)


def _exponent(value: float) -> int:
    """Power of ten of the first digit."""
    return int(f"{value:e}".split("e")[1]) if value > 0 else 0
