"""The command line: what it prints and writes, and that every mistake is one clear line."""

from __future__ import annotations

import gzip
import io
import json
import os
import re
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
import typer
from fake_guard import FakeGuard, decision, finding

import slipguard.cli.drive_in
import slipguard.cli.drive_text
import slipguard.replay
from slipguard import Alert, Config, Hold, Reading, RecordingError
from slipguard.cli import app, main
from slipguard.cli.examples import EXAMPLES
from slipguard.cli.exits import MEANING, Exit, exit_for
from slipguard.config import settings_table
from slipguard.errors import SlipguardError
from slipguard.recording import (
    Event,
    Labels,
    Writer,
    labels_path,
    open_recording,
    save_labels,
)
from slipguard.report.events import events_of
from slipguard.report.gather import report_drive

ROVER = """\
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075, max_steer_deg: 25,
        steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
"""
WHEELS_ALONE = "t_s,fl_count,fr_count,rl_count,rr_count"


def decide(reading: Reading):
    """Holds for 2 s, finds the left front wheel spinning from 3 to 4 s and brakes it."""
    t_s = reading.t_s
    spinning = 3.0 <= t_s <= 4.0
    alert = Alert(
        t_s=t_s, level="warning", topic="wheel_spin", wheel="fl", message="Wheel [fl] spins."
    )
    told = Alert(t_s=t_s, level="info", topic="hold", wheel=None, message="Brakes hold.")
    return decision(
        t_s,
        hold=Hold.HOLDING if t_s < 2.0 else Hold.OFF,
        findings=(finding(value=10 + t_s), finding("sliding", None)) if spinning else (),
        alerts={0.0: (told,), 3.0: (alert,)}.get(t_s, ()),
        brakes=(0.5, 0.0, 0.0, 0.0) if spinning else (0.0, 0.0, 0.0, 0.0),
        throttle_limit=0.5 if spinning else 1.0,
        speed_mps=1.0,
        speed_sd_mps=0.05,
        distance_m=t_s,
    )


@pytest.fixture
def drive(tmp_path, monkeypatch) -> Path:
    """A labelled drive of 5 s with its rover, replayed by a guard whose answers are known."""
    monkeypatch.setattr(slipguard.replay, "Guard", lambda config, engine: FakeGuard(decide))
    (tmp_path / "rover.yaml").write_text(ROVER)
    path = tmp_path / "clay.csv"
    with Writer(path, (*WHEELS_ALONE.split(","), "true_speed_mps")) as writer:
        for tick in range(51):
            writer.write(Reading(t_s=tick / 10), {"true_speed_mps": 1.02})
    save_labels(
        Labels(
            vehicle="survey rover [mk 2]",
            source="made up for this test",
            events=(
                Event(kind="wheel_spin", wheel="fl", start_s=2.9, end_s=4.0),
                Event(kind="rolling", start_s=1.0, end_s=1.5),
            ),
        ),
        labels_path(path),
    )
    return path


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert all(len(line) <= 100 for line in out.splitlines()), "wider than 100 columns"
    assert "Traceback" not in err
    return code, out, err


def words(err: str) -> str:
    """What an error box says, on one line."""
    return " ".join(re.sub(r"[│╭╰─╮╯]", "", err).split())


def row_of(text: str, *cells: str) -> bool:
    """Whether a printed table has a row with these cells."""
    return any(line.split() == " ".join(cells).split() for line in text.splitlines())


# --- replay: what is printed -----------------------------------------------------------------


def test_replay_prints_the_drive_its_findings_and_its_score(capsys, drive):
    """One command shows length, accuracy, findings, brakes, holds, alerts and the score."""
    code, out, err = run(capsys, "replay", drive)
    assert (code, err) == (Exit.DONE, "")
    assert "clay.csv" in out
    assert "survey rover [mk 2]" in out
    assert "5.00 s in 51 rows, net distance 5.00 m, top speed 1.00 m/s" in out
    assert "RMSE 0.020 m/s, worst 0.020 m/s" in out
    assert "truth inside 2 sigma in 100.0% of 51 rows" in out
    assert row_of(out, "wheel spin", "fl", "3.000", "1.000", "14 mm", "12 mm")
    assert row_of(out, "sliding", "", "3.000", "1.000", "20 mm", "12 mm")
    assert row_of(out, "pressed, s", "1.10", "0.00", "0.00", "0.00")
    assert row_of(out, "full-brake s", "0.55", "0.00", "0.00", "0.00")
    assert "Hill hold on for 2.00 s, once: 0.00-2.00 s" in out
    assert "Throttle limited for 1.10 s" in out
    assert row_of(out, "3.000", "warning", "Wheel [fl] spins.")
    assert "Alerts for information only: 1" in out
    assert "Brakes hold." not in out
    assert row_of(out, "wheel spin", "1", "1", "100%", "0", "100", "100")
    assert row_of(out, "rolling", "1", "0", "0%", "0", "-", "-")
    assert row_of(out, "sliding", "0", "0", "-", "1", "-", "-")
    assert "Missed: rolling 1.00-1.50 s" in out
    assert "False alarms: sliding 3.00-4.00 s" in out


def test_replay_without_labels_and_truth_claims_neither(capsys, drive):
    """No truth column and no labels: no accuracy and no score is made up."""
    labels_path(drive).unlink()
    drive.write_text("t_s,fl_count\n0,1\n0.1,2\n")
    code, out, _ = run(capsys, "replay", drive)
    assert code == Exit.DONE
    assert "0.10 s in 2 rows" in out
    assert "No findings." in out
    assert "Brakes never pressed." in out
    assert "RMSE" not in out
    assert "labels" not in out


def test_a_drive_labelled_as_quiet_is_scored(capsys, drive):
    """`events: []` says nothing happened: silence is right, and is said to be."""
    save_labels(Labels(events=()), labels_path(drive))
    drive.write_text("t_s,fl_count\n0,1\n0.1,2\n")
    _, out, _ = run(capsys, "replay", drive)
    assert "Labels: there was nothing to find, and nothing was invented." in out


def test_replay_says_what_a_power_cut_took(capsys, drive):
    """A drive cut off is replayed, and the loss is printed."""
    labels_path(drive).unlink()
    drive.write_text("t_s,fl_count\n0,1\n0.1,2\n0.2")
    code, out, _ = run(capsys, "replay", drive)
    assert code == Exit.DONE
    assert "line 4 has no line end (power cut while recording?): left out" in out


def test_time_that_goes_back_is_said(capsys, drive):
    """A drive recorded backwards has a length, and its reader is warned of it."""
    labels_path(drive).unlink()
    drive.write_text(f"{WHEELS_ALONE}\n3,1,1,1,1\n2.5,1,1,1,1\n2.75,1,1,1,1\n2.25,1,1,1,1\n")
    code, out, _ = run(capsys, "replay", drive)
    assert code == Exit.DONE
    assert "0.75 s in 4 rows" in out
    assert "time goes back in 2 rows, first line 3; lengths are from the smallest" in out
    drive.write_text(f"{WHEELS_ALONE}\n3,1,1,1,1\n2.5,1,1,1,1\n")
    _, out, _ = run(capsys, "replay", drive)
    assert "time goes back in line 3; lengths are from the smallest" in out


def test_what_never_came_has_no_peak_in_seconds(capsys, drive, monkeypatch):
    """A sensor that is silent from the start was not silent for a million seconds."""

    def silent(reading):
        fault = finding("sensor_fault", None, value=1e6, unit="s", sensor="imu")
        return decision(reading.t_s, findings=(fault,))

    monkeypatch.setattr(slipguard.replay, "Guard", lambda config, engine: FakeGuard(silent))
    _, out, _ = run(capsys, "replay", drive)
    assert row_of(out, "sensor fault", "imu", "0.000", "5.000", "never", "12 s")
    events = events_of(report_drive(open_recording(drive), Config.parse(ROVER)))
    (event,) = (e for e in events if e.found)
    assert event.peak == "never"
    assert "(never, limit 12 s)" in event.reason


def test_long_tables_are_cut_and_say_so(capsys, drive, monkeypatch):
    """A drive with hundreds of findings stays readable; the rest is in the JSON file."""
    monkeypatch.setattr(slipguard.cli.drive_text, "MOST_ROWS", 1)
    _, out, _ = run(capsys, "replay", drive)
    assert "... and 1 more; --json FILE writes them all" in out
    assert row_of(out, "sliding", "", "3.000", "1.000", "20 mm", "12 mm")
    assert not row_of(out, "wheel spin", "fl", "3.000", "1.000", "14 mm", "12 mm")


def test_replay_runs_the_real_guard(capsys, tmp_path):
    """Without any stand-in: a rover at rest on level ground is replayed through the core."""
    (tmp_path / "rover.yaml").write_text(ROVER)
    with Writer(tmp_path / "rest.csv.gz") as writer:
        for tick in range(200):
            writer.write(
                Reading(
                    t_s=tick / 200,
                    counts=(0, 0, 0, 0),
                    accel_mps2=(0.0, 0.0, 9.81),
                    gyro_radps=(0.0, 0.0, 0.0),
                    throttle=0.0,
                    steer=0.0,
                    motor_enabled=True,
                    command_age_s=0.0,
                )
            )
    decisions = tmp_path / "decisions.csv"
    code, out, _ = run(capsys, "replay", tmp_path / "rest.csv.gz", "--out", decisions)
    assert code == Exit.DONE
    assert "in 200 rows" in out
    assert "\nEngine: filterpy\n" in out
    assert len(decisions.read_text().splitlines()) == 201


# --- replay: what is written -----------------------------------------------------------------


def test_decisions_are_written_row_by_row(capsys, drive, tmp_path):
    """The decision file has a row for each row of the drive, with named columns and units."""
    out = tmp_path / "decisions.csv"
    assert run(capsys, "replay", drive, "--out", out)[0] == Exit.DONE
    lines = out.read_text().splitlines()
    assert len(lines) == 52
    assert lines[0] == (
        "t_s,speed_mps,speed_sd_mps,grade_rad,fl_slip_mps,fr_slip_mps,rl_slip_mps,rr_slip_mps,"
        "fl_brake,fr_brake,rl_brake,rr_brake,throttle,throttle_limit,hold,findings"
    )
    assert lines[1] == "0.0,1.0,0.05,0.0,0.0,0.0,0.0,0.0,0.0,0.0,0.0,0.0,0.0,1.0,holding,"
    assert lines[31] == (
        "3.0,1.0,0.05,0.0,0.0,0.0,0.0,0.0,0.5,0.0,0.0,0.0,0.0,0.5,off,wheel_spin:fl sliding"
    )


def test_decisions_are_written_over_older_ones_by_choice_only(capsys, drive, tmp_path):
    """A file of that name may be anything, e.g. a drive; as ``simulate --out`` has it."""
    out = tmp_path / "decisions.csv"
    out.write_text("mine\n")
    code, _, err = run(capsys, "replay", drive, "--out", out)
    assert code == Exit.USAGE
    assert "already there; name another file, or give --force" in words(err)
    assert out.read_text() == "mine\n"
    assert run(capsys, "replay", drive, "--out", out, "--force")[0] == Exit.DONE
    assert out.read_text().startswith("t_s,")


def test_the_same_drive_gives_the_same_bytes(capsys, drive, tmp_path):
    """Two replays differ in nothing: files can be compared between versions."""
    for name in ("a", "b"):
        files = ("--out", tmp_path / f"{name}.csv.gz", "--json", tmp_path / f"{name}.json")
        run(capsys, "replay", drive, *files)
    assert (tmp_path / "a.csv.gz").read_bytes() == (tmp_path / "b.csv.gz").read_bytes()
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert gzip.decompress((tmp_path / "a.csv.gz").read_bytes()).startswith(b"t_s,speed_mps")


def test_events_are_written_as_json(capsys, drive, tmp_path):
    """Programs get all that people get, with units in the names."""
    path = tmp_path / "events.json"
    assert run(capsys, "replay", drive, "--json", path)[0] == Exit.DONE
    found = json.loads(path.read_text())
    assert (found["drive"], found["rows"], found["end_s"]) == ("clay.csv", 51, 5.0)
    assert found["speed_error"]["rmse_mps"] == pytest.approx(0.02)
    assert found["findings"][1] == {
        "kind": "wheel_spin",
        "wheel": "fl",
        "sensor": None,
        "start_s": 3.0,
        "end_s": 4.0,
        "peak": 14.0,
        "threshold": 12.0,
        "unit": "mm",
        "reason": "wheel spin fl: seen (14 mm, limit 12 mm)",
    }
    assert found["alerts"][1]["message"] == "Wheel [fl] spins."
    assert found["holds"] == [{"phase": "holding", "start_s": 0.0, "end_s": 2.0}]
    assert found["brake_full_s"]["fl"] == pytest.approx(0.55)
    assert found["score"]["wheel_spin"]["delays_s"] == pytest.approx([0.1])
    assert found["score"]["rolling"]["missed"][0]["start_s"] == 1.0
    assert found["score"]["sliding"]["recall"] is None


def test_json_is_json_whatever_the_drive(capsys, drive, tmp_path):
    """NaN is not JSON (RFC 8259, section 6): it becomes null, and any parser reads the file."""
    labels_path(drive).unlink()
    drive.write_text("t_s,fl_count\nnan,1\ninf,2\n")
    path = tmp_path / "events.json"
    assert run(capsys, "replay", drive, "--json", path)[0] == Exit.DONE

    def refuse(word: str) -> None:
        raise AssertionError(word)

    assert json.loads(path.read_text(), parse_constant=refuse)["start_s"] is None


# --- replay: mistakes ------------------------------------------------------------------------


def test_without_a_rover_it_says_what_to_do(capsys, drive):
    """No rover.yaml beside the drive and none named: the message tells both ways out."""
    (drive.parent / "rover.yaml").unlink()
    code, out, err = run(capsys, "replay", drive)
    assert (code, out) == (Exit.CONFIG, "")
    assert err == (
        f"slipguard: {drive.parent / 'rover.yaml'}: not there; put the rover file beside the "
        "drive, or name it with --rover FILE\n"
    )


def test_a_named_rover_wins_over_the_one_beside_the_drive(capsys, drive, tmp_path):
    """--rover is used and its mistakes reported, whatever stands beside the drive."""
    other = tmp_path / "other.yaml"
    other.write_text(ROVER.replace("mass_kg: 5.0", "mass_kg: -5"))
    code, _, err = run(capsys, "replay", drive, "--rover", other)
    assert code == Exit.CONFIG
    problem = "rover.mass_kg: found -5, expected a number above 0 up to 3000 kg"
    assert err == f"slipguard: {other}:1: {problem}\n"


def test_the_wrong_rover_for_a_drive_is_noticed(capsys, drive):
    """Counts replayed as wheel speeds would find nothing and look like peace."""
    speed = ROVER.replace("{counts_per_rev: 96, direction: quadrature}", "{kind: speed}")
    (drive.parent / "rover.yaml").write_text(speed)
    code, _, err = run(capsys, "replay", drive)
    assert code == Exit.CONFIG
    assert "encoders.kind: found speed, but" in err
    assert "has none of fl_radps, fr_radps, rl_radps, rr_radps" in err


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "cannot read the drive: No such file or directory"),
        ("", ":1: empty file; expected a header row"),
        (f"{WHEELS_ALONE}\n", "the drive holds no rows"),
        (f"{WHEELS_ALONE}\n0,1", "the drive holds no rows; line 2 has no line end"),
        ("t_s,fl_count\n0,1\n1,x\n", ":3: fl_count: found 'x', expected a number or a blank cell"),
        (
            f"{WHEELS_ALONE},true_speed_mps\n0,1,1,1,1,x\n",
            ":2: true_speed_mps: found 'x', expected a",
        ),
    ],
)
def test_a_bad_drive_is_one_line_on_standard_error(capsys, drive, content, message):
    """File, line and column, exit code 4, nothing on standard output, no traceback."""
    drive.unlink()
    if content is not None:
        drive.write_text(content)
    code, out, err = run(capsys, "replay", drive)
    assert (code, out) == (Exit.RECORDING, "")
    assert err.startswith(f"slipguard: {drive}:")
    assert message in err
    assert err.count("\n") == 1


def test_bad_labels_are_reported_before_the_replay(capsys, drive):
    """A typing error in the labels costs no waiting."""
    labels_path(drive).write_text("events: 3\n")
    code, out, err = run(capsys, "replay", drive)
    assert (code, out) == (Exit.RECORDING, "")
    assert "clay.yaml:1: events: found 3, expected a list of events" in err


def test_labels_of_another_drive_are_refused(capsys, drive):
    """Scored as missed they would blame the guard for what is not in the drive."""
    save_labels(
        Labels(events=(Event(kind="rolling", start_s=30.0, end_s=40.0),)), labels_path(drive)
    )
    code, out, err = run(capsys, "replay", drive)
    assert (code, out) == (Exit.RECORDING, "")
    assert "rolling from 30 to 40 s is not in the drive clay.csv, which lasts from 0 to 5 s" in err


def test_a_directory_is_not_a_drive(capsys, tmp_path):
    """Naming a folder, even the present one, is a clear error."""
    for path in (tmp_path, "."):
        code, _, err = run(capsys, "replay", path)
        assert code == Exit.RECORDING
        assert err.startswith(f"slipguard: {path}: a folder, expected a recorded drive; ")


@pytest.mark.parametrize(("option", "name"), [("--out", "x.csv"), ("--json", "x.json")])
def test_an_output_that_cannot_be_written(capsys, drive, tmp_path, option, name):
    """A missing folder is said with the path."""
    path = tmp_path / "no folder" / name
    code, _, err = run(capsys, "replay", drive, option, path)
    assert code == Exit.RECORDING
    assert err == f"slipguard: {path}: cannot write: its folder is not there; make it first\n"


def test_no_output_overwrites_what_is_read(capsys, drive, tmp_path):
    """A slip of the keyboard does not cost a recorded drive."""
    labels, rover = labels_path(drive), drive.parent / "rover.yaml"
    before = [path.read_bytes() for path in (drive, labels, rover)]
    for option, path, message in (
        ("--out", drive, "is read or written already, name another file"),
        ("--json", labels, "expected a name ending in .json"),
        ("--json", rover, "expected a name ending in .json"),
        ("--json", drive, "expected a name ending in .json"),
    ):
        code, _, err = run(capsys, "replay", drive, option, path)
        assert code == Exit.USAGE
        assert message in " ".join(err.split())
    assert [path.read_bytes() for path in (drive, labels, rover)] == before


@pytest.mark.parametrize(
    "arguments",
    [
        ("replay",),
        ("replay", "-"),
        ("replay", "a.csv", "--out", "-"),
        ("replay", "a.csv", "b.csv"),
        ("replay", "a.csv", "--speed", "2"),
        ("reply", "a.csv"),
        ("--no-such-option",),
    ],
)
def test_wrong_usage_has_its_own_exit_code(capsys, arguments):
    """Scripts can tell a typing error from a bad drive."""
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (Exit.USAGE, "")
    assert "Error" in err


def test_a_fault_of_our_own_is_owned_up_to(capsys, drive, monkeypatch):
    """A bug is one line that asks for a report, not a page of traceback; on request it is."""

    def broken(reading):
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr(slipguard.replay, "Guard", lambda config, engine: FakeGuard(broken))
    code, _, err = run(capsys, "replay", drive)
    assert code == Exit.FAULT
    assert "a fault of slipguard itself" in err
    assert "ZeroDivisionError: division by zero" in err
    assert err.count("\n") == 1
    monkeypatch.setenv("SLIPGUARD_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        main(["replay", str(drive)])


def test_interrupting_is_quiet(capsys, drive, monkeypatch):
    """Ctrl-C ends a replay with the exit code shells expect (128 + SIGINT)."""

    def interrupted(reading):
        raise KeyboardInterrupt

    monkeypatch.setattr(slipguard.replay, "Guard", lambda config, engine: FakeGuard(interrupted))
    code, out, _ = run(capsys, "replay", drive)
    assert (code, out) == (Exit.INTERRUPTED, "")


# --- Progress --------------------------------------------------------------------------------


class Screen(io.StringIO):
    """A terminal that remembers what was drawn on it."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("terminal", "rows", "options", "shown"),
    [
        (True, 10, (), True),
        (True, 1000, (), False),
        (True, 10, ("--no-progress",), False),
        (False, 10, (), False),
    ],
)
def test_progress_bar_on_long_drives_on_a_terminal_only(
    capsys, drive, monkeypatch, terminal, rows, options, shown
):
    """A log file or a pipe never gets the bar, and a short drive does not flash one."""
    monkeypatch.setattr(slipguard.cli.drive_in, "LONG_ROWS", rows)
    monkeypatch.setenv("TERM", "xterm")
    screen = Screen() if terminal else io.StringIO()
    monkeypatch.setattr(sys, "stderr", screen)
    assert main(["replay", str(drive), *options]) == Exit.DONE
    assert ("replaying" in screen.getvalue()) is shown
    assert "replaying" not in capsys.readouterr().out


# --- The other commands, and the program itself ----------------------------------------------


def test_settings_lists_every_setting(capsys):
    """The printed table has every key, its unit, and which must be given."""
    code, out, _ = run(capsys, "settings")
    assert code == Exit.DONE
    for row in settings_table():
        assert any(line.split()[:1] == [row.key] for line in out.splitlines()), row.key
    assert row_of(out, "mass_kg kg must be given mass, ready to drive")
    assert row_of(out, "cooling_w W 8 heat one brake sheds while it rests")


def test_settings_shows_a_rovers_values(capsys, tmp_path):
    """The builder sees what a rover file really sets."""
    path = tmp_path / "rover.yaml"
    path.write_text(ROVER + "brakes: {cooling_w: 5}\n")
    code, out, _ = run(capsys, "settings", "--rover", path)
    assert code == Exit.DONE
    assert row_of(out, "cooling_w W 8 5 heat one brake sheds while it rests")


def test_settings_of_a_bad_rover(capsys, tmp_path):
    """A wrong rover file is reported as everywhere else."""
    path = tmp_path / "rover.yaml"
    path.write_text("rover: {}\n")
    code, out, err = run(capsys, "settings", "--rover", path)
    assert (code, out) == (Exit.CONFIG, "")
    assert err.startswith(f"slipguard: {path}:1: rover.mass_kg: missing")


def test_version(capsys):
    """The version is the one of the installed package."""
    assert run(capsys, "--version")[:2] == (Exit.DONE, f"slipguard {version('slipguard')}\n")


@pytest.mark.parametrize("arguments", [("--help",), ("replay", "--help"), ("settings", "--help")])
def test_help_documents_every_exit_code(capsys, arguments):
    """What scripts rely on is written where people look."""
    code, out, _ = run(capsys, *arguments)
    assert code == Exit.DONE
    for exit_code in Exit:
        assert row_of(out, str(int(exit_code)), MEANING[exit_code])


def test_every_error_class_has_an_exit_code():
    """A new error class cannot be forgotten: each is told apart, the base class is a fault."""
    codes = [exit_for(kind("x")) for kind in SlipguardError.__subclasses__()]
    assert Exit.FAULT not in codes
    assert len(set(codes)) == len(codes)
    assert exit_for(RecordingError("x")) == Exit.RECORDING


def test_the_installed_program(tmp_path):
    """`slipguard` as installed: exit code and error line reach the shell."""
    program = Path(sys.executable).with_name("slipguard")
    done = subprocess.run(
        [program, "replay", "missing.csv"], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == Exit.RECORDING
    assert done.stdout == ""
    assert done.stderr == (
        "slipguard: missing.csv: cannot read the drive: No such file or directory\n"
    )


def test_the_package_runs_as_a_module():
    """``python -m slipguard`` is the same command line, and hands on its exit code."""
    good, bad = (
        subprocess.run([sys.executable, "-m", "slipguard", *arguments], capture_output=True)
        for arguments in (["--version"], ["no-such-command"])
    )
    assert good.returncode == 0
    assert good.stdout.startswith(b"slipguard ")
    assert bad.returncode == Exit.USAGE


def commands_of(group, *path):
    """Every command below a group, and the group itself, by its path."""
    yield path
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands_of(command, *path, name)
        else:
            yield (*path, name)


def test_a_list_of_commands_tells_them_whole(capsys):
    """What a command is for is not cut off where commands are listed."""
    for group in ((), ("calibrate",), ("plugins",)):
        assert main([*group, "--help"]) == Exit.DONE
        listed = capsys.readouterr().out.partition("Commands:")[2].partition("Example:")[0]
        assert listed.strip()
        assert "..." not in listed


@pytest.mark.parametrize("name", ["x.txt", "x.json", "x"])
def test_a_file_is_named_for_what_it_holds(capsys, drive, tmp_path, name):
    """A table called .txt opens in the wrong program, and no command here takes it."""
    commands = (
        (("replay", drive, "--out"), ".csv or .csv.gz"),
        (("report", drive, "--out"), ".html"),
        (("report", drive, "--png"), ".png"),
    )
    for command, expected in commands:
        code, _, err = run(capsys, *command, tmp_path / name)
        assert code == Exit.USAGE
        assert f"expected a name ending in {expected}" in " ".join(err.split())
    assert not (tmp_path / name).exists()


def test_every_help_shows_an_example(capsys):
    """Options alone do not say how a command is used; options of an example must exist."""
    found = list(commands_of(typer.main.get_command(app)))
    assert {" ".join(path) for path in found} == set(EXAMPLES)
    for path in found:
        assert main([*path, "--help"]) == Exit.DONE
        text = capsys.readouterr().out
        (example,) = re.findall(r"^  Example:\n    slipguard (.*)$", text, re.M)
        assert example == EXAMPLES[" ".join(path)]
        assert example.split()[: len(path)] == list(path)
        for option in re.findall(r"(?<= )--?[a-z][a-z-]*", example):
            options = text.split("Example:")[0]
            assert re.search(rf"^ .*(?<![\w-]){option}\b", options, re.M), (path, option)


def test_the_shell_completes_commands():
    """What --install-completion sets up: the shell asks the program, which answers with names."""
    asked = {
        "_SLIPGUARD_COMPLETE": "complete_bash",
        "COMP_WORDS": "slipguard co",
        "COMP_CWORD": "1",
    }
    done = subprocess.run(
        [sys.executable, "-m", "slipguard"], env=os.environ | asked, capture_output=True, text=True
    )
    assert done.stdout.split() == ["commission", "compare", "convert"], done.stderr


def rewritten(drive, edit) -> None:
    """The drive's lines, each put through ``edit(number, cells)``."""
    lines = [line.split(",") for line in drive.read_text().splitlines()]
    drive.write_text("".join(",".join(edit(i, x)) + "\n" for i, x in enumerate(lines)))


def test_a_misspelt_column_is_told(drive, capsys):
    """Columns nobody knows are carried along; one that nearly is a known one that is missing was
    meant to be it, and a drive without throttle would be judged otherwise."""
    rewritten(drive, lambda i, x: [c.replace("true_speed_mps", "throtle") for c in x])
    assert main(["replay", str(drive)]) == Exit.DONE
    err = capsys.readouterr().err
    assert f"slipguard: warning: {drive}:1: throtle: not a column slipguard knows" in err
    assert "if 'throttle' is meant, name it so" in err


HEADER = f"{WHEELS_ALONE},ax_mps2,ay_mps2,az_mps2,gx_radps,gy_radps,gz_radps"


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ("fl_count", "FL_count", ["FL_count: not a column slipguard knows, left aside; if 'fl_co"]),
        (",fr_count", "", ["fr_count: missing, though fl_count, rl_count, rr_count are there; "]),
        (
            ",gy_radps,gz_radps",
            "",
            ["gy_radps, gz_radps: missing, though gx_radps is there; taken as not measured"],
        ),
        (",ax_mps2,ay_mps2,az_mps2", "", []),
        (
            "ax_mps2",
            "ax_g",
            [
                "ax_g: not a column slipguard knows, left aside; if 'ax_mps2' is meant, multiply "
                "its values by 9.80665 and name it so"
            ],
        ),
        (
            "gz_radps",
            "Gz_dps",
            [
                "Gz_dps: not a column slipguard knows, left aside; if 'gz_radps' is meant, "
                "multiply its values by 0.0174533 and name it so"
            ],
        ),
        (HEADER, "t_s,fl_count,fl_radps,fr_radps", ["fr_count, rl_count, rr_count: missing, "]),
        ("gz_radps", "gz_radps,rear_distance_mm", []),
    ],
)
def test_columns_that_belong_together_are_missed(drive, capsys, was, becomes, said):
    """A wheel or an axis that is lost to a typo would be silent in the whole drive. What is not
    there at all was not measured, and nobody is bothered with it."""
    labels_path(drive).unlink()
    header = HEADER.replace(was, becomes)
    drive.write_text(f"{header}\n0{',1' * header.count(',')}\n")
    assert main(["replay", str(drive)]) == Exit.DONE
    told = capsys.readouterr().err.splitlines()
    assert len(told) == len(said)
    for line, start in zip(told, said, strict=True):
        assert line.startswith(f"slipguard: warning: {drive}:1: {start}")


def test_milliseconds_are_told(drive, capsys):
    """A drive whose rows are seconds apart is none: the unit is wrong."""
    at = drive.read_text().split("\n", 1)[0].split(",").index("t_s")

    def slow(i, cells):
        return [f"{1000 * float(c):g}" if i and k == at else c for k, c in enumerate(cells)]

    rewritten(drive, slow)
    assert main(["replay", str(drive)]) == Exit.DONE
    assert "t_s: rows are 100 s apart; where it counts milliseconds" in capsys.readouterr().err


def test_good_drives_raise_no_doubt():
    """No warning about any demo drive, whose truth columns are carried along."""
    for path in sorted((Path(__file__).parent.parent / "replay").glob("**/*.csv*")):
        assert open_recording(path).doubts() == []
