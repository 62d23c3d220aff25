"""Drives and labels that are not as they should be, in every command that takes them.

Each command with each of them: the exit code, the file that is named, and nothing that was there
before is changed.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from demo import ROVER, cut

from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.recording.convert import convert

LABELS = {
    "outside": "events: [{kind: rolling, start_s: 90, end_s: 91}]",
    "wheel": "events: [{kind: wheel_spin, wheel: fx, start_s: 0.2, end_s: 0.4}]",
    "overlap": "events: [{kind: rolling, start_s: 0.1, end_s: 0.3}, "
    "{kind: rolling, start_s: 0.2, end_s: 0.4}]",
}
OUTSIDE = "a.yaml: events: rolling from 90 to 91 s is not in the drive a.csv"
WHEEL = "a.yaml:1: events[0].wheel: found 'fx', expected one of fl, fr, rl, rr"
OVERLAP = "two of one kind and wheel may not overlap"
NO_DRIVE = "no recorded drive in this folder"
BROKEN = "a.parquet: "

EXPECTED = {
    ("outside", "label"): (Exit.DONE, OUTSIDE),  # it is what mends it
    ("outside", "report"): (Exit.RECORDING, OUTSIDE),
    ("outside", "tune"): (Exit.RECORDING, OUTSIDE),
    ("outside", "compare"): (Exit.RECORDING, OUTSIDE),
    ("outside", "evaluate"): (Exit.RECORDING, OUTSIDE),
    ("outside", "convert"): (Exit.DONE, "n.parquet: 121 rows"),  # a copy, labels with it
    **{("wheel", c): (Exit.RECORDING, WHEEL) for c in ("label", "report", "tune", "compare")},
    **{("wheel", c): (Exit.RECORDING, WHEEL) for c in ("evaluate", "convert")},
    **{("overlap", c): (Exit.RECORDING, OVERLAP) for c in ("label", "report", "tune", "compare")},
    **{("overlap", c): (Exit.RECORDING, OVERLAP) for c in ("evaluate", "convert")},
    ("none", "label"): (Exit.DONE, "a.csv"),
    ("none", "report"): (Exit.DONE, "out.html"),
    ("none", "tune"): (Exit.RECORDING, "a.yaml: no labels of the drive a.csv; write down what"),
    ("none", "compare"): (Exit.DONE, "-: not labelled, so nobody knows which events were true"),
    ("none", "evaluate"): (Exit.RECORDING, "no labelled drive"),
    ("none", "convert"): (Exit.DONE, "n.parquet: 121 rows"),
    **{("empty", c): (Exit.RECORDING, NO_DRIVE) for c in ("tune", "compare", "evaluate")},
    **{
        ("empty", c): (Exit.RECORDING, "a folder, expected a recorded drive")
        for c in ("label", "report", "convert")
    },
    **{("cut", c): (Exit.RECORDING, BROKEN) for c in ("label", "report", "tune", "compare")},
    **{("cut", c): (Exit.RECORDING, BROKEN) for c in ("evaluate", "convert")},
    **{("text", c): (Exit.RECORDING, BROKEN) for c in ("label", "report", "tune", "compare")},
    **{("text", c): (Exit.RECORDING, BROKEN) for c in ("evaluate", "convert")},
}


@pytest.fixture(scope="module")
def drive(tmp_path_factory) -> Path:
    """A short drive, and the same as Parquet."""
    path = cut("reverse_off_the_clay", 0.0, 0.6, tmp_path_factory.mktemp("drive"))
    convert(path, path.with_suffix(".parquet"))
    return path


def spoiled(kind: str, drive: Path, folder: Path) -> Path:
    """A folder with the rover and what is wrong; the drive in it, or the folder itself."""
    shutil.copy(ROVER, folder / "rover.yaml")
    if kind in ("cut", "text"):
        whole = drive.with_suffix(".parquet").read_bytes()
        bad = whole[: len(whole) // 2] if kind == "cut" else b"hello"
        (folder / "a.parquet").write_bytes(bad)
        (folder / "a.yaml").write_text("events: []\n", encoding="utf-8")
        return folder / "a.parquet"
    if kind == "empty":
        return folder
    shutil.copy(drive, folder / "a.csv")
    if kind in LABELS:
        (folder / "a.yaml").write_text(LABELS[kind] + "\n", encoding="utf-8")
    return folder / "a.csv"


def arguments(command: str, drive: Path, folder: Path) -> list[str]:
    rover = str(folder / "rover.yaml")
    if command == "label":
        return ["label", str(drive), "--rover", rover]
    if command == "report":
        return ["report", str(drive), "--rover", rover, "-o", str(folder / "out.html")]
    if command == "tune":
        out = ["--out", str(folder / "t.yaml"), "--cache", str(folder / "cache")]
        return ["tune", str(folder), "--rover", rover, *out, "--workers", "1"]
    if command == "compare":
        return ["compare", rover, rover, str(folder), "--workers", "1"]
    if command == "evaluate":
        return ["evaluate", str(folder), "--workers", "1"]
    return ["convert", str(drive), str(folder / "n.parquet" if drive.suffix == ".csv" else "n.csv")]


@pytest.mark.parametrize(("kind", "command"), sorted(EXPECTED))
def test_every_command_names_what_is_wrong(kind, command, drive, tmp_path, capsys, monkeypatch):
    """A person who reads the message knows which file it is and what to do; nothing is lost."""
    monkeypatch.chdir(tmp_path)
    path = spoiled(kind, drive, tmp_path)
    before = {p: p.read_bytes() for p in tmp_path.iterdir()}
    code = main(arguments(command, path, tmp_path))
    out, err = capsys.readouterr()
    expected_code, words = EXPECTED[kind, command]
    told = " ".join((out + err).split())
    assert words.replace(" ", "") in told.replace(" ", "")
    assert code == expected_code
    assert "fault of slipguard itself" not in err
    assert {p: p.read_bytes() for p in before} == before, "somebody's file was changed"
    if code != Exit.DONE:
        assert str(tmp_path) in told
        made = {p.name for p in tmp_path.iterdir()} - {p.name for p in before} - {"cache"}
        assert not made, "a file was left behind"
