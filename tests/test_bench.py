"""``slipguard bench``: what it measures is what it says. No test looks at a time."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from synthetic import DRIVES, drive, rover

from slipguard import Reading, bench
from slipguard.bench import baselines, drives, in_c, scaling
from slipguard.cli import main
from slipguard.fuse.plain import plain_row
from slipguard.recording import STANDARD_COLUMNS, Writer

HERE = Path(__file__).parent.parent
READINGS = drive(rover(), **DRIVES["straight"]).readings[:400]


def test_the_bare_calls_are_those_of_the_fusion():
    """One predict for each reading that takes time, one update of four for each set of counts
    that tells something, and of three for each IMU sample at rest."""
    calls = baselines.calls_of(rover(), READINGS)
    predicts = [c for c in calls if c.H is None]
    updates = [c for c in calls if c.H is not None]
    assert len(predicts) == len(READINGS) - 1
    assert {c.H.shape for c in updates} == {(4, 8), (3, 8)}
    assert all(c.F.shape == (8, 8) for c in predicts)


def test_the_numpy_loop_calculates_what_filterpy_does(monkeypatch):
    """A baseline that skipped half of the work would make a fine ratio: both invert the same
    innovation covariances, which depend on everything before."""
    calls = baselines.calls_of(rover(), READINGS)[:300]
    inverted: list[np.ndarray] = []
    real = np.linalg.inv

    def inv(matrix):
        inverted.append(matrix.copy())
        return real(matrix)

    monkeypatch.setattr(np.linalg, "inv", inv)
    baselines.on_numpy(calls)
    by_hand = inverted.copy()
    inverted.clear()
    baselines.on_filterpy(calls)
    assert len(by_hand) == len(inverted) == sum(c.H is not None for c in calls)
    for ours, theirs in zip(by_hand, inverted, strict=True):
        assert ours == pytest.approx(theirs, rel=1e-6)


def test_a_repeated_drive_goes_on():
    """Time and counts run on over the seams; nothing jumps back."""
    long = list(drives.repeated(READINGS, 3))
    assert len(long) == 3 * len(READINGS)
    times = [r.t_s for r in long]
    assert min(np.diff(times)) > 0.004
    assert max(np.diff(times)) < 0.006
    counts = [r.counts[0] for r in long if r.counts is not None]
    assert counts[-1] == 3 * (counts[len(counts) // 3 - 1] - counts[0]) + counts[0]
    assert list(drives.repeated(READINGS, 1))[7].t_s == READINGS[7].t_s


def test_a_plain_drive_is_the_repeated_one():
    """In blocks, and cut off where it is long enough."""
    rows = 2 * len(READINGS) + 7
    expected = [plain_row(r, True) for r in drives.repeated(READINGS, 3)][:rows]
    plain = drives.as_one(drives.plain_drive(READINGS, rows))
    assert plain.shape == (rows, 19)
    assert plain == pytest.approx(np.array(expected), rel=1e-12)


def test_the_recursion_in_c_calculates_what_filterpy_does():
    """The floor does the whole work: state and covariance at the end, to 1e-9."""
    calls = baselines.calls_of(rover(), READINGS)
    run = in_c.recursion_in_c(calls)
    if run is None:
        pytest.skip("no C compiler")
    for ours, theirs in zip(run(), baselines.on_filterpy(calls), strict=True):
        assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-9 * np.abs(theirs).max())


def test_without_a_compiler_there_is_no_floor_in_c(monkeypatch):
    """None in the path, or one that fails: the bench goes on without."""
    calls = baselines.calls_of(rover(), READINGS[:20])
    monkeypatch.setenv("PATH", "")
    assert in_c.recursion_in_c(calls) is None
    monkeypatch.setattr("shutil.which", lambda _: "/bin/false")
    assert in_c.recursion_in_c(calls) is None


def test_the_arithmetic_is_counted():
    """One predict: F P F' is twice 2 * 8^3, F x 2 * 8^2, plus Q. Updates take more with more
    measurements."""
    calls = baselines.calls_of(rover(), READINGS)
    predict = next(c for c in calls if c.H is None)
    assert baselines.operations([predict]) == 4 * 512 + 2 * 64 + 64
    of_three, of_four = (
        next(c for c in calls if c.H is not None and len(c.H) == m) for m in (3, 4)
    )
    assert 0 < baselines.operations([of_three]) < baselines.operations([of_four])
    assert baselines.operations([predict, of_four]) == sum(
        baselines.operations([c]) for c in (predict, of_four)
    )


@pytest.fixture
def recorded(tmp_path) -> Path:
    path = tmp_path / "drive.csv"
    with Writer(path, STANDARD_COLUMNS) as writer:
        for reading in READINGS:
            writer.write(reading)
    (tmp_path / "rover.yaml").write_text((HERE / "replay" / "rover.yaml").read_text())
    return path


@pytest.mark.large
def test_the_command_prints_every_figure_with_its_baseline(recorded, tmp_path, capsys, monkeypatch):
    """The machine is named, each engine is there, and the file holds the same."""
    monkeypatch.setattr(scaling, "LENGTHS_MIN", (1, 2))
    monkeypatch.setattr(scaling, "DRIVES", (1,))
    monkeypatch.setattr(scaling, "SETS_MIN", 1)
    monkeypatch.setattr("slipguard.bench.steps.WHOLE_ROWS", 2000)
    out = tmp_path / "bench.json"
    assert main(["bench", str(recorded), "--json", str(out)]) == 0
    text = capsys.readouterr().out
    report = json.loads(out.read_text())
    assert max(len(line) for line in text.splitlines() if line.startswith("|")) <= 100
    assert report["machine"] in text
    assert f"{len(READINGS)} readings, median of 5 rounds" in text
    names = {f["name"] for f in report["figures"]}
    assert {f"Guard.step, engine {e}" for e in bench.engines()} <= names
    for f in report["figures"]:
        assert f["ratio"] > 0.0
        assert f"| {f['name']} |" in text
    assert [t["engine"] for t in report["tails"]] == list(bench.engines())
    if "compiled" in bench.engines():
        scaling_ = report["scaling"]
        assert [length["minutes"] for length in scaling_["lengths"]] == [1, 2]
        assert [many["drives"] for many in scaling_["drives"]] == [1]
        assert scaling_["sets"]["rows"] == scaling.SETS_MIN * scaling.MINUTE_ROWS
        assert "| threshold sets a second |" in text


def test_a_drive_that_is_no_good_is_refused(recorded, capsys):
    """Too short to say anything: one line and the exit code of a drive that cannot be used."""
    lines = recorded.read_text().splitlines()[:50]
    recorded.write_text("\n".join(lines) + "\n")
    assert main(["bench", str(recorded)]) == 4
    assert "expected a drive with counts, 200 rows or more" in capsys.readouterr().err
    assert isinstance(READINGS[0], Reading)
