"""The documents keep their word: code runs, names exist, tables are complete, links lead on."""

from __future__ import annotations

import math
import random
import re
import runpy
import shlex
import signal
import subprocess
import sys
import time
from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import get_args

import pytest
import yaml
from demo import ROVER, cut
from synthetic import QUICK

import slipguard
from slipguard import Config, ConfigError, Decision, Estimate, Guard, Hold, Reading
from slipguard.cli import main
from slipguard.cli.exits import MEANING
from slipguard.config import settings_table
from slipguard.finding import Kind
from slipguard.plugin.contract import check_object
from slipguard.recording import labels_path, load_labels, open_recording
from slipguard.recording.columns import KNOWN
from slipguard.replay import replay
from slipguard.score import EpisodeLog, score

HOME = Path(__file__).parent.parent
README = (HOME / "README.md").read_text(encoding="utf-8")
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
SLOW = ("calibration_drives.py", "tune_thresholds.py", "run_on_simulator.py")
EXAMPLES = sorted((HOME / "examples").glob("*.py"))

HIDDEN = {".git", ".venv", "build"}

SET_UP = (
    "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/slipguard replay "
    "replay/wet_clay_uphill.csv.gz"
)
TEST = ".venv/bin/pip install '.[test]' && .venv/bin/python -m pytest"


def blocks(language: str, text: str = README) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.S | re.M)


def section(title: str, text: str = README) -> str:
    """What stands under a heading, up to the next of its level."""
    level = re.search(rf"^(#+) {re.escape(title)}$", text, re.M)
    assert level, f"no heading {title!r}"
    return re.split(rf"^#{{1,{len(level[1])}}} ", text[level.end() :], maxsplit=1, flags=re.M)[0]


def test_nothing_is_installed_by_name_from_an_index():
    """slipguard and its plugins are on none: what has their name there is somebody else's."""
    kinds = {".md", ".py", ".toml", ".template", ".service"}
    paths = [p.relative_to(HOME) for p in HOME.rglob("*") if p.suffix in kinds]
    texts = {p: (HOME / p).read_text(encoding="utf-8") for p in paths if not HIDDEN & set(p.parts)}
    assert len(texts) > 100
    by_name = re.compile(r"pip install [^\n`]*?(?<![\w/.-])slipguard[\w-]*[\[\w' \n]")
    assert {str(p): found[0] for p, text in texts.items() if (found := by_name.search(text))} == {}


def first_column(text: str) -> list[str]:
    """The first cell of every row of the tables in a text, their headings left out."""
    found = []
    for table in re.findall(r"(?:^\|.*\n)+", text, re.M):
        found += [line.split("|")[1].strip() for line in table.splitlines()[2:]]
    return found


@pytest.fixture
def in_home(monkeypatch):
    monkeypatch.chdir(HOME)


# -- set-up -------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [SET_UP, TEST])
def test_the_two_commands_stand_on_lines_of_their_own(command):
    """They are copied by people, and run by .ci/run as the first line that holds them."""
    key = command.split(" && ")[-1].split("wet_clay")[0]
    lines = [line for line in README.splitlines() if key in line]
    assert lines[0] == command
    assert (HOME / "replay" / "wet_clay_uphill.csv.gz").is_file()


def test_the_job_and_the_cautions_come_first():
    """Nobody should get to a command before having read what can hurt."""
    headings = re.findall(r"^## (.*)$", README, re.M)
    assert headings[0] == "Cautions"
    cautions = section("Cautions")
    for word in (
        "Wheels off the ground",
        "kill switch",
        "LiPo",
        "not a certified safety function",
        "can hang",
        "fail-safe",
        "Local rules and qualified practice",
    ):
        assert word in cautions
    job = README.split("## Cautions")[0].strip().splitlines()
    assert len([line for line in job if line]) == 2, "a title and one paragraph"


# -- code ---------------------------------------------------------------------------------------


class Bench:
    """Stands in for ``my_rover``: the made-up rover of examples/embed.py behind its names."""

    def __init__(self) -> None:
        rover = runpy.run_path(str(HOME / "examples" / "embed.py"))["Rover"]
        self.readings = list(rover().readings())
        self.tick = -1
        self.throttle: list[float] = []
        self.levels: list[tuple[float, ...]] = []
        self.told: list[str] = []

    @property
    def now(self) -> Reading:
        return self.readings[max(self.tick, 0)]

    def is_open(self) -> bool:
        self.tick += 1
        return self.tick < len(self.readings)

    def module(self) -> ModuleType:
        made = ModuleType("my_rover")
        made.encoders = SimpleNamespace(read=lambda: self.now.counts)
        made.imu = SimpleNamespace(read=lambda: (self.now.accel_mps2, self.now.gyro_radps))
        made.motor = SimpleNamespace(set=self.throttle.append)
        made.brakes = SimpleNamespace(set=self.levels.append)
        made.tell_driver = lambda level, message: self.told.append(f"{level}: {message}")

        class Link:
            motor_enabled = True
            is_open = staticmethod(self.is_open)
            age_s = staticmethod(lambda: 0.02)
            throttle = property(lambda _: self.now.throttle)
            steer = property(lambda _: self.now.steer)

        made.link = Link()
        return made


def test_the_embedding_code_runs_and_does_its_job(tmp_path, monkeypatch):
    """The first code a user copies: it brakes the wheel that spins, and ends motor off, held."""
    code = next(block for block in blocks("python") if "my_rover" in block)
    lines = [line for line in code.splitlines() if line.strip()]
    assert len(lines) <= 30
    bench = Bench()
    monkeypatch.setitem(sys.modules, "my_rover", bench.module())
    monkeypatch.setattr(time, "monotonic", lambda: bench.now.t_s)
    monkeypatch.setattr(time, "sleep", lambda seconds: None)
    monkeypatch.setattr(signal, "signal", lambda *_: None)  # this process is not to end so
    (tmp_path / "rover.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {"__name__": "readme"})
    assert len(bench.throttle) == len(bench.readings) + 1
    spinning = [
        levels
        for reading, levels in zip(bench.readings, bench.levels, strict=False)
        if 3.1 < reading.t_s < 3.9
    ]
    assert all(levels[0] > 0.1 and not any(levels[1:]) for levels in spinning)
    assert any("wheel spin fl" in message for message in bench.told)
    assert (bench.throttle[-1], bench.levels[-1]) == (0.0, (1.0, 1.0, 1.0, 1.0))


KILLED = """
import os, signal, types

from slipguard import Reading


def set_brakes(levels):
    print("brakes", levels)
    if len(told) > 20 and levels != (1.0, 1.0, 1.0, 1.0):
        os.kill(os.getpid(), signal.SIGTERM)


def counts():
    told.append(1)
    return (0, 0, 0, 0)


told = []
imu = types.SimpleNamespace(read=lambda: ((0.0, 0.0, 9.81), (0.0, 0.0, 0.0)))
encoders = types.SimpleNamespace(read=counts)
motor = types.SimpleNamespace(set=lambda throttle: print("motor", throttle))
brakes = types.SimpleNamespace(set=set_brakes)
tell_driver = print


class Link:
    is_open = staticmethod(lambda: True)
    motor_enabled, steer, age_s = True, 0.0, staticmethod(lambda: 0.0)
    throttle = property(lambda _: 0.5 if len(told) > 10 else 0.0)


link = Link()
"""
"""``my_rover`` of somebody whose program is ended by ``kill`` while it drives."""


def test_the_embedding_code_stops_the_motor_when_it_is_ended(tmp_path):
    """A service that is stopped, or ``kill``, must not leave the motor at its last command."""
    code = next(block for block in blocks("python") if "my_rover" in block)
    (tmp_path / "my_rover.py").write_text(KILLED, encoding="utf-8")
    (tmp_path / "my_loop.py").write_text(code, encoding="utf-8")
    (tmp_path / "rover.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "my_loop.py"], cwd=tmp_path, capture_output=True, text=True, timeout=60
    )
    assert done.stdout.splitlines()[-2:] == ["motor 0.0", "brakes (1.0, 1.0, 1.0, 1.0)"]


@pytest.mark.large
def test_the_other_code_of_the_readme_runs(in_home, capsys):
    """Code that was never run is code that does not work."""
    others = [block for block in blocks("python") if "from my_" not in block]
    assert len(others) == 2
    for code in others:
        exec(compile(code, "README.md", "exec"), {"__name__": "readme"})
    out = capsys.readouterr().out
    assert "critical: rolling" in out
    assert "across_s=" in out


def test_the_recording_code_writes_a_drive_with_its_labels(tmp_path, monkeypatch):
    """The way from somebody's own program to everything that takes a drive."""
    (code,) = (block for block in blocks("python") if "import readings" in block)
    rows = [
        (Reading(t_s=20.0 + k, counts=(k,) * 4), "rolls!" if k == 2 else None) for k in range(4)
    ]
    monkeypatch.setitem(sys.modules, "my_rover", SimpleNamespace(readings=lambda: rows))
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {"__name__": "readme"})
    drive = open_recording("drive.csv")
    assert [row.marker or None for row in drive] == [note for _, note in rows]
    assert [row.reading for row in drive] == [reading for reading, _ in rows]
    assert [event.kind for event in drive.labels.events or ()] == ["rolling"]


def test_the_sensor_source_shown_is_one(monkeypatch):
    """Copied into a project of its own it must pass what the host asks of it."""
    (code,) = (block for block in blocks("python") if "my_board" in block)
    newest = iter([(1, 2, 3, 4), None])
    board = SimpleNamespace(newest=lambda: next(newest), close=lambda: None)
    monkeypatch.setitem(sys.modules, "my_board", SimpleNamespace(Board=lambda: board))
    made: dict[str, object] = {"__name__": "readme"}
    exec(compile(code, "README.md", "exec"), made)
    kept: list[type] = []
    made["slipguard_register"](SimpleNamespace(sensor_source=kept.append))
    source = kept[0]()
    check_object("sensor source", source)
    source.open()
    assert source.read().counts == (1, 2, 3, 4)
    assert source.read() is None
    source.close()


@cache
def started(path: Path) -> subprocess.CompletedProcess[str]:
    """An example, started once."""
    return subprocess.run([sys.executable, path], capture_output=True, text=True, timeout=120)


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(p, id=p.name, marks=pytest.mark.large if p.name in SLOW else ())
        for p in EXAMPLES
    ],
)
def test_examples_run(path):
    """Examples are started as their own first lines say, from anywhere."""
    done = started(path)
    assert done.returncode == 0, done.stderr
    assert done.stdout
    assert not done.stderr


def test_the_embedding_example_shows_a_wheel_braked():
    """What it is there for: the one wheel that spins is found and braked, and no other."""
    out = started(HOME / "examples" / "embed.py").stdout
    assert re.search(r"found: wheel_spin fl +brakes: fl +hold: off", out)
    assert set(re.findall(r"wheel_spin (\w\w)", out)) == {"fl"}
    assert "hold: releasing" in out


def test_the_replay_example_scores(tmp_path, capsys):
    """What it is there for: findings with their reasons, and what part of the labels was found."""
    example = runpy.run_path(str(HOME / "examples" / "replay_drive.py"), run_name="__not_main__")
    example["main"](cut("parking_on_the_bank", 13.0, 18.0, tmp_path), ROVER)
    out = capsys.readouterr().out
    assert "rolling: moves backward" in out
    assert "rolling: 1 of 1 labelled events found, 0 false alarms" in out


# -- what is claimed ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clay_log() -> EpisodeLog:
    """The drive of the set-up command, replayed."""
    log = EpisodeLog()
    config = Config.load(HOME / "replay" / "rover.yaml")
    drive = open_recording(HOME / "replay" / "wet_clay_uphill.csv.gz")
    for decision in replay(drive, Guard(config, QUICK)):
        log.add(decision.t_s, decision.findings)
    return log


def test_the_output_shown_is_that_of_the_replay(clay_log):
    """A reader who runs the command must see what the README shows, but for the last digits."""
    shown = re.findall(
        r"^ (wheel \w+|\w+) +(fl|fr|rl|rr)? +(\d+\.\d+) +(\d+\.\d+) +\S+ \S+ +\S+ \S+$",
        blocks("text")[0],
        re.M,
    )
    real = clay_log.episodes()
    assert len(shown) == len(real)
    for (kind, wheel, start_s, length_s), episode in zip(shown, real, strict=True):
        assert (kind.replace(" ", "_"), wheel or None) == (episode.kind, episode.wheel)
        assert float(start_s) == pytest.approx(episode.start_s, abs=0.1)
        assert float(length_s) == pytest.approx(episode.end_s - episode.start_s, abs=0.3)


def test_everything_was_found_and_nothing_invented(clay_log):
    """The README says so of that drive."""
    labels = load_labels(labels_path(HOME / "replay" / "wet_clay_uphill.csv.gz"))
    scores = score(clay_log.episodes(), labels.events or ())
    rows = re.findall(r"^ (\w+(?: \w+)?) +(\d+) +(\d+) +100% +0 ", blocks("text")[0], re.M)
    assert {(k.replace(" ", "_"), int(n), int(f)) for k, n, f in rows} == {
        (kind, s.labelled, len(s.found)) for kind, s in scores.items()
    }
    assert all(s.recall == 1.0 and not s.false_alarms for s in scores.values())


def test_the_table_of_engines_is_that_of_the_bench():
    """Two places of one measurement, written by one program."""
    script = runpy.run_path(str(HOME / ".docs" / "show_bench.py"))
    whole = script["BLOCK"].findall((HOME / "DEVELOPERS.md").read_text(encoding="utf-8"))
    short = script["BLOCK"].findall(README)
    assert (len(whole), len(short)) == (1, 1)
    assert script["ENGINES"].search(whole[0])[0] == short[0]


@pytest.mark.large
def test_help_is_worth_what_the_readme_says():
    """The two simulated drives in the README's table, with and without help."""
    from slipguard.simulate import make, run, summarise

    config = Config.load(HOME / "replay" / "rover.yaml")

    def outcome(name, seed, helper):
        return summarise(run(make(name, seed, config), config, seed, helper))

    table = section("Simulated drives")
    assert "gets 0.14 m far and is stuck | is across after 5 s" in table
    alone = outcome("clay_uphill", 3, None)
    assert alone.across_s is None
    assert alone.farthest_m == pytest.approx(0.14, abs=0.02)
    assert outcome("clay_uphill", 3, Guard(config, QUICK)).across_s == pytest.approx(5.0, abs=0.5)
    assert "rolls away, 13 m | moves less than 1 mm" in table
    assert outcome("parking_motor_cut", 4, None).rolled_m == pytest.approx(13.0, abs=1.0)
    assert outcome("parking_motor_cut", 4, Guard(config, QUICK)).rolled_m < 0.001


def made_up(seconds: float, rim_mps, accel_mps2, throttle=lambda t: 0.0):
    """Decisions on a straight, level drive in which all four wheels turn alike."""
    guard = Guard(Config.load(HOME / "replay" / "rover.yaml"), QUICK)
    noise, travel_m, dt_s = random.Random(2), 0.0, 0.005
    for tick in range(round(seconds / dt_s)):
        t_s = tick * dt_s
        travel_m += rim_mps(t_s) * dt_s
        count = math.floor(travel_m / (2 * math.pi * 0.075) * 96 + 0.3)
        force = (accel_mps2(t_s), 0.0, 9.80665)
        yield guard.step(
            Reading(
                t_s=t_s,
                counts=[count] * 4 if tick % 2 == 0 else None,
                accel_mps2=[f + noise.gauss(0, 0.08) for f in force],
                gyro_radps=[noise.gauss(0, 0.004) for _ in range(3)],
                throttle=throttle(t_s),
                steer=0.0,
                motor_enabled=True,
                command_age_s=0.02,
            )
        )


def test_slip_that_grows_slowly_on_all_wheels_is_not_seen():
    """The README warns of it; should it be seen one day, the warning must go."""
    assert "All wheels gaining slip slowly together" in section("What the estimator cannot see")
    decisions = list(
        made_up(
            10.0,
            rim_mps=lambda t: min(0.5, max(0.0, t - 1) * 0.5) + max(0.0, t - 2) * 0.03,
            accel_mps2=lambda t: 0.5 if 1 <= t < 2 else 0.0,
            throttle=lambda t: 0.4 if t >= 1 else 0.0,
        )
    )
    assert not any(decision.findings for decision in decisions)
    end = decisions[-1].estimate
    assert end.speed_mps - 0.5 > 5 * end.speed_sd_mps, "wrong, and sure of it"


def test_a_steady_slide_is_taken_for_standstill():
    """First it slides, then it rests, though it never slowed down: no sensor could tell."""
    assert "A steady slide looks like rest" in section("What the estimator cannot see")
    decisions = list(
        made_up(
            6.0,
            rim_mps=lambda t: min(1.0, max(0.0, t - 1)) if t < 3 else 0.0,
            accel_mps2=lambda t: 1.0 if 1 <= t < 2 else 0.0,
            throttle=lambda t: 0.4 if 1 <= t < 2.9 else 0.0,
        )
    )
    sliding = [d.t_s for d in decisions if any(f.kind == "sliding" for f in d.findings)]
    assert sliding
    assert 3.0 < sliding[0] < sliding[-1] < 4.5
    assert decisions[-1].estimate.at_rest
    assert decisions[-1].hold is Hold.HOLDING


def test_accelerometer_bias_reads_as_grade():
    """0.3 m/s2 is 3 % of slope: tan(asin(0.3 / 9.80665)) = 0.0306."""
    assert "A bias of 0.3 m/s² reads as 3 % of slope" in section("What the estimator cannot see")
    *_, end = made_up(2.0, rim_mps=lambda t: 0.0, accel_mps2=lambda t: 0.3)
    assert math.tan(end.estimate.grade_rad) == pytest.approx(0.0306, abs=0.002)


def test_sensors_that_decide_nothing_decide_nothing():
    """The README tells builders not to fit these for the guard's sake."""
    config = Config.parse(blocks("yaml")[0])
    rover = runpy.run_path(str(HOME / "examples" / "embed.py"))["Rover"]
    plain, extra = Guard(config, QUICK), Guard(config, QUICK)
    names = ("motor_current_a", "motor_speed_radps", "battery_v")
    assert "no decision rests on them" in section("Optional sensors")
    for reading in rover().readings():
        given = {f.name: getattr(reading, f.name) for f in fields(Reading)}
        given |= dict.fromkeys(names, 7.0 + reading.t_s)
        assert plain.step(reading) == extra.step(Reading(**given))


def test_the_error_shown_is_the_one_given():
    """An error message in a document teaches how to read the real ones."""
    shown = next(block for block in blocks("text") if "unknown key" in block).strip()
    wrong = blocks("yaml")[0].replace("counts_per_rev:", "counts_per_revv:")
    with pytest.raises(ConfigError) as caught:
        Config.parse(wrong, source="rover.yaml")
    assert shown == f"slipguard: {caught.value}"


# -- names --------------------------------------------------------------------------------------


def commands(text: str) -> list[str]:
    """Every ``slipguard ...`` command in code, in blocks or in a line."""
    code = [*blocks("sh", text), *re.findall(r"`([^`\n]+)`", text)]
    parts = (part.strip() for block in code for part in re.split(r"\n| && ", block))
    matches = (re.match(r"(?:\.venv/bin/)?slipguard ((?:[a-z]|--).*)", part) for part in parts)
    return [match[1] for match in matches if match]


@pytest.mark.parametrize(
    "command", sorted({c for name in DOCUMENTS[:2] for c in commands((HOME / name).read_text())})
)
def test_commands_and_their_options_exist(command, capsys):
    """A command in a document that does not exist costs the reader's trust."""
    words = shlex.split(command)
    path = words[: 2 if words[0] in ("plugins", "calibrate") else 1]
    assert main([*path, "--help"]) == 0
    text = capsys.readouterr().out
    assert re.search(rf"^Usage: slipguard {' '.join(path)} ", text, re.M)
    for option in re.findall(r"--[a-z-]+", command):
        assert option in text


def test_every_command_is_in_the_readme(capsys):
    """Commands nobody reads about are used by nobody."""
    documented = " ".join(first_column(section("Commands")))
    assert main(["--help"]) == 0
    listed = capsys.readouterr().out.split("Commands:")[1].split("Exit codes")[0]
    for name in re.findall(r"^  (\w+) ", listed, re.M):
        assert f"`slipguard {name}" in documented
    rows = [line for line in section("Commands").splitlines() if line.startswith("| `slipguard")]
    for row in rows:
        words = row.split("`")[1].split()[1:]
        assert main([*[w for w in words if w.islower()], "--help"]) == 0
        text = capsys.readouterr().out
        for option in re.findall(r"--[a-z-]+", row):
            assert option in text, row


def test_exit_codes_are_complete():
    """Scripts rely on them."""
    rows = re.findall(r"^\| (\d+) \| (.*) \|$", section("Commands"), re.M)
    assert rows == [(str(int(code)), text) for code, text in MEANING.items()]


def test_settings_named_exist():
    """A key that does not exist is refused when a reader writes it into the rover file."""
    known = {f"{row.section}.{row.key}" for row in settings_table()}
    sections = {name.split(".")[0] for name in known}
    for name in DOCUMENTS[:2]:
        text = (HOME / name).read_text(encoding="utf-8")
        named = {
            name
            for name in re.findall(r"`(\w+\.\w+)`", text)
            if name.split(".")[0] in sections and not name.endswith((".py", ".yaml"))
        }
        assert named <= known, name
        assert named


def test_every_required_key_is_explained():
    """The rover file shown is enough, each key in it has a row, and it drives like the demo drives'
    rover, whose file has data sheets besides."""
    config = Config.parse(blocks("yaml")[0])
    whole = Config.load(HOME / "replay" / "rover.yaml")
    assert replace(config, hardware=whole.hardware) == whole
    keys = {f"{s}.{k}" for s, values in yaml.safe_load(blocks("yaml")[0]).items() for k in values}
    assert keys <= {cell.strip("`") for cell in first_column(section("Describe your rover"))}


def test_labels_shown_can_be_read(tmp_path):
    """Builders write this file by hand, from the README's."""
    text = next(block for block in blocks("yaml") if "events:" in block)
    (tmp_path / "drive.yaml").write_text(text, encoding="utf-8")
    labels = load_labels(tmp_path / "drive.yaml")
    assert [event.kind for event in labels.events or ()] == ["wheel_spin", "rolling"]


def test_every_finding_is_explained():
    """A driver who sees a finding looks it up here."""
    assert sorted(first_column(section("What it finds"))) == sorted(
        f"`{kind}`" for kind in get_args(Kind)
    )


def test_every_column_is_explained():
    """Builders write recordings with their own tools, from this table."""
    named = re.findall(r"`(\w+)`", " ".join(first_column(section("Record your own drives"))))
    assert set(named) == KNOWN


def test_every_demo_drive_is_described():
    """The page beside the demo drives lists exactly what is there."""
    listed = {
        cell.strip("`")
        for cell in first_column((HOME / "replay" / "README.md").read_text(encoding="utf-8"))
    }
    there = {
        path.relative_to(HOME / "replay").as_posix().split(".csv")[0]
        for path in (HOME / "replay").rglob("*.csv*")
    }
    assert listed == there


def test_fields_used_exist():
    """``decision.x`` and the like, in code and in words."""
    kinds = {"decision": Decision, "reading": Reading, "estimate": Estimate}
    for name in DOCUMENTS[:2]:
        text = (HOME / name).read_text(encoding="utf-8")
        for owner, attribute in re.findall(r"\b(decision|reading|estimate)\.(\w+)", text):
            if attribute != "py":
                assert hasattr(kinds[owner], attribute), f"{name}: {owner}.{attribute}"


def test_the_picture_is_drawn_from_names_that_exist():
    """Picture and code must not drift apart."""
    script = runpy.run_path(str(HOME / ".docs" / "draw_data_flow.py"))
    assert script["draw"]() == script["PICTURE"].read_text(encoding="utf-8"), (
        "draw it again: python .docs/draw_data_flow.py"
    )
    for title, (_, names) in script["BOXES"].items():
        known = (
            get_args(Kind)
            if title == "Finding"
            else [f.name for f in fields(getattr(slipguard, title))]
        )
        assert set(names) <= set(known), title
    assert set(script["BOXES"]["Finding"][1]) == set(get_args(Kind))


# -- links --------------------------------------------------------------------------------------


def anchors(path: Path) -> set[str]:
    """Anchors of the headings of a Markdown file, as code hosts make them."""
    text = re.sub(r"^```.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.S | re.M)
    titles = re.findall(r"^#+ (.*)$", text, re.M)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere(name):
    """Links to files and headings of the project."""
    text = (HOME / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)\s]+)\)", text)
    assert links
    for link in links:
        if link.startswith("https://"):
            continue
        file, _, anchor = link.partition("#")
        target = HOME / file if file else HOME / name
        assert target.exists(), link
        if anchor:
            assert anchor in anchors(target), link


@pytest.mark.parametrize("name", DOCUMENTS[:2])
def test_files_named_in_code_exist(name):
    """Paths in backquotes: a guide to files that moved is no guide."""
    text = (HOME / name).read_text(encoding="utf-8")
    for path in re.findall(
        r"`((?:slipguard|tests|examples|plugins|replay|\.docs|\.ci)/[\w./-]*)`", text
    ):
        assert (HOME / path).exists(), path


@pytest.mark.parametrize("path", [*(HOME / n for n in DOCUMENTS), *EXAMPLES], ids=lambda p: p.name)
def test_documents_name_no_place_on_a_machine(path):
    """Where somebody's copy lies is of no use to a reader."""
    text = path.read_text(encoding="utf-8")
    assert not re.findall(r"(?<![\w.])/(?:work|tmp|home|root|Users|mnt|opt|usr)\b\S*", text)
    assert not re.findall(r"\b(?:localhost|127\.0\.0\.1)\b", text)
