"""``slipguard bench``: how fast the guard is on this machine, against baselines in the same run."""

from __future__ import annotations

import json as jsonlib
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slipguard.cli.console import console
from slipguard.cli.drive_in import load_rover
from slipguard.errors import RecordingError
from slipguard.recording import open_recording

if TYPE_CHECKING:
    from slipguard.bench import Report

LEAST_ROWS = 200


def bench(
    drive: Annotated[Path, typer.Argument(help="Recorded drive with counts, .csv or .csv.gz.")],
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover it was driven with. Default: rover.yaml beside the drive."),
    ] = None,
    rounds: Annotated[int, typer.Option(min=5, help="The median of so many is told.")] = 5,
    json: Annotated[Path | None, typer.Option(help="Write all numbers to this file.")] = None,
) -> None:
    """Measure the cost of a step, as ratios to the bare Kalman filter and other baselines.

    Takes about a minute. Close what else uses the processor.
    """
    from slipguard.bench import measure

    config = load_rover(drive, rover)
    readings = [row.reading for row in open_recording(drive)]
    if len(readings) < LEAST_ROWS or config.encoders.kind != "counts":
        raise RecordingError(f"{drive}: expected a drive with counts, {LEAST_ROWS} rows or more")
    report = measure(config, readings, rounds)
    if json is not None:
        try:
            json.write_text(jsonlib.dumps(asdict(report), indent=1) + "\n", encoding="utf-8")
        except OSError as err:
            raise RecordingError(f"{json}: cannot be written: {err.strerror}") from None
    for line in as_lines(report):
        console().print(line, markup=False, highlight=False, soft_wrap=True)


def as_lines(report: Report) -> list[str]:
    """The table, in Markdown."""
    lines = [
        f"Measured on {report.machine}: {report.rows} readings, median of {report.rounds} rounds.",
        "",
        "| measured | µs a reading | ratio | to |",
        "|---|---|---|---|",
    ]
    for f in report.figures:
        ratio = f"{f.ratio:.3g}"
        lines.append(f"| {f.name} | {f.us_per_row:.3g} | {ratio} | {f.baseline} |")
    lines.append("")
    lines.append(
        "| engine | step by the wall clock, median | 99.9 % below "
        "| processor time grows with length to the |"
    )
    lines.append("|---|---|---|---|")
    for engine, (median, most) in report.tails_us.items():
        power = f"power {report.exponent[engine]:.2f}"
        lines.append(f"| {engine} | {median:.0f} µs | {most:.0f} µs | {power} |")
    return lines
