"""``slipguard label``: what truly happened in a drive, proposed for a person to confirm."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from slipguard.cli.console import console, table
from slipguard.cli.drive_in import keep_rover_file, open_drive, with_progress
from slipguard.cli.label_serve import PORT, serve_labels
from slipguard.errors import RecordingError
from slipguard.label import Proposals, propose
from slipguard.recording import Recording, labels_path
from slipguard.recording.find import check_inside
from slipguard.recording.labels import event_keys
from slipguard.recording.relabel import keep_old, relabelled
from slipguard.recording.whole import part_of
from slipguard.section import read_text
from slipguard.summary import times_note


def label(
    drive: Annotated[Path, typer.Argument(help="Recorded drive: .csv, .csv.gz, .parquet.")],
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover it was driven with. Default: rover.yaml beside the drive."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Write them into NAME.yaml beside the drive.")
    ] = False,
    force: Annotated[
        bool,
        typer.Option("--force", help="Let --write replace confirmed labels; a copy is kept."),
    ] = False,
    serve: Annotated[
        bool, typer.Option("--serve", help="Edit them in the drive's page, in a browser here.")
    ] = False,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port of --serve on 127.0.0.1; 0: any.")
    ] = PORT,
    truth: Annotated[
        bool,
        typer.Option("--truth/--no-truth", help="Use the truth columns of a simulated drive."),
    ] = True,
    progress: Annotated[
        bool, typer.Option("--progress/--no-progress", help="Progress bar on long drives.")
    ] = True,
) -> None:
    """Propose what truly happened in a drive: its labels.

    From truth columns where the drive has them; else the drive is looked at forwards and
    backwards, which tells speed and slip far better than was possible while it drove. Your
    markers that name an event are taken too, the alerts of slipguard run are not. Nothing is
    written without --write, and labels a person has confirmed stay. Written ones count as
    proposed until you delete the line "proposed: true".
    """
    if serve and (write or force):
        raise typer.BadParameter("--serve saves what you save in the page; leave --write out")
    if force and not write:
        raise typer.BadParameter("--force is for --write: it lets that replace confirmed labels")
    recording, config = open_drive(drive, rover, outputs=[])
    if write or serve:
        keep_rover_file(drive, rover)
    if serve:
        serve_labels(
            drive,
            recording,
            config,
            port=port,
            use_truth=truth,
            progress=progress and sys.stderr.isatty(),
        )
        return
    before, path = recording.labels, labels_path(drive)
    confirmed = before.events is not None and not before.proposed
    if write and confirmed and not force:
        raise RecordingError(
            f"{path}: holds confirmed labels; --force replaces them and keeps a copy, or edit the "
            "file by hand"
        )
    rows = with_progress(recording, shown=progress and sys.stderr.isatty())
    proposals = propose(recording, config, rows, use_truth=truth)
    _print(console(), recording, proposals, confirmed=confirmed)
    if write:
        _write(path, proposals, keep=confirmed)


def _print(out: Console, recording: Recording, proposals: Proposals, *, confirmed: bool) -> None:
    out.print(Text(recording.path.name, style="bold"))
    if recording.truncated:
        out.print(Text(f"  {recording.truncated}", style="yellow"))
    first_s = proposals.start_s
    if note := times_note(first_s):
        out.print(f"  {note}, whose times the labels file has")
    if proposals.proposals:
        shown = table(
            "Proposed labels", "kind", "wheel", ">start s", ">end s", ">travel", "from", "marker"
        )
        for one in proposals.proposals:
            event = one.event
            shown.add_row(
                event.kind.replace("_", " ") + (", slight" if event.slight else ""),
                event.wheel or "",
                f"{event.start_s - first_s:.3f}",
                f"{event.end_s - first_s:.3f}",
                f"{1e3 * one.travel_m:.0f} mm" if one.travel_m else "",
                one.origin,
                one.marker,
            )
        out.print(shown)
    else:
        out.print("  Nothing to label: no wheel slipped, nothing rolled.")
    if proposals.no_truth:
        out.print(f"  Not from the truth columns: {proposals.no_truth}.")
    for t_s, text in proposals.other_markers:
        out.print(f"  marker at {t_s - first_s:.3f} s names no event: {text}")
    if confirmed:
        out.print("  The drive has confirmed labels already.")
    try:
        labels = recording.labels.events or ()
        check_inside(recording.path, labels, proposals.start_s, proposals.end_s)
    except RecordingError as err:  # no reason to show no proposals: they may be what mends it
        out.print(Text(f"  {err}", style="yellow"))


def _write(path: Path, proposals: Proposals, *, keep: bool) -> None:
    before = read_text(path, "labels", RecordingError) if path.exists() else ""
    if keep:
        typer.echo(f"{keep_old(path, before)}: the labels as they were")
    events = [event_keys(event) for event in proposals.events]
    text = relabelled(before, events, proposed=True, source=str(path))
    with part_of(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
        os.replace(part, path)
    typer.echo(f"{path}: written, as proposed; look at them (slipguard report), then delete the")
    typer.echo('line "proposed: true"')
