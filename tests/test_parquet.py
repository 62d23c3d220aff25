"""Drives as Parquet: the same readings, there and back, and mistakes that are named."""

from __future__ import annotations

import errno
import math
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slipguard import RecordingError
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.recording import open_recording
from slipguard.recording.convert import convert
from slipguard.recording.find import find_drives
from slipguard.recording.writer import TableWriter

REPLAY = Path(__file__).parent.parent / "replay"
BANK = REPLAY / "parking_on_the_bank.csv"
COLUMNS = (
    "t_s", "fl_count", "fr_count", "ax_mps2", "ay_mps2", "az_mps2", "throttle", "motor_enabled",
    "marker", "true_speed_mps", "note", "odd",
)  # fmt: skip

FLOATS = st.floats(allow_nan=True, allow_infinity=True).map(repr)
WHOLE = st.integers(-(2**70), 2**70).map(str)
BLANK = st.sampled_from(("", "", " "))
TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("C",)), max_size=6)
CELLS = st.tuples(
    st.one_of(FLOATS, st.integers(0, 9).map(str)),
    st.one_of(WHOLE, BLANK),
    st.one_of(WHOLE, FLOATS, BLANK),
    *(st.one_of(FLOATS, BLANK, st.integers(-9, 9).map(str)) for _ in range(4)),
    st.sampled_from(("0", "1", "true", "False", "TRUE", "")),
    TEXT,
    st.one_of(FLOATS, BLANK),
    TEXT,
    st.one_of(st.sampled_from(("007", "1_0", "+5", "1e3", "0x1", "-0", "-0.0", "nan")), BLANK),
)


def contents(path: Path) -> list[tuple[Any, ...]]:
    """All that a row gives, NaN as text so that it equals itself. A count of 12.0 is one of 12."""
    found = []
    for row in open_recording(path):
        counts = row.reading.counts
        same = None if counts is None else [None if c is None else number(c) for c in counts]
        rest = repr(replace(row.reading, counts=None))
        found.append((row.line, same, rest, row.marker, repr(row.extra)))
    return found


def number(count: float) -> int | str:
    """A whole number as one, whatever its type; others as text."""
    whole = math.isfinite(count) and count == int(count)
    return int(count) if whole else repr(count)


@settings(max_examples=40)
@given(rows=st.lists(CELLS, max_size=6))
def test_there_and_back_changes_nothing(rows: Sequence[Sequence[str]], tmp_path_factory):
    """Whatever a CSV drive may hold: the same readings, markers and further columns."""
    folder = tmp_path_factory.mktemp("trip")
    with TableWriter(folder / "a.csv", COLUMNS) as table:
        for cells in rows:
            table.write_cells(cells)
    convert(folder / "a.csv", folder / "b.parquet")
    convert(folder / "b.parquet", folder / "c.csv.gz")
    expected = contents(folder / "a.csv")
    assert contents(folder / "b.parquet") == expected
    assert contents(folder / "c.csv.gz") == expected
    convert(folder / "c.csv.gz", folder / "d.parquet")
    assert (folder / "b.parquet").read_bytes() == (folder / "d.parquet").read_bytes()


def test_a_drive_of_ours_comes_back_byte_for_byte(tmp_path):
    """The demo drive, its labels with it."""
    assert convert(BANK, tmp_path / "a.parquet") == 4001
    convert(tmp_path / "a.parquet", tmp_path / "b.csv")
    assert (tmp_path / "b.csv").read_bytes() == BANK.read_bytes()
    assert (tmp_path / "b.yaml").read_bytes() == BANK.with_suffix(".yaml").read_bytes()
    assert (tmp_path / "a.parquet").stat().st_size < 0.5 * BANK.stat().st_size
    kinds = {f.name: str(f.type) for f in pq.read_schema(tmp_path / "a.parquet")}
    assert (kinds["fl_count"], kinds["ax_mps2"], kinds["motor_enabled"]) == (
        "int64", "double", "int64",
    )  # fmt: skip


@pytest.fixture
def bank(tmp_path: Path) -> Path:
    """A short drive as Parquet, labelled, its rover beside it."""
    lines = BANK.read_text(encoding="utf-8").splitlines(keepends=True)[:300]
    (tmp_path / "a.csv").write_text("".join(lines), encoding="utf-8")
    (tmp_path / "a.yaml").write_text("events: []\n", encoding="utf-8")
    (tmp_path / "drives").mkdir()
    convert(tmp_path / "a.csv", tmp_path / "drives" / "a.parquet")
    shutil.copy(REPLAY / "rover.yaml", tmp_path / "drives")
    return tmp_path / "drives" / "a.parquet"


def test_every_command_that_takes_a_drive_takes_it(bank, capsys):
    """One format more is worth nothing where half of the commands refuse it."""
    rover = str(bank.with_name("rover.yaml"))
    csv = bank.parent.parent / "a.csv"
    assert main(["replay", str(csv), "--rover", rover]) == Exit.DONE
    text = capsys.readouterr().out
    assert main(["replay", str(bank)]) == Exit.DONE
    assert capsys.readouterr().out.splitlines()[1:] == text.splitlines()[1:]
    assert main(["evaluate", str(bank.parent), "--workers", "1"]) == Exit.DONE
    assert main(["compare", rover, rover, str(bank.parent), "--workers", "1"]) == Exit.DONE
    assert "a.parquet" in capsys.readouterr().out
    speed = ["--speed", "100"]
    assert main(["run", "--rover", rover, "--source", f"replay:{bank}", *speed]) == Exit.DONE


def test_a_file_of_other_tools_is_read(tmp_path):
    """float32, booleans, dictionaries, NaN and null: each as what it means."""
    pq.write_table(
        pa.table(
            {
                "t_s": [0.0, 0.005],
                "fl_count": pa.array([1, None], pa.int32()),
                "ax_mps2": pa.array([math.nan, 0.5], pa.float32()),
                "ay_mps2": [0.0, 0.0],
                "az_mps2": [9.8, 9.8],
                "motor_enabled": [True, None],
                "marker": pa.array(["go", None]).dictionary_encode(),
            }
        ),
        tmp_path / "a.parquet",
    )
    first, second = open_recording(tmp_path / "a.parquet")
    assert first.reading.counts == (1, None, None, None)
    assert second.reading.counts is None
    assert math.isnan(first.reading.accel_mps2[0])
    assert second.reading.accel_mps2 == (0.5, 0.0, 9.8)
    assert (first.reading.motor_enabled, second.reading.motor_enabled) == (True, None)
    assert (first.marker, second.marker) == ("go", None)


def test_damaged_files_are_named(bank, tmp_path, capsys):
    """Which file, what is wrong, what to do."""
    whole = bank.read_bytes()
    for content in (b"", b"no parquet", whole[:-10], whole[:200] + bytes(400) + whole[600:]):
        bank.write_bytes(content)
        assert main(["replay", str(bank)]) == Exit.RECORDING
        error = capsys.readouterr().err
        assert "a.parquet: not readable as Parquet" in error
        assert "make it again from the recording it came from" in error


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ({"fl_count": [1]}, "a.parquet:1: t_s: missing"),
        ({"t_s": [0.0], "fl_count": [[1]]}, "a.parquet:1: fl_count: found list"),
        ({"t_s": [0.0], "fl_count": ["many"]}, "a.parquet:2: fl_count: found 'many'"),
    ],
)
def test_what_is_no_drive_is_named(table, expected, tmp_path, capsys):
    """The same words as for a CSV drive."""
    pq.write_table(pa.table(table), tmp_path / "a.parquet")
    rover = str(REPLAY / "rover.yaml")
    assert main(["replay", str(tmp_path / "a.parquet"), "--rover", rover]) == Exit.RECORDING
    assert expected in capsys.readouterr().err


def test_nothing_is_overwritten_and_nothing_half_is_left(bank, tmp_path):
    """Neither a drive nor its labels; and a drive that breaks off leaves no file."""
    with pytest.raises(RecordingError, match="is there already and is not overwritten"):
        convert(tmp_path / "a.csv", bank)
    (tmp_path / "b.yaml").write_text("events: []\n", encoding="utf-8")
    with pytest.raises(RecordingError, match="labels are there already"):
        convert(bank, tmp_path / "b.csv")
    with pytest.raises(RecordingError, match=r"expected a name ending in \.csv"):
        convert(bank, tmp_path / "b.xls")
    (tmp_path / "c.csv").write_text("t_s,fl_count\n0,1\n0,1,2\n", encoding="utf-8")
    for name in ("d.parquet", "d.csv"):
        with pytest.raises(RecordingError, match=r"c\.csv:3"):
            convert(tmp_path / "c.csv", tmp_path / name)
    assert not list(tmp_path.glob("*d.*"))


@pytest.mark.parametrize(
    ("source", "target", "bystander"),
    [
        ("part-z.csv.gz", "z.csv.gz", "part-z.csv.gz"),
        ("a.csv", "z.csv", "part-z.csv"),
        ("a.csv", "z.parquet", "z.parquet.part"),
    ],
)
def test_converting_touches_no_file_but_the_new_one(source, target, bystander, tmp_path):
    """Whatever the files beside it are called: the source and the drives of others stay."""
    for name in {source, bystander}:
        with TableWriter(tmp_path / name, ("t_s", "fl_count")) as table:
            table.write_cells((0, 1))
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert convert(tmp_path / source, tmp_path / target) == 1
    assert len(list(open_recording(tmp_path / target))) == 1
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.name != target} == before
    for name in (source, target):  # nor is a drive written over itself
        with pytest.raises(RecordingError, match="is there already and is not overwritten"):
            convert(tmp_path / name, tmp_path / name)
    assert (tmp_path / source).read_bytes() == before[source]


@pytest.mark.parametrize("target", ["z.csv", "z.csv.gz", "z.parquet"])
def test_what_a_power_cut_leaves_of_converting_is_no_drive(target, tmp_path, monkeypatch):
    """Half a drive is not found beside the whole ones, and a full disk names the drive wanted."""
    with TableWriter(tmp_path / "a.csv", ("t_s", "fl_count")) as table:
        table.write_cells((0, 1))
    seen = []

    def full(part, path):
        seen.extend(find_drives([tmp_path]))
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(RecordingError, match=rf"/{target}: cannot write: No space left on device"):
        convert(tmp_path / "a.csv", tmp_path / target)
    assert seen == [tmp_path / "a.csv"]
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_without_pyarrow_it_says_how_to_get_it(bank):
    """One line, no traceback."""
    hidden = "import sys; sys.modules['pyarrow'] = None; from slipguard.cli import main; "
    done = subprocess.run(
        [sys.executable, "-c", f"{hidden}sys.exit(main(sys.argv[1:]))", "replay", str(bank)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == Exit.RECORDING
    assert ".[parquet]" in done.stderr
