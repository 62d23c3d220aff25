"""``slipguard bench``: how fast the guard is on this machine, against baselines in the same run."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slipguard.cli.console import console
from slipguard.cli.drive_in import load_rover
from slipguard.cli.json_text import JsonFile, write_json
from slipguard.errors import RecordingError
from slipguard.recording import open_recording

if TYPE_CHECKING:
    from slipguard.bench import Report, Scaling

LEAST_ROWS = 200


def bench(
    drive: Annotated[
        Path, typer.Argument(help="Recorded drive with counts: .csv, .csv.gz, .parquet.")
    ],
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover it was driven with. Default: rover.yaml beside the drive."),
    ] = None,
    rounds: Annotated[int, typer.Option(min=5, help="The median of so many is told.")] = 5,
    full: Annotated[
        bool,
        typer.Option(
            "--full", help="Up to a day of driving, 64 drives, 1,000 threshold sets: some minutes."
        ),
    ] = False,
    json: JsonFile = None,
) -> None:
    """Measure what a step and a whole drive cost.

    As ratios to the bare Kalman filter and others.

    Takes a minute or two. Close what else uses the processor.
    """
    from slipguard.bench import measure

    config = load_rover(drive, rover)
    readings = [row.reading for row in open_recording(drive)]
    if len(readings) < LEAST_ROWS or config.encoders.kind != "counts":
        raise RecordingError(f"{drive}: expected a drive with counts, {LEAST_ROWS} rows or more")
    report = measure(config, readings, rounds, full)
    if json is not None:
        write_json(json, asdict(report))
    for line in as_lines(report):
        console().print(line, markup=False, highlight=False, soft_wrap=True)


def as_lines(report: Report) -> list[str]:
    """The tables, in Markdown."""
    lines = [
        f"Measured on {report.machine}: {report.rows} readings, median of {report.rounds} rounds.",
        "",
        "| measured | µs a reading | ratio | to |",
        "|---|---|---|---|",
    ]
    for f in report.figures:
        lines.append(f"| {f.name} | {f.us_per_row:.3g} | {f.ratio:.3g} | {f.baseline} |")
    lines += [
        "",
        "| engine | step, median | 99.9 % below | with the collector off "
        "| time grows with length to the |",
        "|---|---|---|---|---|",
    ]
    for t in report.tails:
        lines.append(
            f"| {t.engine} | {t.median_us:.0f} µs | {t.most_us:.0f} µs | {t.quiet_most_us:.0f} µs "
            f"| power {t.exponent:.2f} |"
        )
    return lines if report.scaling is None else [*lines, "", *_scaling_lines(report.scaling)]


def _scaling_lines(scaling: Scaling) -> list[str]:
    lines = ["| whole drive, compiled | rows a second | memory grew by |", "|---|---|---|"]
    for length in scaling.lengths:
        time = f"{length.minutes} min" if length.minutes < 60 else f"{length.minutes // 60} h"
        lines.append(f"| {time} | {length.rows_per_s:,.0f} | {length.grown_mb:.0f} MB |")
    lines += [
        "",
        f"Time grows with length to the power {scaling.exponent:.2f}; 10,000 live steps leave "
        f"{scaling.step_blocks} blocks of memory behind.",
        "",
        "| drives of a minute, compiled | rows a second on one core | on two |",
        "|---|---|---|",
    ]
    for many in scaling.drives:
        lines.append(f"| {many.drives} | {many.on_one_core:,.0f} | {many.on_two_cores:,.0f} |")
    sets = scaling.sets
    lines += [
        "",
        "| threshold sets a second | on one core | on two | stepping each in Python |",
        "|---|---|---|---|",
        f"| {sets.sets:,} sets over {sets.rows:,} rows | {sets.on_one_core:.3g} "
        f"| {sets.on_two_cores:.3g} | {sets.stepped:.3g} |",
    ]
    return lines
