"""Long drives in flat memory."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from slipguard import bench
from slipguard.bench.drives import repeated
from slipguard.recording import STANDARD_COLUMNS, Writer, open_recording

HOME = Path(__file__).parent.parent
DRIVE = HOME / "replay" / "headland_turns.csv.gz"
MOST_KIB = 3072
"""What the allocator may keep. A single list of the floats of each row would be 60 MiB more."""
REPLAY = """
import resource, sys
from slipguard import Config, Guard
from slipguard.bench.drives import repeated
from slipguard.recording import open_recording
from slipguard.replay import replay_rows
from slipguard.summary import DriveSummary
guard, summary = Guard(Config.load(sys.argv[2]), sys.argv[3]), DriveSummary()
early = 0
for row, decision in replay_rows(open_recording(sys.argv[1]), guard):
    summary.add(row, decision)
    if summary.rows == int(sys.argv[4]):
        early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(summary.rows, early, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.large
@pytest.mark.parametrize("engine", bench.engines())
def test_memory_is_flat_over_a_long_drive(tmp_path, engine):
    """Forty times the headland, 21 minutes, from file to summary: the most memory ever used is
    what it was after the first minute."""
    path, readings = tmp_path / "long.csv", [row.reading for row in open_recording(DRIVE)]
    with Writer(path, STANDARD_COLUMNS) as writer:
        for reading in repeated(readings, 40):
            writer.write(reading)
    command = [sys.executable, "-c", REPLAY, str(path), str(HOME / "replay" / "rover.yaml")]
    run = subprocess.run(
        [*command, engine, str(2 * len(readings))], capture_output=True, text=True, check=True
    )
    rows, early_kib, most_kib = (int(word) for word in run.stdout.split())
    assert rows == 40 * len(readings)
    assert most_kib - early_kib < MOST_KIB
    print(f"{engine}: {early_kib} KiB after a minute, {most_kib} KiB at the end")
