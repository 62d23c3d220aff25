"""Recorded drives: what is written reads back, and what is wrong is said with its place."""

from __future__ import annotations

import gzip
import math
import re
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bad_readings import bad_stretches
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from synthetic import rover

from slipguard import Guard, Reading, RecordingError
from slipguard.fuse.plain import finite
from slipguard.recording import (
    STANDARD_COLUMNS,
    Event,
    Labels,
    Writer,
    labels_path,
    load_labels,
    open_recording,
    save_labels,
)
from slipguard.recording.columns import VECTORS
from slipguard.recording.plain import number

HEADER = (
    "t_s,fl_count,fr_count,rl_count,rr_count,ax_mps2,ay_mps2,az_mps2,gx_radps,gy_radps,gz_radps,"
    "throttle,steer,motor_enabled,command_age_s"
)
ALL_COLUMNS = (
    *STANDARD_COLUMNS,
    *(f"{wheel}_radps" for wheel in ("fl", "fr", "rl", "rr")),
    *(f"{wheel}_brake_position" for wheel in ("fl", "fr", "rl", "rr")),
    "motor_current_a",
    "motor_speed_radps",
    "battery_v",
    "marker",
    "true_speed_mps",
    "air_c",
)


def drive(tmp_path: Path, text: str, name: str = "drive.csv") -> Path:
    path = tmp_path / name
    data = text.encode()
    path.write_bytes(gzip.compress(data) if name.endswith(".gz") else data)
    return path


def rows(path: Path):
    return list(open_recording(path))


def refusal(path: Path) -> str:
    with pytest.raises(RecordingError) as caught:
        rows(path)
    return str(caught.value)


# --- Reading --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["drive.csv", "drive.csv.gz"])
def test_every_column_arrives_in_its_field(tmp_path, name):
    """The recording format as documented: each column is the field it says, packed or not."""
    text = f"{HEADER}\n0.5,1,2,3,4,0.1,0.2,9.81,0.01,0.02,0.03,0.3,-0.4,1,0.05\n"
    (row,) = rows(drive(tmp_path, text, name))
    assert row.line == 2
    assert row.reading == Reading(
        t_s=0.5,
        counts=(1, 2, 3, 4),
        accel_mps2=(0.1, 0.2, 9.81),
        gyro_radps=(0.01, 0.02, 0.03),
        throttle=0.3,
        steer=-0.4,
        motor_enabled=True,
        command_age_s=0.05,
    )
    assert all(isinstance(count, int) for count in row.reading.counts)
    assert row.marker is None
    assert row.extra == {}


def test_column_order_does_not_matter(tmp_path):
    """Any column order is the same drive."""
    row = "0.5,1,2,3,4,0.1,0.2,9.81,0.01,0.02,0.03,0.3,-0.4,0,0.05"
    names, cells = HEADER.split(","), row.split(",")
    forward = drive(tmp_path, f"{HEADER}\n{','.join(cells)}\n", "a.csv")
    back = drive(tmp_path, f"{','.join(names[::-1])}\n{','.join(cells[::-1])}\n", "b.csv")
    assert rows(forward)[0].reading == rows(back)[0].reading


def test_blank_cells_mean_no_new_value(tmp_path):
    """All of a vector blank: None. Some of it blank: None in its place. Spaces are blank too."""
    text = f"{HEADER}\n0,,,,,,,,,,,,,,\n1,5,,7,8,1,,3,,,,,,,\n2, ,6,7,8,\t,,, , , ,\t,,  ,\n"
    first, second, third = (row.reading for row in rows(drive(tmp_path, text)))
    assert first == Reading(t_s=0.0)
    assert second == Reading(t_s=1.0, counts=(5, None, 7, 8), accel_mps2=(1.0, None, 3.0))
    assert third == Reading(t_s=2.0, counts=(None, 6, 7, 8))


def test_absent_columns_mean_not_measured(tmp_path):
    """Columns that are not there are None: wholly for a field, singly inside a vector."""
    (row,) = rows(drive(tmp_path, "t_s,fl_count,rr_count,az_mps2\n0,1,4,9.8\n"))
    expected = Reading(t_s=0.0, counts=(1, None, None, 4), accel_mps2=(None, None, 9.8))
    assert row.reading == expected


def test_one_speed_a_side_drives_front_and_rear(tmp_path):
    """Skid steering: with only front wheel speeds the rear wheels are the front ones."""
    text = "t_s,fl_radps,fr_radps\n0,1.5,-2.5\n1,,\n2,3,\n"
    found = [row.reading.wheel_speed_radps for row in rows(drive(tmp_path, text))]
    assert found == [(1.5, -2.5, 1.5, -2.5), None, (3.0, None, 3.0, None)]


def test_front_counts_alone_are_not_copied_to_the_rear(tmp_path):
    """Two encoders are two encoders: only speeds a side are shared by a side."""
    (row,) = rows(drive(tmp_path, "t_s,fl_count,fr_count\n0,1,2\n"))
    assert row.reading.counts == (1, 2, None, None)


def test_counts_and_wheel_speeds_may_both_be_there(tmp_path):
    """A rover that reports both is recorded whole; the core picks by its configuration."""
    text = "t_s,fl_count,fr_count,rl_count,rr_count,fl_radps,fr_radps,rl_radps,rr_radps\n"
    (row,) = rows(drive(tmp_path, text + "0,1,2,3,4,.1,.2,.3,.4\n"))
    assert row.reading.counts == (1, 2, 3, 4)
    assert row.reading.wheel_speed_radps == (0.1, 0.2, 0.3, 0.4)


def test_optional_sensors_and_markers(tmp_path):
    """Motor, battery and brake sensors are read; a marker is text, quoted where needed."""
    text = (
        "t_s,fl_radps,marker,battery_v,motor_current_a,motor_speed_radps,"
        "fl_brake_position,fr_brake_position,rl_brake_position,rr_brake_position\n"
        '0,1,"gate 3, wet",7.4,12.5,300,0,0.5,1,\n'
    )
    (row,) = rows(drive(tmp_path, text))
    assert row.marker == "gate 3, wet"
    assert row.reading.battery_v == 7.4
    assert row.reading.motor_current_a == 12.5
    assert row.reading.motor_speed_radps == 300.0
    assert row.reading.brake_position == (0.0, 0.5, 1.0, None)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("0", False),
        ("1", True),
        ("true", True),
        ("False", False),
        ("TRUE", True),
        (" 1 ", True),
        ("0.0", False),
        ("", None),
    ],
)
def test_motor_enabled_as_people_and_programs_write_it(tmp_path, cell, value):
    """0, 1, true, false, in any case, and 0.0 as data frames write it."""
    (row,) = rows(drive(tmp_path, f"t_s,fl_count,motor_enabled\n0,1,{cell}\n"))
    assert row.reading.motor_enabled is value


def test_what_a_live_sensor_can_say_passes_through(tmp_path):
    """NaN and infinities are values a sensor delivers: the core copes, the reader hides none."""
    text = "t_s,fl_count,fr_count,rl_count,rr_count,ax_mps2,ay_mps2,az_mps2,throttle\n"
    (row,) = rows(drive(tmp_path, text + "nan,nan,1,2.0,-inf,NaN,inf,-Infinity,nan\n"))
    reading = row.reading
    assert math.isnan(reading.t_s)
    assert math.isnan(reading.counts[0])
    assert reading.counts[1:] == (1, 2.0, -math.inf)
    assert math.isnan(reading.accel_mps2[0])
    assert reading.accel_mps2[1:] == (math.inf, -math.inf)
    assert math.isnan(reading.throttle)


def test_other_columns_are_carried_along(tmp_path):
    """Unknown columns never stop a replay; their numbers are there for who asks."""
    text = "t_s,fl_count,true_speed_mps,air_c,surface\n0,1,0.25,21,gravel\n1,2,,,\n"
    first, second = rows(drive(tmp_path, text))
    assert first.extra == {"true_speed_mps": 0.25, "air_c": 21.0}
    assert first.number("air_c") == 21.0
    assert second.extra == {}
    for column in ("air_c", "surface", "fl_count", "not there"):
        assert second.number(column) is None


def test_text_in_a_truth_column_is_an_error_for_who_reads_truth(tmp_path):
    """Truth decides how good we look: a broken cell there is never skipped in silence."""
    (row,) = rows(drive(tmp_path, "t_s,fl_count,true_speed_mps\n0,1,fast\n"))
    expected = r"drive\.csv:2: true_speed_mps: found 'fast', expected a number or a blank cell"
    with pytest.raises(RecordingError, match=expected):
        _ = row.extra


def test_windows_files_are_read(tmp_path):
    """A byte order mark, CRLF line ends, blank lines and spaces after commas are no errors."""
    text = "\ufefft_s, fl_count, fr_count\r\n0, 1, 2\r\n\r\n1, 3, 4\r\n"
    recording = open_recording(drive(tmp_path, text))
    assert recording.columns == ("t_s", "fl_count", "fr_count")
    assert [row.reading.counts for row in recording] == [(1, 2, None, None), (3, 4, None, None)]
    assert [row.line for row in recording] == [2, 4]
    assert recording.truncated is None


def test_a_recording_can_be_iterated_again(tmp_path):
    """Two passes over a drive see the same rows."""
    recording = open_recording(drive(tmp_path, "t_s,fl_count\n0,1\n1,2\n"))
    assert [row.reading for row in recording] == [row.reading for row in recording]
    assert recording.progress == 1.0


def test_progress_goes_from_nothing_to_the_whole_file(tmp_path):
    """A progress bar can be driven from the part of the file read, packed files too."""
    path = tmp_path / "drive.csv.gz"
    with Writer(path, ("t_s", "fl_count")) as writer:
        for i in range(60_000):
            writer.write(Reading(t_s=i * 0.005, counts=(i * i % 977, None, None, None)))
    recording = open_recording(path)
    seen = [recording.progress for row in recording if row.line % 500 == 0]
    assert seen == sorted(seen)
    assert seen[0] < 0.5
    assert recording.progress == 1.0


def test_memory_stays_flat(tmp_path):
    """A drive of any length is read in the memory of a few rows."""
    path = tmp_path / "drive.csv"
    line = "0,1,2,3,4,0.1,0.2,9.81,0.01,0.02,0.03,0.3,-0.4,1,0.05\n"
    path.write_text(f"{HEADER}\n" + line * 40_000)
    tracemalloc.start()
    assert sum(1 for _ in open_recording(path)) == 40_000
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert path.stat().st_size > 2_000_000
    assert peak < 500_000  # a third of it are tuples Python keeps for reuse


# --- What is wrong, and where ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "drive.csv:1: empty file; expected a header row with t_s and the wheels' columns"),
        ("t_s,fl_co", "drive.csv:1: line 1 has no line end"),
        ("\n", "drive.csv:1: t_s: missing; expected seconds in a column of that name"),
        ("time,fl_count\n", "drive.csv:1: t_s: missing; expected seconds in a column of that name"),
        ("t_s,ax_mps2\n", "drive.csv:1: fl_count: no column for any wheel; expected fl_count, "),
        (
            "0,12,12,0.1\n0.005,13,13,0.1\n",
            "drive.csv:1: found numbers where the names of the columns are expected; the header "
            "row is missing: put one first, with t_s and the wheels' columns",
        ),
        ("0,0,0\n", "drive.csv:1: found numbers where the names of the columns are expected"),
        ("T_S,FL_COUNT\n", "found T_S, FL_COUNT; if T_S is t_s, name it so, in small letters"),
        ("t_ms,fl_count\n", "; if t_ms is t_s, multiply its values by 0.001 and name it so"),
        ("t_s,FL_COUNT\n", "found t_s, FL_COUNT; if FL_COUNT is fl_count, name it so, in small"),
        ("t_s,fl_rpm\n", "; if fl_rpm is fl_radps, multiply its values by 0.10472 and name it so"),
        ("t_s,fl_count,fl_count\n", "drive.csv:1: fl_count: this column is given twice"),
        ("t_s,fl_count,,\n", "drive.csv:1: a column without a name"),
        ("t_s,fl_count\n0,one\n", "drive.csv:2: fl_count: found 'one', expected a number"),
        ("t_s,fl_count\n0,1\n,2\n", "drive.csv:3: t_s: found a blank cell, expected seconds"),
        ("t_s,fl_count\n0,1\n0:01,2\n", "drive.csv:3: t_s: found '0:01', expected a number"),
        ("t_s,fl_count\n0,1,2\n", "drive.csv:2: found 3 cells, expected 2 as in the header; where"),
        ("t_s,fl_count\n0\n", "drive.csv:2: found 1 cell, expected 2 as in the header"),
        (
            "t_s,fl_count,motor_enabled\n0,1,yes\n",
            "drive.csv:2: motor_enabled: found 'yes', expected 0, 1, true, false or a blank cell",
        ),
        ("t_s,fl_count,steer\n0,1,0.5 left\n", "drive.csv:2: steer: found '0.5 left', expected a"),
        ('t_s,fl_count,marker\n0,1,"a"b\n', "drive.csv:2: not readable as CSV"),
        ('t_s,fl_count,marker\n0,1,"a\n', "drive.csv:2: not readable as CSV"),
        (
            "t_s;fl_count\n0;1\n",
            "drive.csv:1: found 't_s;fl_count', columns set apart by semicolons; expected commas "
            "between columns, and '.' as decimal mark",
        ),
        ("t_s\tfl_count\n0\t1\n", "columns set apart by tabs; expected commas between columns"),
        ("t_s,fl_count\n0,01,2\n", "take it out; decimals need '.', not a comma"),
        (
            't_s,fl_count\n"0,01",2\n',
            "drive.csv:2: t_s: found '0,01', expected a number ('.' as decimal mark) or a blank",
        ),
    ],
)
def test_each_mistake_names_file_line_column_found_and_expected(tmp_path, text, message):
    """The builder sees where the file is wrong and what should stand there, on one line."""
    found = refusal(drive(tmp_path, text))
    assert message in found
    assert "\n" not in found


@pytest.mark.parametrize(
    ("left", "said"), [("", "empty file"), ("t_s,fl", "line 1 has no line end")]
)
def test_a_file_emptied_after_it_was_opened_is_named(tmp_path, left, said):
    """A recorder that begins the file again is no reason for a traceback."""
    path = drive(tmp_path, "t_s,fl_count\n0,1\n")
    recording = open_recording(path)
    path.write_text(left)
    with pytest.raises(RecordingError, match=rf"drive\.csv:1: {said}.*expected a header row"):
        list(recording)


def test_long_cells_are_shown_short(tmp_path):
    """An error stays readable when a cell is a page of text."""
    assert len(refusal(drive(tmp_path, f"t_s,fl_count\n0,{'x' * 5000}\n"))) < 300


def test_binary_files_are_refused(tmp_path):
    """A picture, a parquet file or another encoding is named, not decoded into nonsense."""
    path = tmp_path / "drive.csv"
    path.write_bytes(b"t_s,fl_count\n0,\xff\n")
    assert refusal(path).endswith(
        "drive.csv:2: not UTF-8 text: found byte 0xff, expected a CSV or .csv.gz file"
    )


def test_a_plain_file_named_gz_is_refused(tmp_path):
    """A wrong file name is said, not guessed around."""
    path = tmp_path / "drive.csv.gz"
    path.write_text("t_s,fl_count\n0,1\n")
    assert "drive.csv.gz:1: damaged gzip file" in refusal(path)


def test_damage_inside_a_packed_file_is_an_error(tmp_path):
    """A flipped bit is not a power cut: nothing that follows it can be believed."""
    text = "t_s,fl_count\n" + "".join(f"{i},{i * i % 991}\n" for i in range(2000))
    data = bytearray(gzip.compress(text.encode(), mtime=0))
    data[-6] ^= 0xFF  # in the checksum
    path = tmp_path / "drive.csv.gz"
    path.write_bytes(data)
    assert re.search(r"drive\.csv\.gz:2002: damaged gzip file", refusal(path))


@pytest.mark.parametrize("name", ["missing.csv", "missing.csv.gz", ".", "-", "nul\0.csv"])
def test_unreadable_paths_are_one_clear_error(tmp_path, name):
    """A missing file, a directory and an impossible name are RecordingErrors."""
    said = refusal(tmp_path / name)
    assert "cannot read the drive" in said or "a folder, expected a recorded drive" in said


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.binary(max_size=80), start=st.sampled_from([b"", b"t_s,fl_count\n", b"\x1f\x8b\x08"])
)
@pytest.mark.parametrize("name", ["drive.csv", "drive.csv.gz"])
def test_any_bytes_are_read_or_refused(tmp_path, name, data, start):
    """No file, however damaged, ends in anything but rows or a RecordingError."""
    path = tmp_path / name
    for content in (start + data, gzip.compress(start + data)):
        path.write_bytes(content)
        try:
            found = rows(path)
        except RecordingError:
            continue
        assert all(isinstance(row.reading, Reading) for row in found)


# --- Power cuts ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "tail", ["2,5", "2,", "2,5,6,7,8", "2,5,6,7,\0\0\0\0", '2,5,6,7,8,"a mark'], ids=repr
)
def test_a_last_line_without_line_end_is_left_out_and_said(tmp_path, tail):
    """Even a last line with all its cells may have lost digits: without a line end it is cut."""
    text = f"t_s,fl_count,fr_count,rl_count,rr_count\n0,1,2,3,4\n1,2,3,4,5\n{tail}"
    recording = open_recording(drive(tmp_path, text))
    assert recording.truncated is None
    assert [row.reading.t_s for row in recording] == [0.0, 1.0]
    assert recording.truncated == ("line 4 has no line end (power cut while recording?): left out")


def test_a_cut_inside_a_character_is_tolerated(tmp_path):
    """A power cut between the bytes of one character of a marker is still a power cut."""
    path = tmp_path / "drive.csv"
    path.write_bytes("t_s,fl_count,marker\n0,1,ä\n1,2,ä".encode()[:-1])
    recording = open_recording(path)
    assert [row.reading.t_s for row in recording] == [0.0]
    assert recording.truncated


def test_a_cut_inside_a_marker_of_two_lines_is_tolerated(tmp_path):
    """A quoted cell left open by a power cut is lost with its row, and is no error."""
    recording = open_recording(drive(tmp_path, 't_s,fl_count,marker\n0,1,a\n1,2,"two\nli'))
    assert [row.reading.t_s for row in recording] == [0.0]
    assert "line 4 has no line end" in recording.truncated


TEXT = "t_s,fl_count,marker\n" + "".join(f'{i / 8},{i * i % 997},"n, {i}"\n' for i in range(300))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(min_value=1))
@pytest.mark.parametrize("name", ["drive.csv", "drive.csv.gz"])
def test_wherever_the_power_is_cut_the_rows_before_it_survive(tmp_path, name, cut):
    """A drive cut after any byte gives the rows that were written whole, and says what is lost."""
    data = gzip.compress(TEXT.encode(), mtime=0) if name.endswith(".gz") else TEXT.encode()
    head = data.index(b"\n") + 1 if name == "drive.csv" else 200
    cut = head + cut % (len(data) - head)
    path = tmp_path / name
    path.write_bytes(data[:cut])
    recording = open_recording(path)
    found = [(row.reading.t_s, row.reading.counts[0], row.marker) for row in recording]
    assert found == [(i / 8, i * i % 997, f"n, {i}") for i in range(len(found))]
    if name == "drive.csv":
        whole = data[:cut].count(b"\n") - 1
        assert len(found) == whole
        assert (recording.truncated is None) == data[:cut].endswith(b"\n")
    else:
        assert "the compressed data breaks off after line" in recording.truncated


def test_a_packed_drive_flushed_before_the_cut_keeps_its_rows(tmp_path):
    """A recorder that flushes loses, at a power cut, only what came after the flush."""
    path = tmp_path / "drive.csv.gz"
    writer = Writer(path, ("t_s", "fl_count"))
    for i in range(100):
        writer.write(Reading(t_s=float(i), counts=(i, i, i, i)))
    writer.flush()
    cut = tmp_path / "cut.csv.gz"
    cut.write_bytes(path.read_bytes())
    writer.close()
    recording = open_recording(cut)
    assert len(list(recording)) == 100
    assert "breaks off after line 101" in recording.truncated


# --- Writing ---------------------------------------------------------------------------------

NUMBERS = st.one_of(st.none(), st.floats())
COUNTS = st.one_of(st.none(), st.integers(min_value=-(2**62), max_value=2**62))


def vector(element, size: int):
    """A vector with holes; one that is nothing but holes is no vector."""
    return st.one_of(
        st.none(),
        st.tuples(*[element] * size).map(lambda v: None if all(x is None for x in v) else v),
    )


READINGS = st.builds(
    Reading,
    t_s=st.floats(),
    counts=vector(COUNTS, 4),
    wheel_speed_radps=vector(NUMBERS, 4),
    accel_mps2=vector(NUMBERS, 3),
    gyro_radps=vector(NUMBERS, 3),
    throttle=NUMBERS,
    steer=NUMBERS,
    motor_enabled=st.one_of(st.none(), st.booleans()),
    command_age_s=NUMBERS,
    motor_current_a=NUMBERS,
    motor_speed_radps=NUMBERS,
    battery_v=NUMBERS,
    brake_position=vector(NUMBERS, 4),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    readings=st.lists(READINGS, max_size=4),
    speed=st.floats(),
    marker=st.one_of(st.none(), st.text(max_size=12)),
    order=st.permutations(ALL_COLUMNS),
)
@pytest.mark.parametrize("name", ["drive.csv", "drive.csv.gz"])
def test_what_is_written_reads_back_to_the_last_bit(tmp_path, name, readings, speed, marker, order):
    """Same readings live and replayed, so that they give the same decisions; NaN included."""
    path = tmp_path / name
    with Writer(path, order) as writer:
        for reading in readings:
            writer.write(reading, {"true_speed_mps": speed}, marker)
    recording = open_recording(path)
    assert recording.columns == tuple(order)
    found = list(recording)
    assert [repr(row.reading) for row in found] == [repr(reading) for reading in readings]
    assert [repr(row.extra) for row in found] == [repr({"true_speed_mps": speed}) for _ in readings]
    words = " ".join("".join(c if c.isprintable() else " " for c in marker or "").split())
    assert [row.marker for row in found] == [words or None for _ in readings]
    assert recording.truncated is None


def test_numbers_of_numpy_are_written_as_numbers(tmp_path):
    """A simulator hands over numpy scalars; the file holds plain numbers."""
    path = tmp_path / "drive.csv"
    with Writer(path, ("t_s", "fl_count", "motor_enabled", "true_speed_mps")) as writer:
        writer.write(
            Reading(
                t_s=np.float64(0.1), counts=np.array([3, 4, 5, 6]), motor_enabled=np.bool_(True)
            ),
            {"true_speed_mps": np.float64(1 / 3)},
        )
    assert path.read_text() == (
        "t_s,fl_count,motor_enabled,true_speed_mps\n0.1,3,1,0.3333333333333333\n"
    )


def test_numbers_of_single_precision_are_written_as_they_are(tmp_path):
    """numpy shows float32 short; the guard was given the number behind it."""
    tenth = np.float32(0.1)
    with Writer(tmp_path / "drive.csv", ("t_s", "fl_count", "throttle", "air_c")) as writer:
        writer.write(Reading(t_s=tenth, throttle=tenth), {"air_c": tenth})
    (row,) = rows(tmp_path / "drive.csv")
    assert (row.reading.t_s, row.reading.throttle) == (float(tenth), float(tenth))
    assert row.extra == {"air_c": float(tenth)}


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(stretch=bad_stretches())
@example([Reading(t_s=0.0, throttle="x", counts="abcd"), Reading(t_s=0.005, throttle="0.5")])
def test_whatever_the_guard_was_given_is_recorded_and_decided_the_same(tmp_path, stretch):
    """Sensors and links may deliver anything: no drive is unreadable, or another one, by it.

    But for a ``motor_enabled`` that is no number and vectors of nothing, which are written as no
    news, and for an infinite age of a command, which the guard takes for no number where something
    else in the reading is none.
    """
    readings = [replace(r, **dict.fromkeys(apart(r))) for r in stretch]
    with Writer(tmp_path / "drive.csv", ALL_COLUMNS) as writer:
        for reading in readings:
            writer.write(reading)
    live, replayed = Guard(rover()), Guard(rover())
    for reading, row in zip(readings, rows(tmp_path / "drive.csv"), strict=True):
        assert repr(replayed.step(row.reading)) == repr(live.step(reading))


def apart(reading: Reading) -> list[str]:
    """Fields of it that are left out above."""
    groups = {n: v for n in VECTORS if isinstance(v := getattr(reading, n), list | tuple)}
    found = [name for name, values in groups.items() if all(one is None for one in values)]
    if not finite(reading.motor_enabled):
        found.append("motor_enabled")
    if math.isinf(number(reading.command_age_s)):
        found.append("command_age_s")
    return found


def test_a_motor_enabled_that_is_no_number_is_written_as_no_news(tmp_path):
    """The format has no word for it, and the guard goes on with what it knew."""
    with Writer(tmp_path / "drive.csv") as writer:
        writer.write(Reading(t_s=0.0, motor_enabled=math.nan))
    (row,) = rows(tmp_path / "drive.csv")
    assert row.reading.motor_enabled is None


def test_a_marker_is_never_lost(tmp_path):
    """The default header has a place for it; one without a place refuses it, as it does extras."""
    with Writer(tmp_path / "a.csv") as writer:
        writer.write(Reading(t_s=0.0), marker="wheel spin fl")
    (row,) = rows(tmp_path / "a.csv")
    assert row.marker == "wheel spin fl"
    with (
        Writer(tmp_path / "b.csv", STANDARD_COLUMNS) as writer,
        pytest.raises(RecordingError, match=r"b\.csv: marker: not one of this file's columns"),
    ):
        writer.write(Reading(t_s=0.0), marker="wheel spin fl")


def test_rounding_by_choice(tmp_path):
    """A demo drive may be stored to the decimals its sensors have; no minus zero, NaN kept."""
    path = tmp_path / "drive.csv"
    decimals = {"ax_mps2": 3, "t_s": 2}
    with Writer(path, ("t_s", "fl_count", "ax_mps2"), decimals=decimals) as writer:
        writer.write(Reading(t_s=1 / 3, accel_mps2=(-0.0001, 0.0, 0.0)))
        writer.write(Reading(t_s=2 / 3, accel_mps2=(math.nan, 0.0, 0.0)))
        writer.write(Reading(t_s=1.0))
    assert path.read_text() == "t_s,fl_count,ax_mps2\n0.33,,0.0\n0.67,,nan\n1.0,,\n"


def test_packed_files_are_the_same_bytes_every_time(tmp_path):
    """Regenerated demo drives do not differ: neither time nor name goes into the file."""
    paths = [tmp_path / "a.csv.gz", tmp_path / "b.csv.gz"]
    for path in paths:
        with Writer(path) as writer:
            writer.write(Reading(t_s=0.0, counts=(1, 2, 3, 4)))
    first, second = (path.read_bytes() for path in paths)
    assert first == second
    assert first[4:8] == b"\0\0\0\0"  # MTIME, RFC 1952 section 2.3.1


def test_writer_refuses_what_the_reader_would(tmp_path):
    """A recorder that would write an unreadable drive fails when it starts, not when replayed."""
    with pytest.raises(RecordingError, match=r"drive\.csv: t_s: missing"):
        Writer(tmp_path / "drive.csv", ("fl_count",))
    with pytest.raises(RecordingError, match=r"drive\.csv: fl_count: this column is given twice"):
        Writer(tmp_path / "drive.csv", ("t_s", "fl_count", "fl_count"))
    with Writer(tmp_path / "drive.csv") as writer:
        for name in ("air_c", "throttle"):
            with pytest.raises(RecordingError, match=f"{name}: not one of the further columns"):
                writer.write(Reading(t_s=0.0), {name: 1.0})


@pytest.mark.parametrize("name", ["no/such/folder/drive.csv", ".", "nul\0.csv"])
def test_unwritable_paths_are_one_clear_error(tmp_path, name):
    """A recording that cannot be written says so at once."""
    with pytest.raises(RecordingError, match="cannot write"):
        Writer(tmp_path / name)


@pytest.mark.parametrize("name", ["drive.csv", "drive.csv.gz"])
def test_closing_twice_is_fine(tmp_path, name):
    """A recorder may close in its error path and again in its normal one."""
    writer = Writer(tmp_path / name)
    writer.close()
    writer.close()
    assert rows(tmp_path / name) == []


def test_a_full_disk_is_a_recording_error():
    """A full card is reported as such, by path."""
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full, a device that is always full")
    writer = Writer("/dev/full", ("t_s", "fl_count"))
    writer.write(Reading(t_s=0.0))
    with pytest.raises(RecordingError, match="/dev/full: cannot write: No space left on device"):
        writer.flush()
    with pytest.raises(RecordingError, match="/dev/full: cannot write: No space left on device"):
        writer.close()


# --- Labels ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("drive_name", "labels_name"),
    [
        ("a/hill.csv", "a/hill.yaml"),
        ("a/hill.csv.gz", "a/hill.yaml"),
        ("a/hill.1.csv.gz", "a/hill.1.yaml"),
        ("hill", "hill.yaml"),
        ("CARD/DRIVE.CSV", "CARD/DRIVE.yaml"),
        ("Hill.Csv.GZ", "Hill.yaml"),
        ("HILL.PARQUET", "HILL.yaml"),
    ],
)
def test_labels_stand_beside_the_drive(drive_name, labels_name):
    """NAME.yaml beside NAME.csv, packed or not."""
    assert labels_path(drive_name) == Path(labels_name)


def test_labels_are_found_from_the_drive(tmp_path):
    """A recording brings its labels along; events come sorted by start."""
    (tmp_path / "drive.yaml").write_text(
        "vehicle: survey rover\nsource: simulated\nnotes: [wet, steep]\nlicence: MIT\n"
        "events:\n"
        "- {kind: rolling, wheel: null, start_s: 8, end_s: 9}\n"
        "- {kind: wheel_spin, wheel: fl, start_s: 1.5, end_s: 2.5}\n"
    )
    recording = open_recording(drive(tmp_path, "t_s,fl_count\n0,1\n"))
    assert recording.labels == Labels(
        vehicle="survey rover",
        source="simulated",
        notes="wet\nsteep",
        events=(
            Event(kind="wheel_spin", wheel="fl", start_s=1.5, end_s=2.5),
            Event(kind="rolling", wheel=None, start_s=8.0, end_s=9.0),
        ),
    )


def test_unlabelled_is_not_the_same_as_nothing_happened(tmp_path):
    """No labels: nothing is scored. An empty list of events: every finding is a false alarm."""
    recording = open_recording(drive(tmp_path, "t_s,fl_count\n0,1\n"))
    assert recording.labels == Labels(events=None)
    (tmp_path / "drive.yaml").write_text("source: ours\n")
    assert load_labels(tmp_path / "drive.yaml").events is None
    (tmp_path / "drive.yaml").write_text("events: []\n")
    assert load_labels(tmp_path / "drive.yaml").events == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("events: 3\n", "x.yaml:1: events: found 3, expected a list of events"),
        ("events: [3]\n", "x.yaml:1: events: found 3, expected an event {kind, wheel, start_s,"),
        (
            "events:\n- {kind: wheel_spn, wheel: fl, start_s: 1, end_s: 2}\n",
            "x.yaml:2: events[0].kind: found 'wheel_spn', expected one of wheel_spin, wheel_lock,",
        ),
        (
            "events:\n- {kind: rolling, start_s: 1, end_s: 2}\n"
            "- {kind: wheel_spin, wheel: left, start_s: 1, end_s: 2}\n",
            "x.yaml:3: events[1].wheel: found 'left', expected one of fl, fr, rl, rr",
        ),
        (
            "events:\n- {kind: wheel_spin, start_s: 1, end_s: 2}\n",
            "x.yaml:2: events[0].wheel: missing; wheel_spin needs one of fl, fr, rl, rr",
        ),
        (
            "events:\n- kind: rolling\n  start_s: 3\n  end_s: 2\n",
            "x.yaml:4: events[0].end_s: found 2 s, before start_s 3 s",
        ),
        (
            "events:\n- kind: rolling\n  start_s: .nan\n  end_s: 2\n",
            "x.yaml:3: events[0].start_s: found nan, expected a number s",
        ),
        (
            "events:\n- kind: rolling\n  start_s: 1\n",
            "x.yaml:2: events[0].end_s: missing; when it was over",
        ),
        (
            "events:\n- {kind: rolling, stat_s: 1, end_s: 2}\n",
            "x.yaml:2: events[0].stat_s: unknown key; did you mean 'start_s'?",
        ),
        (
            "events:\n"
            "- {kind: wheel_spin, wheel: fl, start_s: 5, end_s: 7}\n"
            "- {kind: wheel_spin, wheel: fr, start_s: 5, end_s: 7}\n"
            "- {kind: wheel_lock, wheel: fl, start_s: 5, end_s: 7}\n"
            "- {kind: wheel_spin, wheel: fl, start_s: 4, end_s: 5}\n",
            "x.yaml:2: events[0].start_s: found 5 s, but another wheel_spin fl lasts from 4 to 5 s",
        ),
        ("source: ours\nevent: []\n", "x.yaml:2: event: unknown key; did you mean 'events'?"),
        ("Evnts: []\n", "x.yaml:1: Evnts: unknown key; did you mean 'events'?"),
        ("events: []\nproposd: true\n", "x.yaml:2: proposd: unknown key; did you mean 'propos"),
        ("[1]\n", "x.yaml:1: top level: found [1], expected a section of keys"),
        ("events: [\n", "x.yaml:2: not valid YAML"),
    ],
)
def test_each_mistake_in_labels_names_file_line_and_field(tmp_path, text, message):
    """A wrong label would make a good detector look bad: it is refused with its place."""
    path = tmp_path / "x.yaml"
    path.write_text(text)
    with pytest.raises(RecordingError) as caught:
        load_labels(path)
    assert message in str(caught.value)


def test_keys_of_others_in_labels_are_left_aside(tmp_path):
    """A labels file may say more than slipguard reads, also a word like one of its own."""
    path = tmp_path / "x.yaml"
    path.write_text("weather: rain\nsource: ours\nevents: []\nevent: harvest\n3: three\n")
    assert load_labels(path) == Labels(source="ours", events=())


def test_unreadable_labels_are_an_error(tmp_path):
    """Labels that are there but cannot be read are not taken for none."""
    with pytest.raises(RecordingError, match="cannot read the labels: Is a directory"):
        load_labels(tmp_path)
    with pytest.raises(RecordingError, match="cannot write the labels: Is a directory"):
        save_labels(Labels(), tmp_path)


EVENTS = st.builds(
    lambda kind, wheel, start, length, slight: Event(
        kind=kind, wheel=wheel, start_s=start, end_s=start + length, slight=slight
    ),
    st.sampled_from(["wheel_spin", "wheel_lock"]),
    st.sampled_from(["fl", "fr", "rl", "rr"]),
    st.floats(min_value=-1e6, max_value=1e6),
    st.floats(min_value=0, max_value=1e3),
    st.booleans(),
)


def test_only_a_slight_label_says_that_it_is(tmp_path):
    """Files that people wrote before there were any stay as they are when written again."""
    path = tmp_path / "drive.yaml"
    spin = Event(kind="wheel_spin", wheel="fl", start_s=1.0, end_s=2.0)
    for slight in (False, True):
        save_labels(Labels(events=(replace(spin, slight=slight),)), path)
        assert ("slight" in path.read_text()) == slight


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@example("", "", "0E0", None)  # a number to YAML 1.2, text to YAML 1.1
@example("\x85", "\u2028 x", "Hügel\n\n mit Lehm \n", None)
@given(
    st.text(), st.text(), st.text(), st.one_of(st.none(), st.lists(EVENTS, max_size=1).map(tuple))
)
def test_labels_survive_saving(tmp_path, vehicle, source, notes, events):
    """What is saved loads back the same."""
    path = tmp_path / "drive.yaml"
    labels = Labels(vehicle=vehicle, source=source, notes=notes, events=events)
    save_labels(labels, path)
    assert load_labels(path) == labels
