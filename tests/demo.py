"""Stretches of the demo drives: what is tested on a drive seldom needs the whole of it."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

from slipguard.recording import Labels, load_labels, save_labels

REPLAY = Path(__file__).parent.parent / "replay"
ROVER = REPLAY / "rover.yaml"


def cut(name: str, first_s: float, last_s: float, to: Path) -> Path:
    """A stretch of a demo drive with its labels."""
    packed = REPLAY / f"{name}.csv.gz"
    if packed.is_file():
        text = gzip.decompress(packed.read_bytes()).decode()
    else:
        text = packed.with_suffix("").read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    kept = [row for row in lines[1:] if first_s <= float(row.split(",", 1)[0]) <= last_s]
    path = to / f"{name}.csv"
    path.write_text("".join([lines[0], *kept]), encoding="utf-8")
    events = load_labels(REPLAY / f"{name}.yaml").events or ()
    inside = tuple(
        replace(e, start_s=max(e.start_s, first_s), end_s=min(e.end_s, last_s))
        for e in events
        if e.start_s < last_s and e.end_s > first_s
    )
    save_labels(Labels(events=inside), path.with_suffix(".yaml"))
    return path
