"""``slipguard run`` as a program: what it prints, how it ends, what a kill -9 leaves behind."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from demo import ROVER as ROVER_FILE
from demo import cut
from live_bench import Rig, broken
from rich.console import Console

from slipguard import Alert, Config, Guard
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.cli.run_lines import AlertLines, Lines, Went
from slipguard.cli.run_view import View
from slipguard.finding import Finding
from slipguard.recording import open_recording

SCENARIO = "simulate:parking_motor_cut"
ROVER = """\
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075,
        max_steer_deg: 25, steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
"""


@pytest.fixture
def short(tmp_path):
    """A scenario of two seconds, as a user writes one."""
    path = tmp_path / "mine.py"
    path.write_text(
        "from dataclasses import replace\n"
        "from slipguard.simulate import make\n"
        "def short(seed, config):\n"
        "    return replace(make('hill_start', seed, config), duration_s=2.0)\n"
        "def endless(seed, config):\n"
        "    return replace(make('rough_crawl', seed, config), duration_s=1e6)\n"
    )
    return f"simulate:{path}:short"


def test_a_simulated_run_as_lines(short, capsys):
    """No hardware, no terminal: alerts as lines."""
    assert main(["run", "--source", short, "--speed", "0"]) == Exit.DONE
    out = capsys.readouterr().out
    assert "0.000 s  info      armed: waiting for the stick in neutral" in out
    assert "401 rounds of 5 ms, not in real time" in out
    assert re.search(r"^Net distance -?\d+\.\d\d m; no findings\.$", out, re.M)
    assert max(map(len, out.splitlines())) <= 100


def test_the_end_counts_what_was_found(capsys, tmp_path):
    """How it went, in one line; a finding that flickers is one."""
    drive = cut("parking_on_the_bank", 13.0, 18.0, tmp_path)
    shutil.copy(ROVER_FILE, tmp_path)
    assert main(["run", "--source", f"replay:{drive}", "--speed", "0"]) == Exit.DONE
    out = capsys.readouterr().out
    assert re.search(r"^Net distance -?\d+\.\d\d m; findings: rolling 1(, .*)?\.$", out, re.M)
    went = Went()
    for t_s in (0.0, 0.1, 0.2, 1.0):
        went.add(t_s, [found("wheel_spin", "fl")] if t_s != 0.1 else [])
    went.add(1.1, [found("wheel_spin", "fr"), found("rolling", None)])
    assert dict(went.counts) == {"wheel_spin": 3, "rolling": 1}


def found(kind: str, wheel: str | None) -> Finding:
    return Finding(
        kind=kind, wheel=wheel, since_s=0.0, value=1.0, threshold=0.1, unit="m/s", detail=""
    )


def test_a_simulated_run_as_json(short, capsys, tmp_path):
    """One object a line, every so many rounds; all alerts; the timing at the end."""
    folder = tmp_path / "runs"
    words = ["run", "--source", short, "--speed", "0", "--as-json", "--json-every", "50"]
    assert main([*words, "--record", str(folder)]) == Exit.DONE
    *lines, last = map(json.loads, capsys.readouterr().out.splitlines())
    assert len(lines) == 9
    assert lines[0]["brakes"]["rr"] > 0
    assert lines[0].keys() >= {"t_s", "speed_mps", "hold", "findings", "stopped_by", "alerts"}
    told = [alert["message"] for line in lines for alert in line["alerts"]]
    assert "armed: waiting for the stick in neutral" in told
    assert last["timing"]["rounds"] == 401
    rows = list(open_recording(Path(last["recorded"]) / "drive-000.csv"))
    assert len(rows) == 401
    capsys.readouterr()
    assert main(["replay", str(Path(last["recorded"]) / "drive-000.csv")]) == Exit.DONE
    assert "2.00 s in 401 rows" in capsys.readouterr().out


def test_a_replayed_run(tmp_path, capsys):
    """The rover's file is found beside the drive, as a replay does."""
    drive = cut("parking_on_the_bank", 0.0, 3.0, tmp_path)
    shutil.copy(ROVER_FILE, tmp_path)
    assert main(["run", "--source", f"replay:{drive}", "--speed", "0"]) == Exit.DONE
    assert "brakes hold the rover" in capsys.readouterr().out


def test_a_disk_that_is_full_at_the_end_is_told(short, tmp_path, capsys, monkeypatch):
    """The run went well; that its recording lacks the end is said all the same."""

    def full(file):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("slipguard.live.recorder.DriveFile.close", full)
    words = ["run", "--source", short, "--speed", "0", "--record", str(tmp_path)]
    assert main(words) == Exit.DONE
    told = capsys.readouterr().err
    assert told.startswith("slipguard: while it ended: recorder: ")
    assert "No space left on device" in told


def test_check_arms_and_ends(tmp_path, short, capsys):
    """Before a drive: is everything there? Without a plugin it is not, and each lack is told."""
    assert main(["run", "--source", short, "--speed", "0", "--check"]) == Exit.DONE
    assert "Armed: every check passed." in capsys.readouterr().out
    path = tmp_path / "rover.yaml"
    path.write_text(ROVER)
    assert main(["run", "--rover", str(path), "--check"]) == Exit.NOT_ARMED
    error = capsys.readouterr().err
    assert error.startswith("slipguard: not armed\n  brakes: no plugin serves brake.fl, brake.fr,")
    assert "\n  throttle: no plugin serves throttle" in error
    assert "\n  sensors: no plugin measures counts or wheel_speed_radps, accel_mps2, gyro_" in error


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("live: {rate: 100}", "rover.yaml:5: live.rate: unknown key; did you mean 'rate_hz'?"),
        ("live: {rate_hz: 5}", "rover.yaml:5: live.rate_hz: found 5, expected a number from 10"),
        ("live: {fail_safe: yes}", "rover.yaml:5: live.fail_safe: found True, expected a text"),
        ("live: {fail_safe: none}", "live.fail_safe: found 'none', expected what is fitted"),
        ("live: {engine: numba}", "live.engine: found 'numba', expected one of filterpy, compiled"),
        ("live: {without_brake: [fl, xx]}", "live.without_brake: found 'xx', expected one of fl"),
    ],
)
def test_wrong_settings_are_told_with_their_place(more, said, tmp_path, capsys):
    """File, line and key, as everywhere."""
    path = tmp_path / "rover.yaml"
    path.write_text(ROVER + more + "\n")
    assert main(["run", "--rover", str(path)]) == Exit.CONFIG
    assert said in capsys.readouterr().err


def test_an_engine_that_cannot_be_had_is_told_before_anything_is_touched(
    tmp_path, capsys, monkeypatch
):
    """With what installs it, and not as an error in the middle of opening the hardware."""
    monkeypatch.setattr("slipguard.live.settings.can_compile", lambda: False)
    path = tmp_path / "rover.yaml"
    path.write_text(ROVER + "live: {engine: compiled}\n")
    assert main(["run", "--rover", str(path)]) == Exit.CONFIG
    said = " ".join(capsys.readouterr().err.split())
    assert "rover.yaml:5: live.engine: found 'compiled', which needs numba" in said
    assert "pip install '.[fast]'" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--source", "replay"], "--source replay: expected plugins, replay:DRIVE or simulate"),
        (
            ["--source", "simulate:nowhere"],
            "scenario 'nowhere': there is none of that name; known: all_on_ice",
        ),
        (["--source", "foo"], "--source foo: expected plugins, replay:DRIVE or simulate:SCENARIO"),
        (["--source", "foo", "--speed", "2", "--rover", "rover.yaml"], "--source foo: expected"),
        (["--rover", "rover.yaml", "--speed", "2"], "a real rover has one speed"),
        ([], "name the rover file with --rover FILE"),
        (["--rover", "rover.yaml", "--with", "my-brake"], "--with is for simulate and replay"),
        (["--source", "simulate:twister", "--with", "my-brake"], "with --rover FILE"),
        (["--source", "simulate:twister", "--key-file", "key"], "add --listen"),
    ],
)
def test_wrong_usage(words, said, tmp_path, monkeypatch, capsys):
    """One sentence."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rover.yaml").write_text(ROVER)
    assert main(["run", *words]) == Exit.USAGE
    assert said in " ".join(re.sub(r"[│╭╰─╮╯]", "", capsys.readouterr().err).split())


# -- the view -------------------------------------------------------------------------------------


def shown(view: View, width: int = 100) -> str:
    out = io.StringIO()
    Console(file=out, width=width, highlight=False, markup=False).print(view.render())
    return out.getvalue()


def test_the_view_shows_what_a_driver_needs():
    """Speed and how sure it is, wheels, brakes, link, rate, findings, why it stopped."""
    with Rig() as rig:
        view = View("rover.yaml", rig.loop, Console(file=io.StringIO(), width=120))
        assert "starting" in shown(view)
        rig.loop.watchers.append(view.watch)
        rig.drive(2.0)
        driving = shown(view)
        rig.front.fault = broken("\x1b[31mservo board\ngone")
        rig.drive(4.0)
        stopped = shown(view)
    for text in (driving, stopped):
        assert max(map(len, text.splitlines())) <= 100
        assert len(text.splitlines()) <= 30
        assert "\x1b[31m" not in text
    assert " ARMED " in driving
    assert re.search(r"speed +\+1\.\d\d m/s  ± 0\.\d\d", driving)
    assert re.search(r"fl +\+1\.\d\d +[+-]0\.\d\d +0\.00", driving)
    assert re.search(r"asked \+0\.\d\d +sent \+0\.\d\d +limit 1\.00", driving)
    assert re.search(r"last command \d+ ms ago", driving)
    assert "no findings" in driving
    assert " STOPPED " in stopped
    assert "brakes: holding" in stopped
    assert re.search(r"fl +[+-]0\.00 +[+-]0\.00 +[01]\.\d\d   █+", stopped)
    assert "stopped: brake.fl, brake.fr: plugin brake-0" in stopped


def test_lines_count_from_the_start_of_the_run(capsys):
    """Seconds since the computer was switched on say nothing to a driver."""
    rounds = []
    with Rig() as rig, AlertLines() as lines:
        rig.loop.watchers += [rounds.append, lines.watch]
        rig.loop.arm()
        first = rounds[0]
        told = Alert(t_s=first.reading.t_s + 2.5, level="info", topic="x", wheel=None, message="hm")
        lines.watch(replace(first, reading=replace(first.reading, t_s=1e4), alerts=(told,)))
    assert "     2.500 s  info      hm" in capsys.readouterr().out.splitlines()


def test_lines_nobody_reads_are_dropped_not_hoarded(monkeypatch):
    """A pipe that is full holds up the lines, not the loop."""
    lines = Lines()  # its thread does not run: like one that hangs in a write
    for i in range(5000):
        lines.put(str(i))
    assert lines.dropped == 3000


# -- as a process ---------------------------------------------------------------------------------


def start(source: str, folder: Path, *more: str) -> subprocess.Popen[str]:
    code = "import sys; from slipguard.cli import main; sys.exit(main(sys.argv[1:]))"
    words = ["run", "--source", source, "--record", str(folder), "--as-json", "--json-every", "10"]
    return subprocess.Popen(
        [sys.executable, "-c", code, *words, *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def recorded(folder: Path) -> list:
    (run,) = folder.iterdir()
    return [row.reading for path in sorted(run.glob("*.csv")) for row in open_recording(path)]


def test_sigterm_stops_gently_and_closes_everything(short, tmp_path):
    """As systemd ends it: the rover is held, the recording whole, the exit code 0."""
    folder = tmp_path / "runs"
    process = start(short.replace(":short", ":endless"), folder)
    lines = [process.stdout.readline() for _ in range(45)]  # two seconds of driving
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    *states, last = map(json.loads, [*lines, *out.splitlines()])
    assert states[-1]["stopped_by"] == ["asked to end by SIGTERM"]
    assert states[-1]["hold"] == "holding"
    readings = recorded(folder)
    assert len(readings) == last["timing"]["rounds"]
    guard = Guard(Config.parse(ROVER))
    assert [guard.step(reading).hold for reading in readings][-1] == "holding"


def test_kill_9_costs_a_second_of_the_recording_at_most_and_the_heartbeat_ends(short, tmp_path):
    """Nothing can be done any more: what is on the disk stays readable, signs of life end."""
    folder, rover = tmp_path / "runs", tmp_path / "rover.yaml"
    alive = tmp_path / "alive"
    rover.write_text(f"{ROVER}live: {{heartbeat_file: {alive}}}\n")
    source = short.replace(":short", ":endless")
    process = start(source, folder, "--rover", str(rover))
    for _ in range(30):
        last = json.loads(process.stdout.readline())
    assert alive.exists()
    process.kill()
    killed_s = time.time()
    process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    readings = recorded(folder)
    assert last["t_s"] - readings[-1].t_s < 1.0
    assert len(readings) > 100
    (run,) = folder.iterdir()
    assert Config.load(run / "rover.yaml") == Config.load(rover)
    assert os.stat(alive).st_mtime <= killed_s
