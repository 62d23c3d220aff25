"""``slipguard bench``: what it measures is what it says. No test looks at a time."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from synthetic import DRIVES, drive, rover

from slipguard import Reading, bench
from slipguard.cli import main
from slipguard.recording import STANDARD_COLUMNS, Writer

HERE = Path(__file__).parent.parent
READINGS = drive(rover(), **DRIVES["straight"]).readings[:400]


def test_the_bare_calls_are_those_of_the_fusion():
    """One predict for each reading that takes time, one update of four for each set of counts
    that tells something, and of three for each IMU sample at rest."""
    calls = bench.calls_of(rover(), READINGS)
    predicts = [c for c in calls if c.H is None]
    updates = [c for c in calls if c.H is not None]
    assert len(predicts) == len(READINGS) - 1
    assert {c.H.shape for c in updates} == {(4, 7), (3, 7)}
    assert all(c.F.shape == (7, 7) for c in predicts)


def test_the_numpy_loop_calculates_what_filterpy_does(monkeypatch):
    """A baseline that skipped half of the work would make a fine ratio: both invert the same
    innovation covariances, which depend on everything before."""
    calls = bench.calls_of(rover(), READINGS)[:300]
    inverted: list[np.ndarray] = []
    real = np.linalg.inv

    def inv(matrix):
        inverted.append(matrix.copy())
        return real(matrix)

    monkeypatch.setattr(np.linalg, "inv", inv)
    bench.on_numpy(calls)
    by_hand = inverted.copy()
    inverted.clear()
    bench.on_filterpy(calls)
    assert len(by_hand) == len(inverted) == sum(c.H is not None for c in calls)
    for ours, theirs in zip(by_hand, inverted, strict=True):
        assert ours == pytest.approx(theirs, rel=1e-6)


def test_a_repeated_drive_goes_on():
    """Time and counts run on over the seams; nothing jumps back."""
    long = list(bench.repeated(READINGS, 3))
    assert len(long) == 3 * len(READINGS)
    times = [r.t_s for r in long]
    assert min(np.diff(times)) > 0.004
    assert max(np.diff(times)) < 0.006
    counts = [r.counts[0] for r in long if r.counts is not None]
    assert counts[-1] == 3 * (counts[len(counts) // 3 - 1] - counts[0]) + counts[0]
    assert list(bench.repeated(READINGS, 1))[7].t_s == READINGS[7].t_s


def test_arrays_hold_the_whole_drive():
    """The floor reads what there is, not less."""
    arrays = bench.as_arrays(READINGS)
    assert arrays.shape == (len(READINGS), 13)
    assert np.isfinite(arrays[0]).all()
    assert np.isnan(arrays[1, 9:]).all()  # no counts in every second reading


@pytest.fixture
def recorded(tmp_path) -> Path:
    path = tmp_path / "drive.csv"
    with Writer(path, STANDARD_COLUMNS) as writer:
        for reading in READINGS:
            writer.write(reading)
    (tmp_path / "rover.yaml").write_text((HERE / "replay" / "rover.yaml").read_text())
    return path


def test_the_command_prints_every_figure_with_its_baseline(recorded, tmp_path, capsys):
    """The machine is named, each engine is there, and the file holds the same."""
    out = tmp_path / "bench.json"
    assert main(["bench", str(recorded), "--json", str(out)]) == 0
    text = capsys.readouterr().out
    report = json.loads(out.read_text())
    assert report["machine"] in text
    assert f"{len(READINGS)} readings, median of 5 rounds" in text
    names = {f["name"] for f in report["figures"]}
    assert {f"Guard.step, engine {e}" for e in bench.engines()} <= names
    for f in report["figures"]:
        assert f["ratio"] > 0.0
        assert f"| {f['name']} |" in text
    assert set(report["tails_us"]) == set(bench.engines())


def test_a_drive_that_is_no_good_is_refused(recorded, capsys):
    """Too short to say anything: one line and the exit code of a drive that cannot be used."""
    lines = recorded.read_text().splitlines()[:50]
    recorded.write_text("\n".join(lines) + "\n")
    assert main(["bench", str(recorded)]) == 4
    assert "expected a drive with counts, 200 rows or more" in capsys.readouterr().err
    assert isinstance(READINGS[0], Reading)
