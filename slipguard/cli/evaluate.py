"""``slipguard evaluate``: how good detection and response are, on drives with truth."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.progress import track

from slipguard.cli.console import console, table
from slipguard.cli.json_text import JsonFile, write_json
from slipguard.config import Config
from slipguard.errors import SIMULATOR_NEEDED, ConfigError, RecordingError
from slipguard.reading import WHEELS
from slipguard.recording import labels_path, open_recording
from slipguard.recording.find import check_inside, check_match, find_drives
from slipguard.section import suggest

if TYPE_CHECKING:
    from slipguard.evaluate import Measures, Trial

MOST_NOTES = 20
EVERY, SEEDS = "all", "1000:1004"
TRUTH = (
    "true_speed_mps",
    *(f"true_{w}_{what}_mps" for w in WHEELS for what in ("slip", "ground")),
)


def evaluate(
    folder: Annotated[
        Path | None,
        typer.Argument(
            help="Recorded drives with labels; truth columns tell more. Else simulates."
        ),
    ] = None,
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover file. Default: rover.yaml beside each drive, or the demo's."),
    ] = None,
    scenarios: Annotated[
        str, typer.Option(help="Simulated scenarios, by name with commas, or 'all'.")
    ] = EVERY,
    seeds: Annotated[
        str, typer.Option(help="Seeds FIRST:LAST of simulated drives, LAST left out.")
    ] = SEEDS,
    closed_loop: Annotated[
        bool,
        typer.Option(
            "--closed-loop/--open-loop",
            help="Also let the guard act, beside nobody, the truth and locked differentials.",
        ),
    ] = False,
    variants: Annotated[
        str,
        typer.Option(
            help="Simulated: rovers that are not as their YAML says and rovers with a broken "
            "sensor, by name with commas, or 'all'; with --closed-loop also how they hold."
        ),
    ] = "",
    json: JsonFile = None,
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0: one for each core.")] = 0,
) -> None:
    """Measure what part is found, how late, and false alarms.

    And the error of speed, and how honest its sigma is; by scenario.

    Thresholds were chosen on seeds below 1000; report on others.
    """
    from slipguard.evaluate import as_json, limits_table, tables

    if folder is not None and closed_loop:
        raise typer.BadParameter(
            "--closed-loop is for simulated drives; a recording does not react"
        )
    for option, value, default in (
        ("--scenarios", scenarios, EVERY),
        ("--seeds", seeds, SEEDS),
    ):
        if folder is not None and value != default:
            raise typer.BadParameter(f"{option} is for simulated drives, not for recorded ones")
    if variants:
        if folder is not None:
            raise typer.BadParameter("--variants is for simulated drives, not for recorded ones")
        _variants(variants, rover, scenarios, seeds, closed_loop, json, workers)
        return
    jobs, trials_wanted = (
        (list(_recorded(folder, rover)), [])
        if folder is not None
        else _simulated(rover, scenarios, seeds, closed_loop)
    )
    measures: dict[str, Measures] = {}
    for name, one in _spread(jobs, workers, "drives"):
        if name in measures:
            measures[name] += one
        else:
            measures[name] = one
    trials: list[Trial] = [t for _, t in _spread(trials_wanted, workers, "closed loop")]
    screen = console()
    shown_tables = tables(measures, trials)
    if folder is None:
        config = _simulated_rover(rover)
        if config.count_m > 0.0:
            hours = sum(m.hours for m in measures.values())
            false_spins = sum(m.false.get("wheel_spin", 0) for m in measures.values())
            shown_tables.append(limits_table(config, hours, false_spins))
    _show(screen, shown_tables)
    screen.print(LEGEND, style="dim")
    _print_notes(screen, measures.values())
    if json is not None:
        write_json(json, as_json(measures, trials))


LEGEND = (
    "spin, rolling: found of labelled. p50, p95: half, and 95 of 100, were found within so long of "
    "the true onset. short: of so little travel that they need not be found. per hour: "
    "false alarms of spin and rolling; 95 %: the true rate lies in there, by the hours driven. "
    "slight: truth shows it, too little for a label; no false alarm. RMSE: error of speed; inside "
    "2 sigma: should be 95; sigma/RMSE: above 1 it knows speed better than it says, below 1 worse."
)


def _show(screen: Console, shown_tables: Iterable[tuple[str, list[str], list[list[str]]]]) -> None:
    for title, header, rows in shown_tables:
        shown = table(title, header[0], *(f">{name}" for name in header[1:]))
        for row in rows:
            shown.add_row(*row)
        screen.print(shown)


Job = tuple[str, Callable[[], Any]]


def _recorded(folder: Path, rover: Path | None) -> Iterator[Job]:
    if not folder.is_dir():
        raise RecordingError(f"{folder}: no such folder")
    drives = find_drives([folder])
    labelled = [drive for drive in drives if open_recording(drive).labels.events is not None]
    for drive in drives:
        if drive not in labelled:
            print(f"left out, no labels beside it: {drive}", file=sys.stderr)
    if not labelled:
        raise RecordingError(f"{folder}: no labelled drive (.csv, .csv.gz, .parquet) in it")
    for drive in labelled:
        beside = rover if rover is not None else drive.parent / "rover.yaml"
        if not beside.exists():
            raise ConfigError(f"{beside}: not there; name the rover file with --rover FILE")
        name = str(labels_path(drive).relative_to(folder).with_suffix(""))
        yield name, partial(measure_file, drive, beside, name)


def measure_file(drive: Path, rover: Path, name: str) -> Measures:
    """Measure a recorded, labelled drive. Without truth columns only its labels count."""
    from slipguard.evaluate import measure

    recording, config = open_recording(drive), Config.load(rover)
    check_match(config, rover, recording)
    known = [name for name in TRUTH if name in recording.columns]
    readings, rows = [], []
    for row in recording:
        readings.append(row.reading)
        rows.append((row.reading.t_s, *(row.number(n) if n in known else math.nan for n in TRUTH)))
    if not readings:
        raise RecordingError(f"{drive}: the drive holds no rows")
    values = np.array(rows, dtype=float).T
    truth = dict(zip(("t_s", *TRUTH), values, strict=True))
    events = recording.labels.events or ()
    check_inside(drive, events, float(values[0].min()), float(values[0].max()))
    return measure(readings, truth, events, config, name=name)


def _simulated(
    rover: Path | None, scenarios: str, seeds: str, closed_loop: bool
) -> tuple[list[Job], list[Job]]:
    _need_engine()
    from slipguard.evaluate.trials import HELPERS, open_loop, trial

    config = _simulated_rover(rover)
    pairs = _pairs(scenarios, seeds)
    drives: list[Job] = [(name, partial(open_loop, name, seed, config)) for name, seed in pairs]
    closed: list[Job] = [
        (name, partial(trial, name, seed, helper, config))
        for name, seed in pairs
        for helper in HELPERS
        if closed_loop
    ]
    return drives, closed


def _need_engine() -> None:
    try:
        import_module("slipguard.simulate")
    except ModuleNotFoundError as err:
        if err.name != "mujoco":
            raise
        raise typer.BadParameter(SIMULATOR_NEEDED) from err


def _pairs(scenarios: str, seeds: str, every: Iterable[str] | None = None) -> list[tuple[str, int]]:
    """Scenario and seed of each drive; ``every``: what 'all' scenarios means."""
    from slipguard.simulate import SCENARIOS

    names = list(every or SCENARIOS) if scenarios == EVERY else scenarios.split(",")
    for name in names:
        if name not in SCENARIOS:
            near = suggest(name, sorted(SCENARIOS))
            raise typer.BadParameter(f"scenario {name!r}: there is none of that name{near}")
    first, _, last = seeds.partition(":")
    if not (first.isdigit() and last.isdigit() and int(first) < int(last)):
        raise typer.BadParameter(f"seeds: found {seeds!r}, expected FIRST:LAST, e.g. 1000:1004")
    return [(name, seed) for seed in range(int(first), int(last)) for name in names]


def _variants(
    wanted: str,
    rover: Path | None,
    scenarios: str,
    seeds: str,
    closed_loop: bool,
    json: Path | None,
    workers: int,
) -> None:
    _need_engine()
    from slipguard.evaluate import variants as v

    names = list(v.VARIANTS) if wanted == "all" else wanted.split(",")
    for name in names:
        if name not in v.VARIANTS:
            raise typer.BadParameter(f"no variant {name!r}; known: {', '.join(v.VARIANTS)}")
    config = _simulated_rover(rover)
    if config.encoders.kind != "counts":
        raise typer.BadParameter("--variants needs a rover whose encoders count")
    drives: list[Job] = [
        (f"{scenario} {seed}", partial(v.watch_variants, scenario, seed, config, names))
        for scenario, seed in _pairs(scenarios, seeds, v.OPEN_LOOP)
    ]
    holds: list[Job] = [
        (name, partial(v.hold_variant, scenario, seed, config, name))
        for scenario, seed in _pairs("all", seeds, v.HOLDING)
        for name in names
        if closed_loop
    ]
    results = {name: v.VariantResult() for name in names}
    for _, by_name in _spread(drives, workers, "drives"):
        for name, one in by_name.items():
            results[name] += one
    for name, one in _spread(holds, workers, "closed loop"):
        results[name] += one
    screen = console()
    _show(screen, v.variants_tables(results))
    _print_notes(screen, (result.measures for result in results.values()))
    if json is not None:
        write_json(json, {"variants": v.variants_json(results)})


def _simulated_rover(rover: Path | None) -> Config:
    from slipguard.simulate import DEMO_ROVER

    return Config.load(rover) if rover is not None else DEMO_ROVER


def _spread(jobs: list[Job], workers: int, what: str) -> Iterable[tuple[str, Any]]:
    """Run jobs on several processes, results in the order of the jobs."""
    if not jobs:
        return
    with ProcessPoolExecutor(workers or os.cpu_count()) as pool:
        results = pool.map(_call, [job for _, job in jobs])
        shown = Console(stderr=True)
        steps = track(results, what, total=len(jobs), console=shown, disable=not shown.is_terminal)
        for (name, _), result in zip(jobs, steps, strict=True):
            yield name, result


def _call(job: Callable[[], Any]) -> Any:
    return job()


def _print_notes(screen: Console, measures: Iterable[Measures]) -> None:
    notes = [note for m in measures for note in m.notes]
    for note in notes[:MOST_NOTES]:
        screen.print(note)
    if len(notes) > MOST_NOTES:
        screen.print(f"and {len(notes) - MOST_NOTES} more; --json FILE has them all")
