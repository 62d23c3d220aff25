"""``slipguard tune``: thresholds that suit your own drives."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress, TaskID

from slipguard.cli import tune_loop
from slipguard.cli.console import console, table
from slipguard.cli.engine import engines_line
from slipguard.cli.files import write_new
from slipguard.cli.json_text import JsonFile, write_json
from slipguard.cli.report import EXTRA_NEEDED as PAGE_NEEDED
from slipguard.cli.simulate import find_scenario
from slipguard.cli.tune_settings import print_settings, settings_document
from slipguard.config import Config
from slipguard.errors import SIMULATOR_NEEDED, SlipguardError
from slipguard.recording.find import find_drives
from slipguard.section import read_text

if TYPE_CHECKING:
    from slipguard.tune import LoopTuned, Tally, Trial, Tuned

EXTRA_NEEDED = (
    "tuning needs optuna and numba; install them, in slipguard's folder, with: "
    "pip install '.[tune]'"
)
CLUSTER_NEEDED = (
    "a cluster needs distributed; install it, in slipguard's folder, with: pip install '.[cluster]'"
)
CONNECT_S = 10.0
MOST_ROWS = 40


def tune(
    rover: Annotated[Path, typer.Option(help="The rover file they were driven with.")],
    drives: Annotated[
        list[Path] | None, typer.Argument(help="Recorded drives with labels, or folders of them.")
    ] = None,
    scenario: Annotated[
        list[str] | None,
        typer.Option(
            help="Instead of drives: tune hold and brakes in the simulator, on this scenario. May "
            "be repeated; a name ('slipguard simulate' lists them) or FILE.py:FUNCTION."
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option(help="Write the tuned rover file here; never overwrites.")
    ] = Path("tuned.yaml"),
    study: Annotated[
        Path | None,
        typer.Option(help="What was tried, to go on with. Default: the name of --out with .db"),
    ] = None,
    sets: Annotated[
        int | None,
        typer.Option(min=8, help="Sets to try. Default: 200, with --scenario 64."),
    ] = None,
    folds: Annotated[
        int, typer.Option(min=0, help="Parts of the cross-validation over drives; 0: none.")
    ] = 4,
    seeds: Annotated[
        int, typer.Option(min=1, max=1000, help="With --scenario: drives of each to choose on.")
    ] = 8,
    judge: Annotated[
        int, typer.Option(min=2, help="With --scenario: other drives of each to judge on.")
    ] = 20,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same result.")] = 0,
    within: Annotated[
        float, typer.Option(min=1.1, max=100.0, help="Search to this factor either way.")
    ] = 4.0,
    cache: Annotated[
        Path | None, typer.Option(help="Folder of fused drives. Default: in your cache folder.")
    ] = None,
    json: JsonFile = None,
    page: Annotated[
        Path | None,
        typer.Option(help="Write a page to look at (HTML) here; never overwrites."),
    ] = None,
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0: one for each core.")] = 0,
    cluster: Annotated[
        str | None,
        typer.Option(
            help="Work on the Dask cluster of this scheduler, e.g. tcp://HOST:8786. Its workers "
            "must reach drives and --cache by the same paths."
        ),
    ] = None,
) -> None:
    """Search thresholds against labels, or in the simulator.

    Those of spin, lock and rolling against the labels of recorded drives: missed events, false
    alarms an hour and delay are made small together. Killed, it goes on where it was when started
    again. A recording does not react, so hold and brake settings stay as they are; with --scenario
    these are searched instead, in the simulator, in closed loop: time across, way rolled, leap when
    grip returns and use of the brakes.
    """
    if bool(drives) == bool(scenario):
        raise typer.BadParameter(
            "name recorded drives, or scenarios with --scenario: one of the two, not both"
        )
    _need(EXTRA_NEEDED, "numba", "optuna")
    if scenario:
        _need(SIMULATOR_NEEDED, "mujoco")
    if page is not None:
        _need(PAGE_NEEDED, "bokeh")
    from slipguard.tune import tune as tune_drives
    from slipguard.tune import tune_closed_loop

    if cluster is not None and scenario:
        raise typer.BadParameter("--cluster is for recorded drives; leave it out with --scenario")
    config = Config.load(rover)
    for path in (out, page):
        if path is not None and path.exists():
            raise typer.BadParameter(
                f"{path}: is there already and is not overwritten; name another file"
            )
    kept = study if study is not None else out.with_suffix(".db")
    screen = console()
    if scenario:
        for name in scenario:
            find_scenario(name, 0, config)
        with _worker_deaths(), _workers(workers, 2) as executor, _bar() as progress:
            looped = tune_closed_loop(
                scenario,
                config,
                sets=sets or 64,
                seeds=seeds,
                judged=judge,
                seed=seed,
                within=within,
                study=kept,
                executor=executor,
                progress=progress,
            )
        changed = looped.changed
        _write(changed, tune_loop.note(looped), rover, out)
        if json is not None:
            write_json(json, tune_loop.document(looped))
        _write_page(looped, config, page)
        tune_loop.print_loop(screen, looped)
    else:
        found = find_drives(drives or [])
        with ExitStack() as stack:
            stack.enter_context(_worker_deaths())
            executor = stack.enter_context(
                _workers(workers, len(found)) if cluster is None else _cluster(cluster)
            )
            tuned = tune_drives(
                found,
                config,
                sets=sets or 200,
                folds_wanted=folds,
                seed=seed,
                within=within,
                study=kept,
                cache=cache,
                executor=executor,
                progress=stack.enter_context(_bar()),
            )
        changed = tuned.changed
        _write(changed, _note(tuned), rover, out)
        if json is not None:
            write_json(json, _document(tuned))
        _write_page(tuned, config, page)
        _print(screen, tuned)
    for path in (out, json, page):
        if path is not None:
            screen.print(f"Written: {path}")
    if not changed:
        screen.print(f"{out} has the same settings as {rover}: no change gains anything.")


def _need(words: str, *packages: str) -> None:
    for name in packages:
        if find_spec(name) is None:
            raise typer.BadParameter(words)


@contextmanager
def _workers(wanted: int, drives: int) -> Iterator[Executor | None]:
    from concurrent.futures import ProcessPoolExecutor

    if wanted == 1 or drives == 1:
        yield None
        return
    with ProcessPoolExecutor(wanted or None) as pool:
        yield pool


@contextmanager
def _worker_deaths() -> Iterator[None]:
    try:
        yield
    except BrokenExecutor as err:
        raise SlipguardError(
            "a worker process died, maybe for want of memory; start again: the search goes on "
            "where it was, with fewer --workers if need be"
        ) from err


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    """The executor of a Dask cluster: a task whose worker dies is run again by another one."""
    try:
        from distributed import Client
    except ModuleNotFoundError as err:
        if err.name != "distributed":
            raise
        raise typer.BadParameter(CLUSTER_NEEDED) from err
    try:
        client = Client(address, timeout=CONNECT_S)
    except (OSError, ValueError) as err:
        raise typer.BadParameter(
            f"--cluster {address}: no scheduler answers there ({err}); expected tcp://HOST:PORT"
        ) from err
    with client:
        yield client.get_executor()


@contextmanager
def _bar() -> Iterator[Any]:
    """A progress bar on a terminal, one task for each thing that is done."""
    shown = Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty())
    tasks: dict[str, TaskID] = {}

    def progress(what: str, done: int, of: int) -> None:
        if what not in tasks:
            tasks[what] = shown.add_task(what, total=of)
        shown.update(tasks[what], completed=done)

    with shown:
        yield progress


def _note(tuned: Tuned) -> str:
    note = f"Tuned on {len(tuned.drives)} drives, {tuned.sets} sets tried: {tuned.reason}."
    if tuned.held_out is not None:
        note += "\n" + "\n".join(tuned.judgement)
    return note


def _write(changed: Mapping[str, float], note: str, rover: Path, out: Path) -> None:
    from slipguard.tune import patched

    write_new(out, patched(read_text(rover, "rover file"), changed, note))


def _write_page(tuned: Tuned | LoopTuned, config: Config, page: Path | None) -> None:
    if page is not None:
        from slipguard.report import tuning_page

        write_new(page, tuning_page(tuned, config))


def _document(tuned: Tuned) -> dict[str, Any]:
    def tally(t: Tally) -> dict[str, float]:
        missed, false_per_h, delay_ms = t.objectives
        return {
            "labelled": t.labelled,
            "missed": missed,
            "false_alarms_per_hour": false_per_h,
            "delay_ms": delay_ms,
        }

    def trial(t: Trial) -> dict[str, Any]:
        missed, false_per_h, delay_ms = t.objectives
        settings = {name.replace("__", "."): value for name, value in t.values.items()}
        return {
            "missed": missed,
            "false_alarms_per_hour": false_per_h,
            "delay_ms": delay_ms,
            "settings": settings,
        }

    held_out = tuned.held_out
    return {
        "sets": tuned.sets,
        "own": trial(tuned.own),
        "recommended": trial(tuned.recommended),
        "reason": tuned.reason,
        "way": tuned.way,
        "held_out": None
        if held_out is None
        else {"own": tally(held_out[0]), "chosen": tally(held_out[1]), "verdict": tuned.on_others},
        "pareto": [trial(t) for t in tuned.pareto],
        "sensitivity": settings_document(tuned.sensitivity, tally),
        "drives": [
            {
                "drive": str(d.drive),
                "before": tally(d.before),
                "after": tally(d.after),
                "after_as_searched": tally(d.fused_once),
            }
            for d in tuned.drives
        ],
    }


def _print(screen: Console, tuned: Tuned) -> None:
    _print_pareto(screen, tuned)
    print_settings(screen, tuned.sensitivity, "missed / false alarms an hour / delay ms", _moved)
    _print_drives(screen, tuned)
    screen.print(f"\nRecommended: {tuned.reason}.")
    for sentence in tuned.judgement:
        screen.print(sentence)
    screen.print(engines_line())


def _print_pareto(screen: Console, tuned: Tuned) -> None:
    shown = table(f"Trade-offs among {tuned.sets} sets", "", ">missed", ">false/h", ">delay ms")
    rows = list(tuned.pareto)
    for told in (tuned.recommended, tuned.own):
        if told not in rows:
            rows.insert(0, told)
    for trial in rows[:MOST_ROWS]:
        name = "the rover's own" if trial == tuned.own else ""
        if trial == tuned.recommended:
            name = "recommended" if not name else "the rover's own, recommended"
        missed, false_per_h, delay_ms = trial.objectives
        shown.add_row(name, f"{missed:.0f}", f"{false_per_h:.1f}", f"{delay_ms:.0f}")
    screen.print(shown)
    if len(rows) > MOST_ROWS:
        screen.print(f"and {len(rows) - MOST_ROWS} more; --json FILE has them all")
    from slipguard.tune.tally import DELAY_WORDS

    screen.print(DELAY_WORDS)


def _moved(at: Tally, moved: Tally) -> str:
    changes = [
        f"{moved.missed - at.missed:+d}" if moved.missed != at.missed else "0",
        _signed(moved.false_per_h - at.false_per_h),
        _signed(moved.delay_ms - at.delay_ms),
    ]
    return " / ".join(changes) if set(changes) != {"0"} else "nothing"


def _signed(change: float) -> str:
    return f"{change:+.1f}" if abs(change) >= 0.05 else "0"


def _print_drives(screen: Console, tuned: Tuned) -> None:
    shown = table(
        "Before and after, each drive replayed whole",
        "drive", ">labels", ">missed", ">false alarms", ">delay ms",
    )  # fmt: skip
    for d in tuned.drives[:MOST_ROWS]:
        name = d.drive.name
        shown.add_row(
            name if len(name) <= 40 else f"{name[:19]}..{name[-19:]}",
            str(d.before.labelled),
            f"{d.before.missed} > {d.after.missed}",
            f"{d.before.false_alarms} > {d.after.false_alarms}",
            f"{d.before.delay_ms:.0f} > {d.after.delay_ms:.0f}",
        )
    screen.print(shown)
    if len(tuned.drives) > MOST_ROWS:
        screen.print(f"and {len(tuned.drives) - MOST_ROWS} more; --json FILE has them all")
    other = [d for d in tuned.drives if d.after.objectives != d.fused_once.objectives]
    if other:
        screen.print(
            f"{len(other)} of {len(tuned.drives)} differ from what the search saw: there brakes "
            "were held fixed."
        )
