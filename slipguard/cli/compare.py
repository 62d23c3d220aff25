"""``slipguard compare``: what changes between two configs, for people and for CI."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.progress import track

from slipguard.cli.console import console, table
from slipguard.cli.engine import engines_line
from slipguard.cli.exits import Exit
from slipguard.cli.json_text import JsonFile, write_json
from slipguard.config import Config
from slipguard.recording import open_recording
from slipguard.recording.find import check_match, find_drives

if TYPE_CHECKING:
    from slipguard.compare import Change, Scored
    from slipguard.score import Episode

MOST_LINES = 40


def compare(
    a: Annotated[Path, typer.Argument(help="The rover file as it was.")],
    b: Annotated[Path, typer.Argument(help="The rover file as it shall be.")],
    drives: Annotated[list[Path], typer.Argument(help="Recorded drives, or folders of them.")],
    later_ms: Annotated[
        float, typer.Option(min=0.0, help="An event found later by more than this is worse.")
    ] = 50.0,
    json: JsonFile = None,
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0: one for each core.")] = 0,
) -> None:
    """Replay drives through two rover files: what changes?

    Ends with exit code 7 where B is worse on any drive. With labels, worse means: a label missed
    that was found, more false alarms of a kind, or a label found later by more than --later-ms.
    Without labels: an event lost, or found later by more than that; one gained is only shown.
    """
    config_a, config_b = Config.load(a), Config.load(b)
    found = find_drives(drives)
    for drive in found:
        for config, path in ((config_a, a), (config_b, b)):
            check_match(config, path, open_recording(drive))
    changes = list(_all(found, config_a, config_b, later_ms / 1e3, workers))
    screen = console()
    _print_table(screen, changes)
    _print_lines(screen, changes)
    screen.print(engines_line())
    if any(c.start_s for c in changes):
        screen.print("Times: seconds from the first row of each drive.")
    worse = [f"{c.drive}: {text}" for c in changes for text in c.regressions]
    if json is not None:
        _write(json, a, b, changes)
    if worse:
        screen.print(f"\nRegression: {len(worse)} worse")
        for line in worse[:MOST_LINES]:
            screen.print(f"  {line}")
        if len(worse) > MOST_LINES:
            screen.print(f"  and {len(worse) - MOST_LINES} more; --json FILE has them all")
        raise typer.Exit(Exit.REGRESSION)
    screen.print("\nNo regression.")


def _all(
    drives: Sequence[Path], a: Config, b: Config, later_s: float, workers: int
) -> list[Change]:
    from concurrent.futures import ProcessPoolExecutor

    from slipguard.compare import compare_drive

    work = partial(compare_drive, a=a, b=b, later_s=later_s)
    shown = Console(stderr=True)
    quiet = not sys.stderr.isatty()
    if len(drives) == 1 or workers == 1:
        steps = track(drives, "drives", console=shown, disable=quiet, transient=True)
        return [work(drive) for drive in steps]
    with ProcessPoolExecutor(workers or None) as pool:
        results = pool.map(work, drives)
        return list(
            track(results, "drives", len(drives), console=shown, disable=quiet, transient=True)
        )


def _print_table(screen: Console, changes: Sequence[Change]) -> None:
    shown = table(
        "What changes from A to B", "drive", ">same", ">gained", ">lost", ">earlier", ">later",
        ">missed", ">false", ">delay ms",
    )  # fmt: skip
    for change in changes:
        shown.add_row(_short(change.drive), *_counts([change]), *_scores([change]))
    if len(changes) > 1:
        shown.add_section()
        shown.add_row("in total", *_counts(changes), *_scores(changes))
    screen.print(shown)
    if any(c.before is None for c in changes):
        screen.print("-: not labelled, so nobody knows which events were true.")


def _counts(changes: Sequence[Change]) -> list[str]:
    return [
        str(sum(c.same for c in changes)),
        *(
            str(sum(len(getattr(c, name)) for c in changes))
            for name in ("gained", "lost", "earlier", "later")
        ),
    ]


def _scores(changes: Sequence[Change]) -> list[str]:
    """Missed, false alarms and mean delay, before and after, over the labelled drives."""
    pairs = [(c.before, c.after) for c in changes if c.before is not None and c.after is not None]
    if not pairs:
        return ["-"] * 3
    old, new = [p[0] for p in pairs], [p[1] for p in pairs]
    return [
        f"{sum(s.missed for s in old)} > {sum(s.missed for s in new)}",
        f"{sum(s.false_alarms for s in old)} > {sum(s.false_alarms for s in new)}",
        f"{_delay(old)} > {_delay(new)}",
    ]


def _delay(scores: Sequence[Scored]) -> str:
    found = sum(s.found for s in scores)
    return f"{1e3 * sum(s.delays_s for s in scores) / found:.0f}" if found else "-"


def _print_lines(screen: Console, changes: Sequence[Change]) -> None:
    """Every event that changed, a line each."""
    lines = []
    for change in changes:
        rows = [(e.start_s, "gained", e, "") for e in change.gained]
        rows += [(e.start_s, "lost", e, "") for e in change.lost]
        for name in ("earlier", "later"):
            rows += [
                (p.after.start_s, name, p.after, f"by {1e3 * abs(p.by_s):.0f} ms")
                for p in getattr(change, name)
            ]
        lines += [(change, *row) for row in sorted(rows, key=lambda r: (r[0], r[1]))]
    if not lines:
        return
    shown = table("Events that change", "drive", "change", "kind", "wheel", ">at s", ">")
    for change, at_s, what, event, by in lines[:MOST_LINES]:
        from_start_s = at_s - change.start_s
        shown.add_row(_short(change.drive), what, *_kind(event), f"{from_start_s:.3f}", by)
    screen.print(shown)
    if len(lines) > MOST_LINES:
        screen.print(f"and {len(lines) - MOST_LINES} more; --json FILE has them all")


def _kind(event: Episode) -> tuple[str, str]:
    return event.kind.replace("_", " "), event.wheel or event.sensor or ""


def _short(path: Path) -> str:
    name = path.name
    return name if len(name) <= 30 else f"{name[:14]}..{name[-14:]}"


def _write(path: Path, a: Path, b: Path, changes: Sequence[Change]) -> None:
    drives: list[dict[str, Any]] = []
    for change in changes:
        drive = asdict(change)
        drive["drive"] = str(change.drive)
        for name in ("earlier", "later"):
            for shown, shift in zip(drive[name], getattr(change, name), strict=True):
                shown["by_s"] = shift.by_s
        drives.append(drive)
    document = {
        "a": str(a),
        "b": str(b),
        "regression": any(c.regressions for c in changes),
        "drives": drives,
    }
    write_json(path, document)
