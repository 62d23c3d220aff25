"""Long drives are read by pyarrow in blocks: the same rows, and the same said of what is wrong."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sizes import rest_large

from slipguard import RecordingError
from slipguard.recording import open_recording, reader

pytest.importorskip("pyarrow")

REPLAY = Path(__file__).parent.parent / "replay"
DRIVES = sorted(p.relative_to(REPLAY).as_posix() for p in REPLAY.rglob("*.csv*"))
HEADER = (
    "t_s,fl_count,fr_count,rl_count,rr_count,ax_mps2,ay_mps2,az_mps2,throttle,motor_enabled,"
    "fl_radps,fr_radps,rl_brake_position,marker,true_speed_mps,note"
)
ODD_CELLS = (
    *("", " ", "nan", "NaN", "inf", "-inf", "Infinity", "-0", "+5", "1_000", "0x10", "12.0", "1e3"),
    *("abc", '"5"', '"a,b"', '"', "TRUE", "true", "1.0", "2", " 7", "7 ", "9" * 30, "\u0661", "1."),
    *(".5", "1d5", "null", "NULL", "None", "#N/A", "\t", "1\t", "a, b", "1,2", "\r", "\xa0", "1\n"),
    *("  x ", "\tx", "x\xa0", '" x "', "  ", "'a'", 'a"b', "\x0b", "\u2003"),
    *("1e400", "4.9e-324", "0.1", "123456789.123456789", "9223372036854775808", "caf\u00e9"),
)


def told(path: Path) -> object:
    """All that reading a drive tells."""
    rows = []
    recording = open_recording(path)
    try:
        for row in recording:
            rows.append((row.line, repr(row.reading), row.marker, repr(row.extra)))
    except RecordingError as err:
        rows.append(str(err))
    return rows, recording.truncated


def both(path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[object, object]:
    """What is told in blocks, and cell by cell."""
    monkeypatch.setattr(reader, "LONG_BYTES", 0)
    in_blocks = told(path)
    monkeypatch.setattr(reader, "LONG_BYTES", 1 << 60)
    return in_blocks, told(path)


def text_of(rows: int) -> list[str]:
    """Lines of a drive."""
    lines = [HEADER]
    for k in range(rows):
        counts = f"{k},{k + 1},{-k},0" if k % 2 else ",,,"
        lines.append(f"{k * 0.005},{counts},{0.1 * k},,9.81,0.3,1,{k / 7},,0.5,,{k / 3},x{k}")
    return lines


@pytest.mark.parametrize("name", rest_large(DRIVES, DRIVES[:3]))
def test_recorded_drives_are_read_the_same(name, monkeypatch):
    """Every value of every row, truth included."""
    in_blocks, by_cell = both(REPLAY / name, monkeypatch)
    assert in_blocks == by_cell


def test_blocks_are_used_and_need_not_end_with_a_line(tmp_path, monkeypatch):
    """Or all the others would compare a thing with itself."""
    from slipguard.recording import typed

    path = tmp_path / "drive.csv"
    path.write_text("\n".join(text_of(300)) + "\n")
    monkeypatch.setattr(typed, "BLOCK", 1000)
    monkeypatch.setattr(reader, "LONG_BYTES", 0)
    recording = open_recording(path)
    monkeypatch.setattr(recording, "cells", lambda: pytest.fail("read cell by cell"))
    assert len(list(recording)) == 300
    in_blocks, by_cell = both(path, monkeypatch)
    assert in_blocks == by_cell


@settings(max_examples=150)
@given(
    row=st.integers(0, 12),
    column=st.integers(0, 15),
    cell=st.sampled_from(ODD_CELLS),
    end=st.sampled_from(("\n", "\r\n", "", "\n\n", "\nx")),
    packed=st.booleans(),
    cut=st.integers(0, 40),
)
@example(row=3, column=1, cell="0x10", end="\n", packed=False, cut=0)
@example(row=3, column=3, cell="12.0", end="\n", packed=False, cut=0)
@example(row=1, column=13, cell=" ", end="\n", packed=False, cut=0)
@example(row=5, column=13, cell="  x ", end="\n", packed=False, cut=0)
@example(row=3, column=9, cell="TRUE", end="\n", packed=True, cut=0)
def test_whatever_stands_in_a_cell_is_read_the_same(
    tmp_path_factory, row, column, cell, end, packed, cut
):
    """Odd numbers, quotes, blanks, other line ends, a cell too many, files cut off."""
    lines = text_of(12)
    cells = lines[row].split(",")
    cells[column] = cell
    lines[row] = ",".join(cells)
    data = ("\n".join(lines) + end).encode()
    data = gzip.compress(data) if packed else data
    path = tmp_path_factory.mktemp("typed") / ("drive.csv.gz" if packed else "drive.csv")
    path.write_bytes(data[: len(data) - cut])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("slipguard.recording.typed.BLOCK", 200)
        try:
            in_blocks, by_cell = both(path, patch)
        except RecordingError:
            return  # the header is wrong: no rows at all
    assert in_blocks == by_cell


@pytest.mark.parametrize("cell", [" ", "\t", "\xa0", '" "', '"\t"'])
@pytest.mark.parametrize("odd", ["1", "TRUE"])
def test_a_marker_of_blanks_is_none(tmp_path, monkeypatch, cell, odd):
    """Whatever blank it is, and whatever else stands in its row."""
    path = tmp_path / "drive.csv"
    path.write_text(f"t_s,fl_count,motor_enabled,marker\n0,1,{odd},{cell}\n1,2,1, go \n")
    for rows, _ in both(path, monkeypatch):
        assert [marker for _, _, marker, _ in rows] == [None, "go"]


@pytest.mark.parametrize("column", [0, 13, 14, 15])
def test_bytes_that_are_no_text_are_named_wherever_they_stand(column, tmp_path, monkeypatch):
    """In a column that nobody reads, too."""
    lines = [line.encode() for line in text_of(20)]
    cells = lines[11].split(b",")
    cells[column] = b"0\xff"
    lines[11] = b",".join(cells)
    path = tmp_path / "big.csv"
    path.write_bytes(b"\n".join(lines) + b"\n")
    in_blocks, by_cell = both(path, monkeypatch)
    assert in_blocks == by_cell
    assert in_blocks[0][-1].split("big.csv")[1].startswith(":12: not UTF-8 text: found byte 0xff")


def test_it_is_found_at_its_line_after_blocks_were_read(tmp_path, monkeypatch):
    """A mistake far down: file, line and column as ever, and the rows before it."""
    lines = text_of(3000)
    lines[2900] = lines[2900].replace("9.81", "nine")
    path = tmp_path / "drive.csv"
    path.write_text("\n".join(lines) + "\n")
    monkeypatch.setattr("slipguard.recording.typed.BLOCK", 10_000)
    in_blocks, by_cell = both(path, monkeypatch)
    assert in_blocks == by_cell
    assert in_blocks[0][-1].endswith(
        "drive.csv:2901: az_mps2: found 'nine', expected a number or a blank cell"
    )
