"""Commissioning on a simulated bench: right wiring passes, each wrong one fails its own item.

Limits compared with hands are judgement; that the axes are right follows from the standard: ISO
8855 has x forward, y left, z up, so an accelerometer at rest with the nose up by a reads
g (sin a, 0, cos a), and a turn to the left is positive about z.
"""

from __future__ import annotations

import math
import os
import pty
import sys
import time
from dataclasses import replace

import pytest
import yaml
from sizes import rest_large
from synthetic import QUICK

from slipguard import Config, ConfigError, Guard, RecordingError
from slipguard.cli import main
from slipguard.cli.commission import _by_hand
from slipguard.cli.exits import Exit
from slipguard.cli.run import _not_commissioned
from slipguard.commission import (
    Collector,
    Result,
    config_hash,
    items,
    judge,
    record_path,
    record_text,
    save_record,
    standing,
)
from slipguard.live import LiveSettings, Loop, VirtualClock
from slipguard.live.commissioning import Session, judge_recording
from slipguard.live.on_blocks import BenchRover
from slipguard.reading import Reading
from slipguard.recording import open_recording
from slipguard.simulate import DEMO_ROVER
from slipguard.simulate.blocks import Wiring
from slipguard.simulate.faults import EncoderFault

ROVER = DEMO_ROVER.with_changes(imu__rate_hz=100.0)
SETTINGS = replace(LiveSettings.of(ROVER), engine=QUICK)
ITEMS = {item.key: item for item in items(ROVER)}


def bench(*keys, config=ROVER, seed=1, **real) -> dict[str, Result]:
    """What becomes of these items on the simulated bench."""
    clock = VirtualClock()
    rover = BenchRover(config, seed, clock, **real)
    host = rover.host(config, clock, threads=False)
    found = {}
    settings = replace(LiveSettings.of(config), engine=QUICK)
    with Loop(
        config, settings=settings, host=host, operator=rover, clock=clock, threads=False
    ) as loop:
        session = Session(loop)
        loop.arm()
        for item in items(config):
            if item.key in keys:
                rover.do(item)
                found[item.key] = session.try_out(item, rover.done)
    assert list(found) == [key for key in ITEMS if key in keys]
    return found


def test_a_rover_that_is_wired_right_passes():
    """Nobody trusts a check that cries wolf."""
    check_passed(bench("blocks", "tilt.nose", "kill", "crawl"))


@pytest.mark.large
@pytest.mark.parametrize("seed", range(1000, 1002))
def test_every_item_passes_whatever_the_noise(seed):
    """Other rovers of the same kind: biases, noise and encoder phases differ."""
    check_passed(bench(*ITEMS, seed=seed))


def check_passed(found):
    """Every item passed, its number inside its limits."""
    for result in found.values():
        assert result.state == "passed", result
        assert not result.cause
        assert result.value is not None
        assert result.low is None or result.value >= result.low
        assert result.high is None or result.value <= result.high


@pytest.mark.large
@pytest.mark.parametrize(
    "changes", [{"encoders__direction": "unsigned"}, {"encoders__kind": "speed"}]
)
def test_other_encoders_pass_too(changes):
    """One channel knows no sign, speeds are no counts."""
    config = ROVER.with_changes(**changes)
    for result in bench("wheel.fl", "brake.fl", "crawl", config=config).values():
        assert result.state == "passed", result


FRONT_SWAPPED = {"wiring": Wiring(encoders=(1, 0, 2, 3))}
LEFT_SWAPPED = {"wiring": Wiring(encoders=(2, 1, 0, 3))}
BACKWARD = {"wiring": Wiring(signs=(1, -1, 1, 1))}
DEAD = {"faults": [EncoderFault(kind="dead", wheel="rr")]}
BRAKES_SWAPPED = {"wiring": Wiring(brakes=(1, 0, 2, 3))}
NO_BRAKE = {"wiring": Wiring(brakes=(0, 1, 2, None))}
WEAK = {"true": ROVER.with_changes(brakes__max_torque_nm=0.3)}


def mounted(*rotation_deg) -> dict:
    """An IMU that is mounted otherwise than the rover file says."""
    return {"true": ROVER.with_changes(imu__rotation_deg=list(rotation_deg))}


WRONG = [
    ("wheel.fl", "encoders of fl and fr are swapped", "plugs", FRONT_SWAPPED),
    ("wheel.rl", "encoders of rl and fl are swapped", "plugs", LEFT_SWAPPED),
    ("wheel.fr", "encoder of fr counts backward", "A and B", BACKWARD),
    ("wheel.rr", "encoder of rr is dead", "supply", DEAD),
    ("wheel.fl", "one edge of four", "about 24", {"wiring": Wiring(scale=0.25)}),
    ("wheel.fl", "counts_per_rev is not 96", "about 67", {"wiring": Wiring(scale=0.7)}),
    ("brake.fl", "the command for fl presses fr, or fr was not tried", "outputs", BRAKES_SWAPPED),
    ("brake.rr", "brake of rr does not hold", "linkage", NO_BRAKE),
    ("brake.rr", "likelier nothing is pressed", "plug", NO_BRAKE),
    ("brake.rr", "brake of rr does not hold", "torque", WEAK),
    ("tilt.nose", "turned by 180 degrees", "to [0, 0, 180]", mounted(0, 0, 180)),
    ("tilt.left", "turned by -90 degrees", "to [0, 0, -90]", mounted(0, 0, -90)),
    ("blocks", "upside down", "roll of imu.rotation_deg", mounted(180, 0, 0)),
    ("turn.left", "upright axis has the wrong sign", "left is positive", mounted(180, 0, 0)),
    ("kill", "the kill switch does not cut the motor", "do not drive", {"switch_cuts": False}),
    ("kill", "motor turns backward", "motor wires", {"wiring": Wiring(motor=-1)}),
    ("link", "commands kept coming", "fail-safe", {"link_hides": True}),
    ("crawl", "fr counted backward", "wheel.fr", BACKWARD),
    ("crawl", "the accelerometer ", "x axis forward", mounted(0, 0, 180)),
]  # fmt: skip
AT_ONCE = [
    row
    for row in WRONG
    if row[0] in ("wheel.fr", "wheel.rl", "brake.fl", "tilt.left", "link") or row is WRONG[-1]
]


@pytest.mark.parametrize(("key", "cause", "remedy", "real"), rest_large(WRONG, AT_ONCE))
def test_wrong_wiring_fails_its_item_and_is_named(key, cause, remedy, real):
    """A builder must know which plug to pull."""
    result = bench(key, **real)[key]
    assert result.state == "failed"
    assert cause in result.cause
    assert remedy in result.remedy
    assert result.seen


def test_what_is_wrong_elsewhere_does_not_fail_an_item():
    """Swapped front encoders say nothing about the rear ones, an IMU nothing about wheels."""
    check_passed(bench("wheel.rl", **FRONT_SWAPPED))
    check_passed(bench("wheel.fl", "turn.left", **mounted(0, 0, 180)))
    check_passed(bench("brake.rl", **BRAKES_SWAPPED))


# -- judging samples by arithmetic ---------------------------------------------------------------


def samples_of(config, rows):
    """Samples of readings ``(accel, gyro)``, a hundred a second, nothing sent."""
    from slipguard import Guard

    guard, collector = Guard(config, QUICK), Collector(config)
    for tick, (accel, gyro) in enumerate(rows):
        reading = Reading(
            t_s=tick / 100, counts=(0, 0, 0, 0), accel_mps2=accel, gyro_radps=gyro, throttle=0.0
        )
        collector.take(reading, guard.step(reading), sent=0.0, brakes=(0, 0, 0, 0))
    return collector.samples


def tilt_rows(gyro_scale=1.0, unit=1.0):
    """Nose up by 20 degrees in a second, after two seconds of rest; about +y the nose goes down."""
    rate = -math.radians(20.0)
    for tick in range(500):
        t_s = tick / 100
        angle = -rate * max(0.0, min(1.0, t_s - 2.0))
        gyro = gyro_scale * rate if 2.0 <= t_s < 3.0 else 0.0
        yield (9.81 * unit * math.sin(angle), 0.0, 9.81 * unit * math.cos(angle)), (0.0, gyro, 0.0)


@pytest.mark.parametrize(
    ("scale", "cause"),
    [
        (1.0, ""),
        (-1.0, "a sign is wrong in one of them"),
        (180.0 / math.pi, "degrees a second"),
        (0.0, "the gyro turned by 0 degrees"),
    ],
)
def test_the_gyro_must_agree_with_the_accelerometer(scale, cause):
    """du/dt = -w x u: one sensor's axes against the other's."""
    result = judge(ITEMS["tilt.nose"], samples_of(ROVER, tilt_rows(scale)), ROVER)
    assert cause in result.cause
    assert (result.state == "passed") == (cause == "")


def test_units_and_silence_are_told():
    """An IMU that gives g, one that gives nothing, and an item ended at once."""
    still = [((0.0, 0.0, 1.0), (0.0, 0.0, 0.0))] * 400
    assert "gives g, not m/s2" in judge(ITEMS["blocks"], samples_of(ROVER, still), ROVER).cause
    silent = [(None, None)] * 400
    for key in ("blocks", "tilt.nose", "turn.left"):
        assert (
            "nothing arrives from the IMU"
            in judge(ITEMS[key], samples_of(ROVER, silent), ROVER).cause
        )
    assert "before anything was done" in judge(ITEMS["blocks"], [], ROVER).cause


def test_items_follow_the_rover_and_wait_for_each_other():
    """No brake, no item; what rests on something broken is not tried."""
    rover = replace(ROVER, live={"without_brake": ["rl", "rr"]})
    keys = [item.key for item in items(rover)]
    assert "brake.fl" in keys
    assert "brake.rl" not in keys
    assert ITEMS["brake.fl"].waits_for(["wheel.rr", "tilt.nose"]) == ["wheel.rr"]
    assert ITEMS["wheel.fl"].waits_for(["blocks"]) == []
    assert ITEMS["crawl"].waits_for(["brake.fl"]) == ["brake.fl"]
    assert all(ITEMS["crawl"].waits_for([key]) for key in keys if key != "crawl")


# -- the record ----------------------------------------------------------------------------------

YAML = """\
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075,
        max_steer_deg: 25, steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
plugins: {mock-actuator: {}}
"""


def signed(config, state="passed", **changes):
    made = [
        Result(key=item.key, state=state, value=1.0, low=0.5, unit="m") for item in items(config)
    ]
    words = {"rover": "rover.yaml", "source": "plugins", "who": "A. Builder"} | changes
    return record_text(made, config, date="2026-03-01", version="0.1.0", **words)


def test_the_hash_is_of_what_drives_the_rover():
    """Comments, order and what nothing reads do not count; every other setting does."""
    first = config_hash(Config.parse(YAML))
    assert config_hash(Config.parse("# a comment\n" + YAML)) == first
    assert config_hash(Config.parse("\n".join(reversed(YAML.split("\n", 2)[2].splitlines())) + "\n"
                                    + "\n".join(YAML.splitlines()[:2]))) == first  # fmt: skip
    assert config_hash(Config.parse(YAML + "hardware: {disc_radius_m: 0.02}\n")) == first
    for old, new in (
        ("track_m: 0.30", "track_m: 0.31"),
        ("mock-actuator: {}", "mock-actuator: {x: 1}"),
        ("quadrature}", "quadrature, rate_hz: 90}"),
    ):
        assert config_hash(Config.parse(YAML.replace(old, new))) != first, new
    assert config_hash(Config.parse(YAML + "live: {rate_hz: 100}\n")) != first


def test_run_says_what_the_record_says(tmp_path):
    """None, the right one, an older one, one with gaps, one of the simulator, a broken one."""
    rover = tmp_path / "rover.yaml"
    rover.write_text(YAML)
    config = Config.load(rover)
    path = record_path(rover)
    assert path == tmp_path / "rover.commissioned.yaml"
    assert standing(rover, config).startswith("not commissioned: no rover.commissioned.yaml")
    path.write_text(signed(config))
    assert standing(rover, config) == ""
    changed = config.with_changes(rover__track_m=0.31)
    assert "changed since it was commissioned on 2026-03-01" in standing(rover, changed)
    path.write_text(signed(config).replace("state: passed", "state: skipped", 1))
    assert standing(rover, config) == "commissioned on 2026-03-01, but without blocks"
    path.write_text(signed(config, source="simulate"))
    assert "no wire of this rover was tried" in standing(rover, config)
    path.write_text("date: 2026-03-01\n")
    with pytest.raises(ConfigError, match=r"commissioned.yaml:1: config_sha256: missing"):
        standing(rover, config)
    assert _not_commissioned(rover, config).startswith(f"not commissioned: {path}")


def test_the_record_holds_what_was_signed():
    """Date, who, what, how it went."""
    record = yaml.safe_load(signed(ROVER))
    assert record["date"] == "2026-03-01"
    assert record["who"] == "A. Builder"
    assert record["slipguard"] == "0.1.0"
    assert record["config_sha256"] == config_hash(ROVER)
    assert list(record["items"]) == [item.key for item in items(ROVER)]
    assert record["items"]["kill"] == {"state": "passed", "value": 1.0, "limits": "at least 0.5 m"}


def test_a_record_is_never_lost(tmp_path):
    """Written whole, never over another unless told to, and then the other is kept."""
    path = tmp_path / "rover.commissioned.yaml"
    assert save_record(path, "first\n", again=False) is None
    with pytest.raises(RecordingError, match="already there"):
        save_record(path, "second\n", again=False)
    assert path.read_text() == "first\n"
    kept = save_record(path, "second\n", again=True)
    assert kept == tmp_path / "rover.commissioned.1.yaml"
    assert (kept.read_text(), path.read_text()) == ("first\n", "second\n")
    assert sorted(p.name for p in tmp_path.iterdir()) == [kept.name, path.name]
    with pytest.raises(RecordingError, match="cannot write"):
        save_record(tmp_path / "nowhere" / "x.yaml", "", again=False)


# -- the command ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "name the rover file with --rover FILE"),
        (["--rover", "R", "--source", "hands"], "expected plugins, simulate or replay:DRIVE"),
        (["--rover", "R"], "say who signs the record"),
        (["--rover", "R", "--only", "wheel.xx"], "--only wheel.xx: expected one of blocks, wheel"),
    ],
)
def test_wrong_usage_is_told(words, said, tmp_path, capsys):
    """Before an hour on the bench."""
    path = tmp_path / "rover.yaml"
    path.write_text(YAML)
    assert main(["commission", *[str(path) if w == "R" else w for w in words]]) == Exit.USAGE
    assert said in " ".join(capsys.readouterr().err.replace("│", " ").split())


def test_a_session_is_recorded_and_judged_again(tmp_path, capsys):
    """A recording of the bench says the same, and nobody can sign a simulated one."""
    folder = tmp_path / "runs"
    words = ["commission", "--source", "simulate", "--only", "wheel.fl"]
    assert main([*words, "--record", str(folder)]) == Exit.DONE
    out = capsys.readouterr().out
    assert "passed  wheel.fl: front left wheel turned by hand" in out
    assert "compared: 1, must be 0.85 to 1.15 turns" in out
    (drive,) = folder.glob("*/drive-000.csv")
    found = {r.key: r for r in judge_recording(open_recording(drive), DEMO_ROVER, ITEMS.values())}
    assert found["wheel.fl"].state == "passed"
    assert found["wheel.fl"].value == pytest.approx(1.0, abs=0.05)
    assert found["wheel.rr"].state == "skipped"
    rover = tmp_path / "rover.yaml"
    rover.write_text(YAML)
    words = ["commission", "--rover", str(rover), "--source", f"replay:{drive}", "--who", "me"]
    assert main(words) == Exit.RECORDING
    assert "recorded on the simulated bench" in capsys.readouterr().err
    assert not record_path(rover).exists()


class Typed:
    """Somebody who turns these wheels when asked, and types these words."""

    def __init__(self, rover, wheels, words):
        self._rover, self._wheels, self._words = rover, list(wheels), list(words)

    def ask(self, question, letters):
        if "s" in letters:
            self._rover.do(ITEMS[self._wheels.pop(0)])

    def pressed(self):
        return self._rover.done()

    def take(self):
        return self._words.pop(0)


@pytest.mark.parametrize(
    ("words", "states", "end"),
    [
        (["", "", ""], ["failed", "passed"], "passed"),
        (["", "n"], ["failed"], "failed"),
        (["s the wheel is off"], ["skipped"], "skipped"),
    ],
)
def test_an_item_is_tried_again_until_it_is_passed(words, states, end):
    """A failed item is no end: mend it and try again, leave it, or skip it and say why."""
    clock = VirtualClock()
    rover = BenchRover(ROVER, 1, clock)
    host = rover.host(ROVER, clock, threads=False)
    shown = []
    keys = Typed(rover, ["wheel.rr", "wheel.fl"], words)
    with Loop(
        ROVER, settings=SETTINGS, host=host, operator=rover, clock=clock, threads=False
    ) as loop:
        loop.arm()
        found = _by_hand(
            Session(loop), ITEMS["wheel.fl"], keys, lambda item, result: shown.append(result.state)
        )
        assert rover.actuators.throttle == 0.0
    assert (shown, found.state) == (states, end)
    if end == "skipped":
        assert found.cause == "skipped: the wheel is off"


class Terminal:
    """``slipguard commission`` in a real pseudo-terminal, and somebody at its keyboard."""

    def __init__(self, *words: str) -> None:
        command = [sys.executable, "-m", "slipguard", "commission", "--source", "simulate"]
        command += ["--rehearse", *words]
        self._pid, self._fd = pty.fork()  # it is the terminal of the program, so that Ctrl-C works
        if self._pid == 0:
            os.execv(sys.executable, command)
        self.text = ""
        self._from = 0

    def answer(self, question: str, keys: str) -> str:
        """Wait for a question, type; what was printed since the last one."""
        until = time.monotonic() + PATIENCE_S
        while (at := self.text.find(question, self._from)) < 0:
            assert time.monotonic() < until, self.text
            self._read()
        seen, self._from = self.text[self._from : at], at + len(question)
        os.write(self._fd, keys.encode())
        return seen

    def end(self) -> tuple[int, str]:
        """Exit code, and all that was printed after the last question."""
        while self._read():
            pass
        os.close(self._fd)
        _, status = os.waitpid(self._pid, 0)
        return os.waitstatus_to_exitcode(status), self.text[self._from :]

    def _read(self) -> bool:
        try:
            part = os.read(self._fd, 65536)
        except OSError:  # Linux tells the end of a terminal so
            return False
        self.text += part.decode().replace("\r\n", "\n")
        return bool(part)


PATIENCE_S = 120.0
DONE = "Enter when it is done; s REASON skips it; q ends."


@pytest.mark.large
def test_the_keyboard_answers():
    """Enter tries, a reason skips, a slip of the finger is told and does nothing."""
    seat = Terminal("--only", "wheel.fl", "--only", "wheel.fr")
    seat.answer(DONE, "yes\n")
    seat.answer(f"'yes' is no answer. {DONE}", "s\n")
    seat.answer("Say why, for the record", "stop\n")
    seat.answer(f"'stop' is no answer. {DONE}", "\n")
    assert "passed  wheel.fl:" in seat.answer(DONE, "s no encoder on it\n")
    code, told = seat.end()
    assert code == Exit.DONE
    assert "likely: skipped: no encoder on it" in told
    assert "makes no record" in told


@pytest.mark.large
def test_the_whole_bench_at_the_keyboard(tmp_path):
    """Item by item to the record, which holds what was skipped and why."""
    path = tmp_path / "signed.yaml"
    seat = Terminal("--who", "A. Builder", "--out", str(path))
    for item in ITEMS:
        seat.answer(DONE, "s no encoder on it\n" if item == "wheel.fl" else "\n")
    code, told = seat.end()
    assert code == Exit.DONE, told
    signed_ = yaml.safe_load(path.read_text())["items"]
    assert signed_.pop("wheel.fl") == {"state": "skipped", "why": "skipped: no encoder on it"}
    assert {item["state"] for item in signed_.values()} == {"passed"}


@pytest.mark.parametrize(
    "key",
    [
        pytest.param("q\n", id="q"),
        pytest.param("\x03", id="Ctrl-C", marks=pytest.mark.large),
        pytest.param("\x04", id="end of input", marks=pytest.mark.large),
    ],
)
def test_whoever_leaves_the_keyboard_has_no_record(key, tmp_path):
    """By q, Ctrl-C or Ctrl-D: what was not tried is named, nothing is written."""
    path = tmp_path / "signed.yaml"
    seat = Terminal("--who", "A. Builder", "--out", str(path), "--only", "wheel")
    seat.answer(DONE, "\n")
    seat.answer(DONE, key)
    code, told = seat.end()
    assert code == Exit.NOT_ARMED
    assert "slipguard: not commissioned. " in told
    assert "not tried: wheel.fr, wheel.rl, wheel.rr" in " ".join(told.split())
    assert "Traceback" not in told
    assert not path.exists()


@pytest.mark.large
@pytest.mark.parametrize("steered", ["skid", "rear", "both"])
def test_other_ways_to_steer_pass_too(steered):
    """Whatever steers it, and a rover that does not steer its wheels at all."""
    config = ROVER.with_changes(rover__steered=steered)
    keys = ("blocks", "wheel.rr", "brake.rl", "tilt.left", "turn.left", "kill", "link", "crawl")
    assert {r.state for r in bench(*keys, config=config).values()} == {"passed"}


@pytest.mark.parametrize("commissioned", [False, True])
def test_run_warns_the_driver(commissioned, tmp_path, monkeypatch, capsys):
    """As an alert, so that it is in the recording and reaches whoever is told of alerts."""
    from slipguard.cli import run

    path = tmp_path / "rover.yaml"
    path.write_text(YAML)
    if commissioned:
        record_path(path).write_text(signed(Config.load(path)))
    real = run._loop

    def on_a_desk(config, settings, source, *rest):
        return real(config, settings, "simulate:parking_motor_cut", *rest)

    monkeypatch.setattr(run, "_loop", on_a_desk)
    assert main(["run", "--rover", str(path), "--check"]) == Exit.DONE
    told = capsys.readouterr().out
    assert "Armed: every check passed." in told
    warned = "warning   not commissioned: no rover.commissioned.yaml beside the rover file"
    assert (warned in told) != commissioned


@pytest.mark.parametrize("age_s", [math.inf, math.nan])
def test_a_link_whose_age_is_no_number_counts_as_lost(age_s):
    """As the guard takes it: a receiver that says so has no link, and is no cut link untried."""
    collector, guard = Collector(DEMO_ROVER), Guard(DEMO_ROVER)
    for t_s, age in ((0.0, 0.1), (0.1, age_s), (0.2, None)):
        reading = Reading(t_s=t_s, command_age_s=age)
        decision = guard.step(reading)
        collector.take(reading, decision, sent=0.0, brakes=decision.brakes)
    assert [s.command_age_s for s in collector.samples] == [0.1, math.inf, math.inf]
