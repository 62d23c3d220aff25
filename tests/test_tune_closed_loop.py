"""Tuning in the simulator: chosen on some drives, judged on others, resumable, told honestly."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from slipguard import Config, RecordingError
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.tune import LoopDrive, closed_loop, tune_closed_loop
from slipguard.tune.thresholds import RESPONSE, response_settings

ROVER = Path(__file__).parent.parent / "replay" / "rover.yaml"

MINE = """
from slipguard.simulate import Scenario, World
from slipguard.simulate.scenario import Driver, track


def slope(seed, config):
    lift = Driver.of(config).lift_at(10.0)
    throttle = track((0.4, 0.0), (0.6, 0.4 * lift), (0.8, lift + 0.3))
    world = World(slope_deg=10.0 + 0.01 * (seed % 10), mu=0.8)
    return Scenario(
        name="slope", notes="Starts on a slope.", world=world, duration_s=1.6, goal_x_m=0.05,
        operator=lambda t, truth: (throttle(t), 0.0),
    )
"""


@pytest.fixture(scope="module")
def config() -> Config:
    return Config.load(ROVER)


@pytest.fixture
def mine(tmp_path: Path) -> str:
    path = tmp_path / "mine.py"
    path.write_text(MINE, encoding="utf-8")
    return f"{path}:slope"


@pytest.fixture
def made_up(monkeypatch) -> list[tuple[str, int, dict[str, float]]]:
    """Drives without a simulator: pressing harder holds better, letting go later drags longer.
    The list is of the drives that were driven."""
    driven: list[tuple[str, int, dict[str, float]]] = []

    def play(job, config):
        driven.append(job)
        name, seed, values = job
        release_s = values["hold__release_s"]
        return LoopDrive(
            scenario=name,
            seed=seed,
            stuck=values["limits__slip_target_mps"] > 0.3,
            time_s=3.0 + release_s + 0.01 * (seed % 7),
            rolled_mm=max(0.0, 30.0 - 300.0 * release_s) + seed % 3,
            leap_mps=0.0,
            brake_s=10.0 * release_s,
        )

    monkeypatch.setattr(closed_loop, "play", play)
    return driven


def search(config: Config, study: Path | None = None, **more):
    given = {"sets": 24, "seeds": 3, "judged": 5, "study": study} | more
    return tune_closed_loop(["twister", "hill_start"], config, **given)


def test_what_is_searched_has_bounds_and_is_no_wish_of_the_builder(config):
    """Bounds are the schema's; the grade to hold from and speeds for safety stay as they are."""
    found = {f"{t.section}.{t.key}": t for t in response_settings(config, within=1000.0)}
    assert set(found) == set(RESPONSE)
    assert "hold.grade_percent" not in found
    assert "limits.traction_brake_max_speed_mps" not in found
    assert (found["hold.brake"].low, found["hold.brake"].high) == (0.0005, 1.0)
    assert (found["hold.margin"].low, found["hold.margin"].high) == (1.0, 20.0)
    assert found["limits.slip_target_mps"].high == 10.0
    assert response_settings(config)[0].high == 1.0, "not four times 0.5: the setting's own limit"


@pytest.mark.large
def test_chosen_on_some_drives_and_judged_on_others(config, made_up):
    """A set that only suits the drives it was chosen on must not look good."""
    tuned = search(config)
    chosen = {seed for _, seed, _ in made_up if seed < 1000}
    judged = {seed for _, seed, _ in made_up if seed >= 1000}
    assert (chosen, judged) == ({0, 1, 2}, {1000, 1001, 1002, 1003, 1004})
    assert len(tuned.judged) == 10
    assert all(b.seed == a.seed >= 1000 for b, a in tuned.judged)
    assert {b.scenario for b, _ in tuned.judged} == {"twister", "hill_start"}


@pytest.mark.large
def test_nothing_is_changed_without_a_reason(config, made_up):
    """Settings that do nothing on these drives keep the rover's own value."""
    tuned = search(config, sets=40)
    assert set(tuned.changed) == {"hold__release_s"}
    assert tuned.recommended.objectives[1] <= tuned.own.objectives[1] + 1.0, "rolls no farther"
    assert "wheel-s less braking" in tuned.reason
    assert not any(after.stuck for _, after in tuned.judged)


def test_a_set_that_gets_stuck_or_rolls_is_not_recommended(config, made_up, monkeypatch):
    """However little it brakes: the rover is there to get across and to stay where it stands."""
    worse = closed_loop.play

    def play(job, config):
        drive = worse(job, config)
        quick = job[2]["hold__release_s"] < 0.35
        changed = {"stuck": quick, "time_s": 0.1 if quick else 3.0, "rolled_mm": 0.0}
        return LoopDrive(**{f: getattr(drive, f) for f in LoopDrive.__slots__} | changed)

    monkeypatch.setattr(closed_loop, "play", play)
    tuned = search(config, sets=40)
    assert tuned.recommended.values["hold__release_s"] >= 0.35
    assert tuned.stuck == (0, 0)


@pytest.mark.large
def test_a_search_gone_on_with_is_the_search_in_one(config, made_up, tmp_path, monkeypatch):
    """Killed in the middle of a batch: the same result, and no drive driven twice."""
    whole = search(config, tmp_path / "whole.db")
    count = len(made_up)
    assert len({(n, s, *sorted(v.items())) for n, s, v in made_up}) == count
    made_up.clear()
    play = closed_loop.play

    def killed(job, config):
        if len(made_up) == 61:
            raise KeyboardInterrupt
        return play(job, config)

    monkeypatch.setattr(closed_loop, "play", killed)
    with pytest.raises(KeyboardInterrupt):
        search(config, tmp_path / "killed.db")
    assert len(made_up) == 61
    monkeypatch.setattr(closed_loop, "play", play)
    assert search(config, tmp_path / "killed.db") == whole
    assert len(made_up) == count


@pytest.mark.large
def test_the_same_seed_gives_the_same(config, made_up):
    """And another one tries others."""
    tuned = search(config, sets=12)
    assert search(config, sets=12) == tuned
    assert search(config, sets=12, seed=3).pareto != tuned.pareto


@pytest.mark.large
@pytest.mark.parametrize(
    "other", [{"seeds": 4}, {"seed": 5}, {"within": 2.0}], ids=lambda o: next(iter(o))
)
def test_a_study_of_something_else_is_refused(other, config, made_up, tmp_path):
    """Sets of two searches in one study would be neither."""
    search(config, tmp_path / "s.db", sets=8)
    with pytest.raises(RecordingError, match=r"s\.db: a study of other drives"):
        search(config, tmp_path / "s.db", sets=8, **other)


def test_another_rover_is_another_study(config, made_up, tmp_path):
    """The simulated rover is part of what was found out."""
    search(config, tmp_path / "s.db", sets=8)
    with pytest.raises(RecordingError, match="a study of other drives"):
        search(config.with_changes(rover__mass_kg=6.0), tmp_path / "s.db", sets=8)


def test_drives_kept_in_a_study_that_were_spoiled_are_said(config, made_up, tmp_path):
    """Somebody's editor, a disk: no traceback."""
    search(config, tmp_path / "s.db", sets=8)
    with sqlite3.connect(tmp_path / "s.db") as database:
        database.execute("UPDATE drives SET drive = '{\"seed\": 1}'")
    with pytest.raises(RecordingError, match=r"s\.db: damaged"):
        search(config, tmp_path / "s.db", sets=8)


def test_a_difference_inside_chance_is_none(config, made_up, monkeypatch):
    """Two drives better and two worse: nobody knows."""
    tuned = search(config, sets=8)

    def drive(seed, rolled_mm):
        return LoopDrive(
            scenario="s", seed=seed, stuck=False, time_s=None, rolled_mm=rolled_mm, leap_mps=0.0,
            brake_s=0.0,
        )  # fmt: skip

    def judged(*pairs):
        both = tuple((drive(k, b), drive(k, a)) for k, (b, a) in enumerate(pairs))
        made = type(tuned)(
            **{f: getattr(tuned, f) for f in type(tuned).__slots__ if f != "judged"}, judged=both
        )
        return {d.goal.name: d for d in made.differences}

    mixed = judged((10, 20), (10, 0), (10, 21), (10, 1))
    assert "time across" not in mixed, "no drive has a goal"
    assert mixed["rolled"].verdict == "no difference"
    clear = judged((10, 20), (11, 22), (12, 22), (10, 19))["rolled"]
    # Differences 10, 11, 10, 9: mean 10, standard error sqrt(2/3) / 2 = 0.408.
    assert (clear.by, clear.by_2se) == (10.0, pytest.approx(0.8165, abs=1e-4))
    assert clear.verdict == "worse"
    slight = judged((10, 9.5), (11, 10.5), (12, 11.5))["rolled"]
    assert slight.verdict == "no difference", "half a millimetre: nobody cares"


@pytest.mark.large
def test_the_command_in_the_simulator(mine, tmp_path, capsys):
    """A real, short loop, from the rover file to one that loads; a second start drives nothing."""
    out = tmp_path / "tuned.yaml"
    arguments = [
        "tune", "--scenario", mine, "--rover", str(ROVER), "--out", str(out), "--sets", "8",
        "--seeds", "1", "--judge", "2", "--workers", "1", "--json", str(tmp_path / "t.json"),
    ]  # fmt: skip
    assert main(arguments) == Exit.DONE
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 100
    assert "Judged on 2 drives that were not chosen on" in text
    assert "Recommended: " in text
    tuned = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))
    assert len(tuned["judged"]["drives"]) == 2
    assert tuned["own"]["brake_wheel_s"] > 0.5, "it was held on the slope"
    config, own = Config.load(out), Config.load(ROVER)
    values = {k.replace(".", "__"): v for k, v in tuned["recommended"]["settings"].items()}
    assert config == own.with_changes(**values)
    assert main(arguments) == Exit.USAGE, "nothing is overwritten"
    with sqlite3.connect(tmp_path / "tuned.db") as database:
        # A drive that is driven now fails.
        database.execute(
            "CREATE TRIGGER t BEFORE INSERT ON drives BEGIN SELECT RAISE(FAIL, ''); END"
        )
    (tmp_path / "t.json").unlink()
    before = out.read_bytes()
    out.unlink()
    assert main(arguments) == Exit.DONE
    assert out.read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "code", "expected"),
    [
        (
            ["--scenario", "twistr"],
            Exit.USAGE,
            "scenario 'twistr': there is none of that name; did you mean 'twister'?",
        ),
        (["--scenario", "no.py:slope"], Exit.USAGE, "there is no file 'no.py'"),
        ([], Exit.USAGE, "name recorded drives, or scenarios with --scenario"),
        (["drives", "--scenario", "twister"], Exit.USAGE, "one of the two, not both"),
        (
            ["--scenario", "twister", "--cluster", "tcp://host:1"],
            Exit.USAGE,
            "--cluster is for recorded drives",
        ),
        (["--scenario", "twister", "--study", "{bad}"], Exit.RECORDING, "damaged, or no study"),
    ],
)
def test_mistakes_are_named_and_nothing_is_written(arguments, code, expected, tmp_path, capsys):
    """Which scenario, what to do."""
    bad = tmp_path / "bad.db"
    bad.write_bytes(b"SQLite format 3\0 cut off")
    given = [a.format(bad=bad) for a in arguments]
    out = tmp_path / "tuned.yaml"
    assert main(["tune", *given, "--rover", str(ROVER), "--out", str(out)]) == code
    assert expected in " ".join(capsys.readouterr().err.split())
    assert [p.name for p in tmp_path.iterdir()] == ["bad.db"]
