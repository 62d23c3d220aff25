"""Tuning: the quick detectors are the detectors, the search is reproducible, mistakes are clear."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from demo import REPLAY, ROVER, cut
from hypothesis import given, settings
from hypothesis import strategies as st

from slipguard import Config, Reading, RecordingError
from slipguard.cli import main
from slipguard.cli.console import console
from slipguard.cli.exits import Exit
from slipguard.cli.tune_settings import print_settings, settings_document
from slipguard.detect.detectors import Detectors
from slipguard.detect.found import Found
from slipguard.detect.motion import UnaskedMotion
from slipguard.detect.wheels import WheelSlip
from slipguard.detect.words import Wording
from slipguard.estimate import Estimate
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.reading import quad
from slipguard.recording import Event, Writer, open_recording
from slipguard.respond.respond import Responder
from slipguard.score import EpisodeLog
from slipguard.tune import (
    Sensitivity,
    Threshold,
    Trial,
    beats,
    pareto,
    patched,
    reason,
    recommend,
    search,
    thresholds,
    tune,
)
from slipguard.tune.cache import content_key, fused
from slipguard.tune.choose import farthest, plainest
from slipguard.tune.fused import Collected, fuse, load
from slipguard.tune.quick import KINDS, Quick
from slipguard.tune.study import StudyFile, folds
from slipguard.tune.tally import LabelledDrive, Tally, labelled_drive, tally_replay, tally_sets
from slipguard.tune.thresholds import own, partway

SPIN = Event(kind="wheel_spin", wheel="fl", start_s=1.0, end_s=2.0)


@pytest.fixture(scope="module")
def config() -> Config:
    return Config.load(ROVER)


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three short labelled drives."""
    folder = tmp_path_factory.mktemp("drives")
    return [
        cut("wet_clay_uphill", 0.0, 6.0, folder),
        cut("root_ridges", 4.0, 9.0, folder),
        cut("reverse_off_the_clay", 0.0, 5.0, folder),
    ]


@pytest.fixture
def quick_replay(monkeypatch: pytest.MonkeyPatch) -> None:
    """As that of conftest.py, for a test alone: others look at how short drives are taken."""
    monkeypatch.setattr("slipguard.replay.LONG_ROWS", 1)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fused drives, shared by the tests."""
    return tmp_path_factory.mktemp("cache")


# -- how long a drive is ------------------------------------------------------------------------


@pytest.mark.parametrize("jump_s", [1e9, -3.0])
def test_a_clock_that_was_set_makes_no_hours(drives, tmp_path, jump_s):
    """Beside 300,000 hours that nobody drove no false alarm would count."""
    lines = drives[2].read_text().splitlines()
    for k in range(500, len(lines)):
        t_s, _, rest = lines[k].partition(",")
        lines[k] = f"{float(t_s) + jump_s:.3f},{rest}"
    path = tmp_path / drives[2].name
    path.write_text("\n".join(lines) + "\n")
    config = Config.load(ROVER)
    drive = LabelledDrive(path=path, key=f"jump{jump_s}", labels=())
    assert fuse(path, config).hours == pytest.approx(5.0 / 3600.0, rel=0.01)
    (searched,) = tally_sets(drive, config, tmp_path, [{}])
    assert tally_replay(drive, config).hours == searched.hours


# -- the quick detectors ------------------------------------------------------------------------


def _by_the_detectors(
    drive: Path, config: Config, sets: list[Config]
) -> list[list[tuple[object, ...]]]:
    """Episodes of the real detectors with other thresholds, on the same estimates."""
    intake, fusion, responder = Intake(config), Fusion(config), Responder(config)
    mine, others = Detectors(config), [Detectors(c) for c in sets]
    logs = [EpisodeLog() for _ in sets]
    for row in open_recording(drive):
        frame = intake.take(row.reading)
        estimate = fusion.step(frame, responder.brakes, mine.broken)
        for detectors, log in zip(others, logs, strict=True):
            findings = detectors.step(frame, estimate, responder.brakes)
            log.add(estimate.t_s, [f for f in findings if f.kind in KINDS])
        responder.step(frame, estimate, mine.step(frame, estimate, responder.brakes))
    return [[(e.kind, e.wheel, e.start_s, e.end_s) for e in log.episodes()] for log in logs]


def _by_quick(drive: Path, config: Config, sets: list[Config]) -> list[list[tuple[object, ...]]]:
    quick = Quick(fuse(drive, config), config)
    return [
        [(e.kind, e.wheel, e.start_s, e.end_s) for e in quick.episodes(c.spin, c.rolling)]
        for c in sets
    ]


def _any_thresholds(config: Config, seed: int) -> Config:
    """Thresholds far from the usual ones; now and then none at all."""
    rng = random.Random(seed)
    values = {}
    for t in thresholds(config, within=10.0):
        low = max(t.low, t.high / 100.0)
        value = low * (t.high / low) ** rng.random()
        values[t.name] = 0.0 if rng.random() < 0.05 else value
    return config.with_changes(**values)


@pytest.mark.parametrize("number", range(3))
def test_quick_finds_what_the_detectors_find(number, drives, config):
    """Thresholds are chosen with the one and used with the other: row for row the same."""
    sets = [config, *(_any_thresholds(config, 100 * number + k) for k in range(8))]
    expected = _by_the_detectors(drives[number], config, sets)
    assert _by_quick(drives[number], config, sets) == expected
    assert len({tuple(e) for e in expected}) > 4, "all alike: nothing was tried"


def _spoiled(readings: list[Reading], rng: random.Random) -> Iterator[Reading]:
    """A clock that jumps both ways, a wheel that dies, an IMU and a link that fall silent."""
    at = sorted(rng.randrange(len(readings)) for _ in range(6))
    shift_s, wheel = 0.0, rng.randrange(4)
    jumps_s = {at[0]: rng.choice((0.3, 0.7)), at[1]: rng.choice((-0.01, -0.4))}
    dead: float | None = None
    for number, reading in enumerate(readings):
        shift_s += jumps_s.get(number, 0.0)
        counts = None if reading.counts is None else list(reading.counts)
        if counts is not None and number >= at[2]:
            dead = counts[wheel] if dead is None else dead
            counts[wheel] = dead
        silent = at[3] <= number < at[3] + 60
        yield replace(
            reading,
            t_s=reading.t_s + shift_s,
            counts=counts,
            accel_mps2=None if silent else reading.accel_mps2,
            throttle=rng.choice((0.0, 0.4, -0.4)) if number == at[4] else reading.throttle,
            command_age_s=2.0 if number >= at[5] else reading.command_age_s,
        )


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=6)
def test_quick_follows_a_broken_drive_too(seed, drives, tmp_path_factory, config):
    """Clocks that jump, wheels that die, links that break: still the same findings."""
    rng = random.Random(seed)
    source = [row.reading for row in open_recording(rng.choice(drives))]
    start = rng.randrange(0, len(source) - 500)
    drive = tmp_path_factory.mktemp("broken") / "drive.csv"
    with Writer(drive) as file:
        for reading in _spoiled(source[start : start + 500], rng):
            file.write(reading)
    sets = [config, *(_any_thresholds(config, seed + k) for k in range(6))]
    assert _by_quick(drive, config, sets) == _by_the_detectors(drive, config, sets)


class _Wander:
    """Estimates no rover gives: every value comes and goes, near every threshold."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._levels = {"speed": 0.0, "sd": 0.1, "rest": 0.0, "asked": 9.0}
        self._slip = [0.0] * 4
        self._rim = [0.0] * 4
        self._travel = [0.0] * 4
        self.t_s = self._distance = 0.0

    def _sometimes(self, name: str, choices: Sequence[float], share: float = 0.06) -> float:
        if self._rng.random() < share:
            self._levels[name] = self._rng.choice(choices)
        return self._levels[name]

    def step(self) -> tuple[Estimate, float, int | None, list[bool], list[bool]]:
        rng = self._rng
        dt_s = rng.choice((0.005, 0.005, 0.005, 0.01, 0.0, 0.3))
        self.t_s += dt_s
        speed = self._sometimes("speed", (0.0, 0.01, -0.01, 0.03, -0.03, 0.3, -0.3))
        self._distance += speed * dt_s * 5.0
        sizes = (0.0, 0.0, 0.02, 0.05, 0.07, 0.1, 0.2, 0.5)
        for i in range(4):
            if rng.random() < 0.15:
                self._slip[i] = rng.choice(sizes) * rng.choice((-1, 1))
                self._rim[i] = rng.choice((0.0, 0.05, 0.2, -0.2, 0.5, -0.5))
            if rng.random() < 0.3:
                self._travel[i] += rng.choice((0.005, -0.005))
        slip, ratio, excess = [], [], []
        for size in self._slip:
            grips = size == 0.0
            slip.append(size)
            ratio.append(0.0 if grips else rng.choice((-1.0, -0.6, -0.1, 0.1, 0.3, 1.0)))
            excess.append(0.0 if grips else rng.choice((1, 1, 1, -1)) * size * rng.random() * 0.1)
        estimate = Estimate(
            t_s=self.t_s, speed_mps=speed, accel_mps2=0.0, distance_m=self._distance,
            speed_sd_mps=self._sometimes("sd", (0.1, 0.06, 0.01, 0.002)), yaw_rate_radps=0.0,
            grade_rad=0.0, grade_sd_rad=0.0, wheel_speed_mps=quad(self._rim), slip_mps=quad(slip),
            slip_sd_mps=quad([0.01 * rng.random() for _ in range(4)]), slip_ratio=quad(ratio),
            excess_travel_m=quad(excess), excess_sd_m=quad([1e-3 * rng.random() for _ in range(4)]),
            wheel_travel_m=quad(self._travel), side_slope_rad=0.0, lateral_mps2=0.0,
            vertical_mps2=9.8, at_rest=bool(self._sometimes("rest", (0, 0, 1))), coasting=False,
            accel_doubted_s=0.0,
        )  # fmt: skip
        asked = int(self._sometimes("asked", (0, 0, 1, -1), 0.04))
        may_lock = [rng.random() < 0.8 for _ in range(4)]
        broken = [rng.random() < 0.02 for _ in range(4)]
        return estimate, dt_s, asked, may_lock, broken


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=40)
def test_quick_follows_whatever_an_estimate_may_be(seed, config):
    """A lock that turns into a spin, an end and a start in one row, a rover found rolling: what
    drives seldom show must be the same too."""
    rng = random.Random(seed)
    changed = _any_thresholds(config, seed) if seed % 4 else config
    wander, collected, log = _Wander(rng), Collected(), EpisodeLog()
    slip = WheelSlip(changed.spin)
    motion = UnaskedMotion(changed.rolling, changed.count_m, changed.encoders.directed)
    found, wording = Found(), Wording(inferred=False)
    for _ in range(300):
        estimate, dt_s, asked, may_lock, broken = wander.step()
        collected.add(estimate, dt_s, asked, may_lock, broken)
        slip.step(estimate, dt_s, may_lock, broken, found)
        motion.step(estimate, asked, found)
        said = wording.findings(found.code, found.since_s, found.value, found.threshold)
        log.add(estimate.t_s, [f for f in said if f.kind in KINDS])
    episodes = Quick(collected.fused(), changed).episodes(changed.spin, changed.rolling)
    assert [(e.kind, e.wheel, e.start_s, e.end_s) for e in episodes] == [
        (e.kind, e.wheel, e.start_s, e.end_s) for e in log.episodes()
    ]


# -- fused once ---------------------------------------------------------------------------------


@pytest.mark.usefixtures("quick_replay")
def test_fused_once_is_the_replay_for_the_thresholds_it_was_fused_with(drives, cache, config):
    """What the search calls the rover's own is what a whole replay finds: nothing is lost."""
    for path in drives:
        drive = labelled_drive(path, config)
        assert tally_sets(drive, config, cache, [{}]) == [tally_replay(drive, config)]


@pytest.mark.large
def test_what_is_held_fixed_is_small(drives, cache, config):
    """Other thresholds press other brakes, which tell the fusion how a wheel can slip. Against
    whole replays that moves no label and no false alarm here, and delays by little."""
    for path in drives:
        drive = labelled_drive(path, config)
        for k in range(2):
            values = {
                t.name: t.low * (t.high / t.low) ** (0.3 + 0.4 * k) for t in thresholds(config)
            }
            (fused_once,) = tally_sets(drive, config, cache, [values])
            whole = tally_replay(drive, config.with_changes(**values))
            assert fused_once.missed == whole.missed
            assert fused_once.false_alarms == whole.false_alarms
            assert fused_once.delay_ms == pytest.approx(whole.delay_ms, abs=5.0)


@pytest.mark.usefixtures("quick_replay")
def test_a_fused_drive_is_kept_and_comes_back_as_it_was(drives, tmp_path, config, monkeypatch):
    """A second run must not fuse again, and must not find anything else."""
    drive, key = drives[0], content_key(drives[0], config)
    made = fused(drive, config, tmp_path, key)
    monkeypatch.setattr("slipguard.tune.cache.fuse", None)  # calling it now fails
    again = fused(drive, config, tmp_path, key)
    for name in made.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(made, name), getattr(again, name))
    assert [p.name for p in tmp_path.iterdir()] == [f"{key}.npz"]


@pytest.mark.usefixtures("quick_replay")
def test_a_damaged_cache_is_made_anew(drives, tmp_path, config):
    """A disk that was full, a kill in the middle: no wrong numbers, no crash."""
    drive, key = drives[2], content_key(drives[2], config)
    fused(drive, config, tmp_path, key)
    path = tmp_path / f"{key}.npz"
    path.write_bytes(path.read_bytes()[:-200])
    assert load(path) is None
    fused(drive, config, tmp_path, key)
    assert load(path) is not None


def test_the_key_is_the_content(drives, tmp_path, config):
    """Bytes, settings: when one changes, what was fused before is not used. The name is no part."""
    key = content_key(drives[0], config)
    copy = tmp_path / "other.csv"
    shutil.copy(drives[0], copy)
    assert content_key(copy, config) == key
    assert content_key(drives[1], config) != key
    for change in ({"imu__accel_noise_mps2": 0.09}, {"spin__clear_ms": 70}, {"hold__brake": 0.6}):
        assert content_key(copy, config.with_changes(**change)) != key
    with copy.open("a", encoding="utf-8") as file:
        file.write("\n")
    assert content_key(copy, config) != key


# -- the search ---------------------------------------------------------------------------------


def _search(path: Path, sets: int, seed: int = 1) -> list[Trial]:
    """A study of a made-up trade-off, each run with a new file handle."""
    found = thresholds(Config.load(ROVER))
    file = StudyFile(path, ["all"], "made up")

    def evaluate(todo):
        return [
            (
                float(v["spin__excess_travel_mm"] > 5.0),
                10.0 / v["spin__clear_ms"],
                v["spin__clear_ms"],
            )
            for v in todo
        ]

    return file.run("all", found, sets, seed, evaluate, lambda done: None)


def test_a_search_in_pieces_is_the_search_in_one(tmp_path):
    """Stopped in the middle of a batch and gone on with: the same sets, each once."""
    whole = _search(tmp_path / "whole.db", 11)
    for sets in (3, 11):
        pieces = _search(tmp_path / "pieces.db", sets)
        assert pieces == whole[:sets]
    assert len({tuple(t.values.items()) for t in whole}) == 11
    assert whole[0].values == {t.name: t.value for t in thresholds(Config.load(ROVER))}
    assert _search(tmp_path / "other.db", 3, seed=2)[1:] != whole[1:3]


def test_values_stay_inside_their_bounds(tmp_path):
    """A value outside what the settings allow would be refused by the rover."""
    found = {t.name: t for t in thresholds(Config.load(ROVER))}
    assert found["spin__slip_ratio"].high == 1.0, "the setting's own limit"
    assert found["spin__clear_ms"].low == 15.0, "a quarter of the rover's own"
    for trial in _search(tmp_path / "a.db", 9):
        assert all(found[n].low <= v <= found[n].high for n, v in trial.values.items())


@pytest.mark.parametrize("content", [b"", b"not a database", b"SQLite format 3\0 cut off"])
def test_a_study_that_is_none_is_refused_and_left_alone(content, tmp_path):
    """Somebody's file must not be written into."""
    path = tmp_path / "study.db"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=r"study\.db: damaged, or no study of slipguard"):
        _search(path, 8)
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_refused_and_left_alone(tmp_path):
    """SQLite is used for much."""
    path = tmp_path / "study.db"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE addresses (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(RecordingError, match="no study of slipguard"):
        _search(path, 8)
    assert path.read_bytes() == before


def test_a_half_written_study_is_refused(tmp_path):
    """A copy that broke off: its pages are not there."""
    _search(tmp_path / "study.db", 8)
    path = tmp_path / "half.db"
    path.write_bytes((tmp_path / "study.db").read_bytes()[:30000])
    with pytest.raises(RecordingError, match=r"half\.db: damaged"):
        _search(path, 16)


def test_folds_judge_every_drive_once():
    """And never choose on a drive that is judged on."""
    for count, wanted in ((9, 4), (3, 4), (2, 2)):
        parts = list(folds(count, wanted, seed=3))
        assert sorted(i for _, rest in parts for i in rest) == list(range(count))
        assert all(sorted(some + rest) == list(range(count)) for some, rest in parts)
    assert list(folds(1, 4, seed=3)) == []
    assert list(folds(5, 0, seed=3)) == []


# -- choosing -----------------------------------------------------------------------------------


def _trial(missed: float, false: float, delay: float) -> Trial:
    return Trial(values={}, objectives=(missed, false, delay))


def test_the_recommended_set_misses_no_more():
    """However quiet and quick: a missed event is what can hurt."""
    own, quick, deaf, worse = (
        _trial(2, 10, 50),
        _trial(2, 8, 65),
        _trial(3, 0, 1),
        _trial(2, 12, 51),
    )
    trials = [own, quick, deaf, worse]
    assert pareto(trials) == [quick, own, deaf]
    assert recommend(trials, hours=1.0) is own, "a fifth fewer alarms for three tenths more delay"
    better = _trial(2, 5, 65)
    assert recommend([*trials, better], hours=1.0) is better


def test_a_setting_that_gains_nothing_keeps_its_own_value():
    """Of four that a search changed, two do nothing here and one too little; one gains 20 ms."""

    def evaluate(sets):
        return [(2.0, 0.0, 50.0 - 20.0 * (v["a"] != 1.0) - 0.5 * (v["d"] != 1.0)) for v in sets]

    mine = dict.fromkeys("abcd", 1.0)
    first = Trial(values=mine, objectives=evaluate([mine])[0])
    best = Trial(values=dict.fromkeys("abcd", 2.0), objectives=(2.0, 0.0, 29.5))
    assert plainest(best, first, 1.0, evaluate).values == {**mine, "a": 2.0}
    assert plainest(first, first, 1.0, evaluate) == first

    def either(sets):  # b or c is needed, whichever
        return [(2.0 + (v["b"] == v["c"] == 1.0), 0.0, 30.0) for v in sets]

    kept = plainest(Trial(values=best.values, objectives=(2.0, 0.0, 30.0)), first, 1.0, either)
    assert kept.objectives[0] == 2.0
    assert sorted(kept.values.values()) == [1.0, 1.0, 1.0, 2.0]


def test_how_far_to_go_is_what_drives_left_out_agree_with():
    """The best set of a few drives is no gain on others: the part of the way that still is one."""
    mine = (5.0, 0.0, 52.0)
    found = {1.0: (0.0, 6.0, 45.0), 0.75: (1.0, 3.0, 46.0), 0.5: (3.0, 0.0, 48.0)}
    assert farthest(mine, found) == 0.5
    assert farthest(mine, {**found, 0.25: (2.0, 0.0, 49.0)}) == 0.25, "better, though not as far"
    assert farthest(mine, {1.0: (5.0, 0.0, 53.0)}) == 0.0, "something was lost"
    assert farthest(mine, dict.fromkeys((1.0, 0.75, 0.5, 0.25), mine)) == 0.0, "nothing gained"
    assert farthest(mine, {1.0: (5.0, 0.0, 51.9)}) == 0.0, "next to nothing gained"
    assert farthest(mine, {1.0: (5.0, 0.0, 49.0)}) == 1.0


def test_the_search_goes_no_farther_than_drives_left_out_agree(config, monkeypatch):
    """Two made-up drives: a lower slip speed is quicker on both, and a false alarm below a bound
    that is higher on one of them. Chosen on the other alone it is too low for that one."""
    bounds = {"a": 0.03, "b": 0.06}

    def tally(drive, speed):
        return Tally(
            hours=1.0, labelled=1, false_alarms=speed < bounds[drive.key], delays=1, delays_s=speed
        )

    def tally_all(drives, config, folder, sets, executor):
        speeds = [values.get("spin__slip_speed_mps", config.spin.slip_speed_mps) for values in sets]
        return [[tally(drive, speed) for drive in drives] for speed in speeds]

    made_up = {
        "labelled_drive": lambda path, _: LabelledDrive(path=path, key=path.stem, labels=(SPIN,)),
        "prepare": lambda drive, config, folder: 1.0,
        "tally_all": tally_all,
        "tally_replay": lambda drive, config: tally(drive, config.spin.slip_speed_mps),
    }
    for name, fake in made_up.items():
        monkeypatch.setattr(search, name, fake)
    tuned = tune(["a.csv", "b.csv"], config, sets=12, folds_wanted=2)
    assert 0.0 < tuned.way < 1.0
    assert tuned.held_out is not None
    assert tuned.held_out[1].false_alarms == 0, "as the rover's own"
    assert set(tuned.changed) == {"spin__slip_speed_mps"}
    assert 0.06 <= tuned.recommended.values["spin__slip_speed_mps"] < 0.12
    assert f"{tuned.way:.0%} of the way" in tuned.judgement[-1]


def test_what_gains_nothing_on_drives_left_out_changes_nothing(config, monkeypatch):
    """Two made-up drives: on each a lower slip speed is quicker down to its own, and no quicker on
    the other one: what is chosen on one gains nothing on the other. Once thresholds were halved all
    the same, and "it makes no difference" stood beside it."""
    keys = {"a": "spin__slip_speed_mps", "b": "spin__slip_sd"}

    def tally_all(drives, config, folder, sets, executor):
        mine = {t.name: t.value for t in thresholds(config)}
        shares = [
            [min(1.0, (mine | values)[keys[d.key]] / mine[keys[d.key]]) for d in drives]
            for values in sets
        ]
        return [
            [Tally(hours=1.0, labelled=1, delays=1, delays_s=0.044 * share) for share in row]
            for row in shares
        ]

    made_up = {
        "labelled_drive": lambda path, _: LabelledDrive(path=path, key=path.stem, labels=(SPIN,)),
        "prepare": lambda drive, config, folder: 1.0,
        "tally_all": tally_all,
        "tally_replay": lambda drive, config: Tally(hours=1.0, labelled=1),
    }
    for name, fake in made_up.items():
        monkeypatch.setattr(search, name, fake)
    tuned = tune(["a.csv", "b.csv"], config, sets=12, folds_wanted=2)
    assert tuned.held_out is not None
    assert tuned.on_others == "makes no difference"
    assert tuned.way == 0.0
    assert tuned.changed == {}
    assert tuned.recommended == tuned.own
    # What chance allows, chi-square with 2 degrees of freedom: -2 ln 0.025 / (2 x 2 h) = 1.84.
    assert tuned.judgement[1] == (
        "0 false alarms in 120 minutes of driving may by chance stand for up to 1.8 an hour (95 %)."
    )
    assert tuned.judgement[-1] == (
        "Nothing is gained by it that is worth a change, so the rover's own set is recommended; "
        "tune on more drives."
    )
    better = min(trial.objectives[2] for trial in tuned.pareto)
    assert better < tuned.own.objectives[2], "what was found on all drives is shown all the same"


@given(data=st.data())
def test_part_of_the_way_lies_between(config, data):
    """A quarter of the way is a quarter in factors, inside the bounds; the ends are exact."""
    found = thresholds(config)
    best = {t.name: data.draw(st.floats(t.low, t.high)) for t in found}
    assert partway(found, best, 1.0) == best
    assert partway(found, best, 0.0) == own(found)
    way = data.draw(st.floats(0.0, 1.0))
    for t in found:
        value = partway(found, best, way)[t.name]
        low, high = sorted((t.value, best[t.name]))
        assert low * 0.995 <= value <= high * 1.005
        assert (value / t.value) == pytest.approx((best[t.name] / t.value) ** way, rel=0.006)


def test_reasons_are_plain():
    """A builder decides by this sentence."""
    assert reason((2, 10, 50), (2, 8, 65)) == "2 false alarms fewer an hour for 15 ms more delay"
    assert reason((2, 10, 50), (1, 10, 50)) == "1 event fewer missed, at no cost"
    assert reason((1, 10, 50), (1, 10, 50)) == "nothing changes"
    assert reason((1, 1, 50), (1, 2, 50)) == "nothing gained, and 1 false alarm more an hour"
    assert beats((1, 1, 50), (1, 2, 40)) == "is better in delay and worse in false alarms"
    assert beats((1, 1, 50), (1, 1, 50)) == "makes no difference"
    assert beats((1, 1, 50), (0, 1, 50)) == "is better in missed events"


# -- the rover file -----------------------------------------------------------------------------

WRITTEN = """# My rover
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.3, wheel_radius_m: 0.075,
        max_steer_deg: 25, steered: front, drive: open}
spin:  # as found out in spring
  clear_ms: 80
  slip_ratio: 0.3
# the encoders came from a printer
encoders: {counts_per_rev: 96}
rolling: {travel_mm: 3}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}  # measured
"""


def test_a_patch_changes_what_it_should_and_nothing_else():
    """The rover's file is the builder's: comments and other sections stay."""
    text = patched(WRITTEN, {"spin__clear_ms": 70.5, "rolling__speed_mps": 0.03}, "why\nand how")
    before, after = Config.parse(WRITTEN), Config.parse(text)
    assert after == before.with_changes(spin__clear_ms=70.5, rolling__speed_mps=0.03)
    assert (after.spin.slip_ratio, after.rolling.travel_mm) == (0.3, 3.0)
    for line in ("# My rover", "# the encoders came from a printer", "  # measured"):
        assert line in text
    assert "# why\n# and how\nspin:" in text
    assert patched(text, {"spin__clear_ms": 70.5}).count("clear_ms") == 1


PLAIN = WRITTEN.replace("mass_kg: 5.0", "mass_kg: 5e0").replace(
    "slip_ratio: 0.3", "slip_ratio: 3e-1"
)


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        json.dumps(yaml.safe_load(PLAIN)).replace('"5e0"', "5e0").replace('"3e-1"', "3e-1"),
        WRITTEN.replace("rolling: {travel_mm: 3}", "rolling: {travel_mm: 3,\n  speed_sd: 2.0}"),
    ],
    ids=["a line a key", "in one line", "braces over lines"],
)
def test_what_a_rover_file_may_say_a_tuned_one_may_too(text):
    """5e0 and 3e-1 are numbers and stay numbers; the braces of a section may span lines."""
    after = Config.parse(patched(text, {"spin__clear_ms": 70.5}))
    assert after == Config.parse(text).with_changes(spin__clear_ms=70.5)


def test_a_rover_file_in_one_line_is_patched_too():
    """YAML may be written like JSON."""
    text = json.dumps({**yaml.safe_load(WRITTEN)})
    after = Config.parse(patched(text, {"spin__clear_ms": 70.5}))
    assert after == Config.parse(WRITTEN).with_changes(spin__clear_ms=70.5)


# -- all together -------------------------------------------------------------------------------


@pytest.mark.large
def test_any_executor_gives_the_same(drives, cache, config):
    """Who does the work must not matter."""
    alone = tune(drives, config, sets=9, folds_wanted=2, cache=cache)
    with ThreadPoolExecutor(2) as pool:
        together = tune(drives, config, sets=9, folds_wanted=2, cache=cache, executor=pool)
    assert together == alone
    assert alone.held_out is not None
    assert alone.held_out[0].objectives == alone.own.objectives, "every drive was judged on once"
    assert [d.drive for d in alone.drives] == drives
    mine, chosen = (tally.objectives for tally in alone.held_out)
    assert alone.way == 0.0 or all(b <= a for a, b in zip(mine, chosen, strict=True))
    assert (alone.way == 0.0) == (alone.changed == {})


def _tune(drives: list[Path], cache: Path, out: Path, *more: str) -> list[str]:
    arguments = ["--rover", str(ROVER), "--out", str(out), "--json", str(out.with_suffix(".json"))]
    return [
        "tune", *map(str, drives), *arguments, "--cache", str(cache), "--sets", "16",
        "--folds", "2", "--workers", "1", *more,
    ]  # fmt: skip


@pytest.mark.large
def test_killed_and_started_again_it_ends_as_if_nothing_had_been(drives, cache, tmp_path, capsys):
    """kill -9 in the middle of the search; no set is lost, none counted twice."""
    assert main(_tune(drives, cache, tmp_path / "whole.yaml")) == Exit.DONE
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 100
    assert "Recommended: " in text
    arguments = _tune(drives, cache, tmp_path / "killed.yaml")
    study = tmp_path / "killed.db"
    running = subprocess.Popen(
        [sys.executable, "-c", f"from slipguard.cli import main; main({arguments!r})"],
        stdout=subprocess.DEVNULL,
    )
    try:
        while running.poll() is None and _trials(study) < 20:
            time.sleep(0.02)
    finally:
        running.kill()  # SIGKILL: nothing can be tidied up
        running.wait()
    assert 20 <= _trials(study) < 48, "it was killed in the middle"
    assert not (tmp_path / "killed.yaml").exists()
    assert main(arguments) == Exit.DONE
    assert _trials(study) == 48
    for name in ("yaml", "json"):
        whole = (tmp_path / f"whole.{name}").read_text(encoding="utf-8")
        assert (tmp_path / f"killed.{name}").read_text(encoding="utf-8") == whole
    Config.load(tmp_path / "killed.yaml")
    capsys.readouterr()
    assert main(arguments) == Exit.USAGE, "nothing is overwritten"
    assert "is not overwritten" in " ".join(capsys.readouterr().err.split())


def _trials(study: Path) -> int:
    """How many sets are kept in a study."""
    if not study.exists():
        return 0
    with sqlite3.connect(f"file:{study}?mode=ro", uri=True) as database:
        return int(database.execute("SELECT count(*) FROM trials").fetchone()[0])


@pytest.mark.usefixtures("quick_replay")
@pytest.mark.parametrize("others", ["2", "0"])
def test_other_parts_do_not_go_on_with_the_same_study(drives, cache, tmp_path, capsys, others):
    """Part 1 of two holds other drives than part 1 of three: what was tried on these is no result
    of those, and would be judged on drives it was chosen on."""
    few = ("--sets", "8", "--study", str(tmp_path / "s.db"))
    first = _tune(drives, cache, tmp_path / "a.yaml", *few, "--folds", "3")
    assert main(first) == Exit.DONE
    again = _tune(drives, cache, tmp_path / "b.yaml", *few, "--folds", others)
    assert main(again) == Exit.RECORDING
    same = _tune(drives, cache, tmp_path / "c.yaml", *few, "--folds", "4")
    assert main(same) == Exit.DONE, "three drives make three parts"
    told = " ".join(capsys.readouterr().err.split())
    assert "s.db: a study of other drives, labels or settings, of another seed or other " in told


@pytest.mark.usefixtures("quick_replay")
def test_another_seed_does_not_go_on_with_the_same_study(drives, cache, tmp_path, capsys):
    """Sets of two searches in one study would be neither."""
    few = ("--sets", "8", "--folds", "0", "--study", str(tmp_path / "s.db"))
    assert main(_tune(drives[2:], cache, tmp_path / "a.yaml", *few)) == Exit.DONE
    said = " ".join(capsys.readouterr().out.split())
    assert "a missed event counts with its own length" in said, "compare leaves it out"
    same = Config.load(tmp_path / "a.yaml") == Config.load(ROVER)
    assert ("has the same settings as" in said) == same, "a file is no gain"
    arguments = _tune(drives[2:], cache, tmp_path / "b.yaml", *few, "--seed", "5")
    assert main(arguments) == Exit.RECORDING
    assert "s.db: a study of other drives, labels or settings, of another seed" in (
        capsys.readouterr().err
    )


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        (None, "no labels of the drive mine.csv; write down what happened in it"),
        ("[]", "no label of spin, lock or rolling in any of the 1 drives"),
        ("[{kind: rolling, start_s: 90, end_s: 91}]", "events: rolling from 90 to 91 s is not in"),
        ("[{kind: wheel_spin, wheel: fx, start_s: 1, end_s: 2}]", "mine.yaml:1: events[0].wheel"),
        (
            "[{kind: rolling, start_s: 1, end_s: 2}, {kind: rolling, start_s: 1.5, end_s: 3}]",
            "may not overlap",
        ),
    ],
)
def test_labels_that_cannot_be_used_are_named(events, expected, drives, cache, tmp_path, capsys):
    """File, what is wrong, what to do; and nothing is written."""
    shutil.copy(drives[2], tmp_path / "mine.csv")
    if events is not None:
        (tmp_path / "mine.yaml").write_text(f"events: {events}\n", encoding="utf-8")
    arguments = _tune([tmp_path / "mine.csv"], cache, tmp_path / "out.yaml")
    assert main(arguments) == Exit.RECORDING
    error = capsys.readouterr().err
    assert expected in error
    assert str(tmp_path) in error
    assert not (tmp_path / "out.yaml").exists()


def test_without_optuna_it_says_how_to_get_it():
    """One line, no traceback."""
    hidden = "import sys; sys.modules['optuna'] = None; from slipguard.cli import main; "
    done = subprocess.run(
        [sys.executable, "-c", f"{hidden}sys.exit(main(sys.argv[1:]))", "tune", str(REPLAY),
         "--rover", str(ROVER)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == Exit.USAGE
    assert ".[tune]" in " ".join(done.stderr.split())


def test_a_worker_that_dies_is_said(drives, tmp_path, capsys, monkeypatch):
    """The kernel kills what eats the memory: not a fault to report, and nothing is lost."""

    def killed(*args, **kwargs):
        raise BrokenProcessPool("terminated abruptly")

    monkeypatch.setattr("slipguard.tune.tune", killed)
    assert main(_tune(drives, tmp_path, tmp_path / "out.yaml")) == Exit.FAULT
    error = capsys.readouterr().err
    assert "a worker process died" in error
    assert "fault of slipguard itself" not in error


def test_each_tuned_setting_is_told_with_what_it_does(capsys):
    """Own value, tuned value, and what came of moving it; where it could not be moved, that."""
    found = Threshold(section="spin", key="slip_speed_mps", unit="m/s", value=0.12, low=0.1, high=1)
    moved = Sensitivity(
        threshold=found, value=0.1, lower=0.1, higher=0.125, at=3.0, at_lower=3.0, at_higher=5.0
    )
    print_settings(console(), [moved], "missed", lambda at, then: f"{then - at:+g}")
    row = capsys.readouterr().out.splitlines()[-2].split("  ")
    assert [cell.strip() for cell in row if cell.strip()] == [
        "spin.slip_speed_mps", "0.12", "0.1", "m/s", "at its limit", "+2",
    ]  # fmt: skip
    assert settings_document([moved], lambda at: {"missed": at}) == [
        {
            "setting": "spin.slip_speed_mps",
            "value": 0.1,
            "at": {"missed": 3.0},
            "lower": {"value": 0.1, "missed": 3.0},
            "higher": {"value": 0.125, "missed": 5.0},
        }
    ]
