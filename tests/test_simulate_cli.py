"""``slipguard simulate``: what it prints and writes, and how it answers mistakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.errors import SIMULATOR_NEEDED
from slipguard.recording import labels_path, load_labels, open_recording
from slipguard.simulate import DEMO_ROVER_YAML, SCENARIOS

MINE = """\
from dataclasses import replace
from slipguard.simulate import make

def steep(seed, config):
    return replace(make("hill_start", seed, config), name="mine", duration_s=4.0)

def nothing(seed, config):
    return 5
"""


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    path = tmp_path / "mine.py"
    path.write_text(MINE, encoding="utf-8")
    return path


def simulate(capsys, *arguments: object) -> tuple[int, str, str]:
    code = main(["simulate", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def test_without_a_name_all_are_listed(capsys):
    """A user finds the scenarios without reading code."""
    code, out, _ = simulate(capsys)
    assert code == Exit.DONE
    assert all(name in out for name in SCENARIOS)


def test_own_scenario_unaided_and_with_the_guard(capsys, mine: Path, tmp_path: Path):
    """A copied scenario runs from its file; unaided it rolls back, with the guard it does not."""
    drive = tmp_path / "drive.csv.gz"
    code, out, _ = simulate(capsys, f"{mine}:steep", "--no-guard", "--out", drive, "--seed", 2)
    assert code == Exit.DONE
    assert "mine, seed 2 (simulated)" in out
    assert "nobody helps" in out
    assert "rolling" in out
    assert len(list(open_recording(drive))) == 801
    assert [e.kind for e in load_labels(labels_path(drive)).events] == ["rolling"]
    code, out, _ = simulate(capsys, f"{mine}:steep", "--seed", 2)
    assert "with the guard" in out
    assert "rolling" not in out


@pytest.mark.parametrize(
    ("arguments", "answer"),
    [
        (("twistr",), "there is none of that name; did you mean 'twister'?"),
        (("nowhere.py:steep",), "there is no file"),
        (("{mine}:flat",), "has no function 'flat'"),
        (("{mine}:nothing",), "returned a int"),
        (("hill_start", "--out", "drive.txt"), ".csv"),
        (("hill_start", "--seed", "-1"), "seed"),
    ],
)
def test_mistakes_are_named(capsys, mine: Path, arguments, answer):
    """Each mistake is a usage error that says what was expected."""
    code, out, err = simulate(capsys, *(a.format(mine=mine) for a in arguments))
    assert code == Exit.USAGE
    assert answer in " ".join(err.split())
    assert out == ""


def test_without_the_engine(capsys, monkeypatch):
    """Without the extra the command says how to get it."""
    real = __import__

    def missing(name, *rest, **keys):
        if name == "slipguard.simulate":
            raise ModuleNotFoundError("No module named 'mujoco'", name="mujoco")
        return real(name, *rest, **keys)

    monkeypatch.setattr("builtins.__import__", missing)
    code, _, err = simulate(capsys, "hill_start")
    assert code == Exit.USAGE
    assert SIMULATOR_NEEDED in " ".join(err.split())


def test_no_rover_file_and_no_labels_are_written_over(capsys, mine: Path, tmp_path: Path):
    """Labels stand beside the drive under its name: those of rover.csv would be rover.yaml."""
    rover, labels = tmp_path / "rover.yaml", tmp_path / "line.yaml"
    rover.write_text(DEMO_ROVER_YAML, encoding="utf-8")
    labels.write_text("events: []  # mine\n", encoding="utf-8")
    for out, more, answer in (
        ("rover.csv", ("--force",), "which is the rover file"),
        ("rover.csv.gz", (), "which is the rover file"),
        ("line.csv", (), "line.yaml is there already"),
    ):
        code, _, err = simulate(capsys, f"{mine}:steep", "--out", tmp_path / out, *more)
        assert (code, answer in " ".join(err.split())) == (Exit.USAGE, True)
    other = tmp_path / "other.yaml"
    other.write_text(DEMO_ROVER_YAML, encoding="utf-8")
    arguments = (f"{mine}:steep", "--rover", other, "--out", tmp_path / "other.csv", "--force")
    assert simulate(capsys, *arguments)[0] == Exit.USAGE
    assert rover.read_text() == other.read_text() == DEMO_ROVER_YAML
    assert labels.read_text() == "events: []  # mine\n"
    assert not list(tmp_path.glob("*.csv*"))
    code, _, _ = simulate(capsys, f"{mine}:steep", "--out", tmp_path / "line.csv", "--force")
    assert code == Exit.DONE
    assert load_labels(labels).source
