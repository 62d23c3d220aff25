"""``slipguard evaluate``: own recordings need no physics engine; mistakes are one clear line."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from pathlib import Path

import pytest

from slipguard.cli import main
from slipguard.cli.exits import Exit

REPLAY = Path(__file__).parent.parent / "replay"
WITHOUT_ENGINE = """
import sys
sys.modules["mujoco"] = None  # importing it now fails as it does where it is not installed
from slipguard.cli import main
sys.exit(main(sys.argv[1:]))
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two seconds of a drive, its rover beside it, and labels that say nothing happened."""
    with gzip.open(REPLAY / "hill_start.csv.gz", "rt", encoding="utf-8") as whole:
        lines = [next(whole) for _ in range(401)]
    (tmp_path / "mine.csv").write_text("".join(lines), encoding="utf-8")
    (tmp_path / "mine.yaml").write_text("events: []\n", encoding="utf-8")
    (tmp_path / "rover.yaml").write_bytes((REPLAY / "rover.yaml").read_bytes())
    return tmp_path


def without_engine(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITHOUT_ENGINE, "evaluate", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


def test_own_recordings_need_no_physics_engine(folder: Path):
    """A builder who never simulates measures drives with the plain installation."""
    out = folder / "out.json"
    done = without_engine(folder, "--json", out, "--workers", 1)
    assert done.returncode == Exit.DONE, done.stderr
    assert "False alarms" in done.stdout
    total = json.loads(out.read_text(encoding="utf-8"))["total"]
    assert total["drives"] == 1
    assert total["hours"] == pytest.approx(2.0 / 3600, rel=0.01)


def test_simulating_without_the_engine_says_how_to_get_it():
    """One line, no traceback."""
    done = without_engine()
    assert done.returncode == Exit.USAGE
    assert ".[sim]" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_a_recording_cannot_be_driven_in_closed_loop(capsys, folder: Path):
    """An option that would do nothing is refused, not ignored."""
    assert main(["evaluate", str(folder), "--closed-loop"]) == Exit.USAGE
    assert "a recording does not react" in " ".join(capsys.readouterr().err.split())


def test_a_drive_without_rows_is_told(capsys, folder: Path):
    """A recorder that was stopped at once leaves such a file among the others."""
    drive = folder / "mine.csv"
    drive.write_text(drive.read_text().splitlines()[0] + "\n", encoding="utf-8")
    assert main(["evaluate", str(folder), "--workers", "1"]) == Exit.RECORDING
    err = capsys.readouterr().err
    assert "mine.csv: the drive holds no rows" in err


def test_counts_are_not_taken_for_speeds(capsys, folder: Path):
    """A rover file of other wheel sensors would find nothing, and look like peace."""
    rover = folder / "rover.yaml"
    counted = "{counts_per_rev: 96, direction: quadrature}"
    assert counted in rover.read_text()
    rover.write_text(rover.read_text().replace(counted, "{kind: speed}"))
    assert main(["evaluate", str(folder), "--workers", "1"]) == Exit.CONFIG
    assert "is this the rover of that drive?" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("option", [("--scenarios", "twister"), ("--seeds", "5:7")])
def test_what_is_simulated_is_not_asked_of_recordings(capsys, folder: Path, option):
    """Whoever names scenarios and a folder believes that both were measured."""
    assert main(["evaluate", str(folder), *option]) == Exit.USAGE
    assert f"{option[0]} is for simulated drives" in " ".join(capsys.readouterr().err.split())
