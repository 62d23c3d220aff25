"""Hold and brake settings searched in the simulator, where the rover reacts to what is decided.

A recording does not react: how hard to brake and how fast to let go is answered in closed loop
alone. Every drive is kept in the study file, so that a search that was killed drives none twice.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import fmean, stdev
from typing import TYPE_CHECKING

from slipguard.config import CARRIED, Config
from slipguard.engines import quickest
from slipguard.errors import RecordingError
from slipguard.guard import Guard
from slipguard.tune.cache import code_digest
from slipguard.tune.choose import WORTH, cost, pareto, sentence
from slipguard.tune.study import Objectives, StudyFile, Trial, Values, damaged
from slipguard.tune.thresholds import (
    NUDGE,
    WITHIN,
    Sensitivity,
    Threshold,
    changed,
    nudged,
    own,
    response_settings,
    with_values,
)

if TYPE_CHECKING:
    from slipguard.simulate import Drive

SETS, SEEDS, JUDGED = 64, 8, 20
JUDGED_FROM = 1000
"""Seeds below are for choosing, seeds from here on for judging; the two never meet."""
ROLLED_MORE_MM = 1.0
"""The recommended set may let the rover roll this much farther than its own: no more is noise."""
CODE = ("fuse", "detect", "respond", "simulate", "evaluate", "tune")

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """One thing that is made small.

    Attributes
    ----------
    name, unit : str
    words, less, more : str
        For a sentence: '1.2 s sooner across'.
    least : float
        Differences below it are not told, and shares are not taken of less.
    """

    name: str
    unit: str
    words: str
    less: str = "less"
    more: str = "more"
    least: float

    def told(self, by: float) -> str:
        """A difference in words."""
        return f"{abs(by):.2g} {self.unit} {self.less if by < 0 else self.more} {self.words}"


GOALS = (
    Goal(name="time across", unit="s", words="across", less="sooner", more="later", least=0.1),
    Goal(name="rolled", unit="mm", words="rolled", least=1.0),
    Goal(name="leap", unit="m/s", words="leap", least=0.02),
    Goal(name="brake", unit="wheel-s", words="braking", least=0.2),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopDrive:
    """What came of one simulated drive with the guard's help.

    Attributes
    ----------
    scenario : str
    seed : int
    stuck : bool
        It did not reach the scenario's goal.
    time_s : float or None
        Until it did; all its time where it did not; None: the scenario has no goal.
    rolled_mm : float
        Longest way rolled that nobody asked for, from the moment the scenario is about.
    leap_mps : float
        Most speed above the driver's request just after a spinning wheel gripped.
    brake_s : float
        Seconds of brake, all wheels together, while the driver asked for motion.
    """

    scenario: str
    seed: int
    stuck: bool
    time_s: float | None
    rolled_mm: float
    leap_mps: float
    brake_s: float

    @property
    def objectives(self) -> tuple[float | None, ...]:
        """In the order of ``GOALS``."""
        return (self.time_s, self.rolled_mm, self.leap_mps, self.brake_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One goal on the drives judged on: means before and after, and their difference.

    ``by_2se``: two standard errors of the mean difference of the same drives; a difference inside
    is chance, and one below the goal's least is none.
    """

    goal: Goal
    before: float
    after: float
    by: float
    by_2se: float

    @property
    def verdict(self) -> str:
        """``better``, ``worse`` or ``no difference``."""
        if abs(self.by) <= self.by_2se or abs(self.by) < self.goal.least:
            return "no difference"
        return "better" if self.by < 0.0 else "worse"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopTuned:
    """What came of a search in closed loop.

    Attributes
    ----------
    scenarios : tuple of str
    thresholds : tuple of Threshold
        The settings that were searched.
    own, recommended : Trial
    pareto : tuple of Trial
    reason : str
        On the drives chosen on.
    sensitivity : tuple of Sensitivity of four numbers
    judged : tuple of (LoopDrive, LoopDrive)
        Drives that were not chosen on, with the rover's own settings and the recommended ones.
    sets : int
    """

    scenarios: tuple[str, ...]
    thresholds: tuple[Threshold, ...]
    own: Trial
    recommended: Trial
    pareto: tuple[Trial, ...]
    reason: str
    sensitivity: tuple[Sensitivity[Objectives], ...]
    judged: tuple[tuple[LoopDrive, LoopDrive], ...]
    sets: int

    @property
    def changed(self) -> Values:
        """The settings to change, named as ``Config.with_changes`` names them."""
        return changed(self.thresholds, self.recommended.values)

    @property
    def stuck(self) -> tuple[int, int]:
        """How many of the judged drives got stuck, before and after."""
        return sum(b.stuck for b, _ in self.judged), sum(a.stuck for _, a in self.judged)

    @property
    def differences(self) -> list[Difference]:
        """Goal by goal on the judged drives; goals that no drive has are left out."""
        found = []
        for number, goal in enumerate(GOALS):
            pairs = [(b.objectives[number], a.objectives[number]) for b, a in self.judged]
            known = [(b, a) for b, a in pairs if b is not None and a is not None]
            if known:
                by = [a - b for b, a in known]
                found.append(
                    Difference(
                        goal=goal,
                        before=fmean(b for b, _ in known),
                        after=fmean(a for _, a in known),
                        by=fmean(by),
                        by_2se=2.0 * stdev(by) / math.sqrt(len(by)) if len(by) > 1 else math.inf,
                    )
                )
        return found


def with_chance(tuned: LoopTuned) -> str:
    """What the recommended settings do on the drives judged on, in words; chance is left out."""
    told = [
        f"{d.goal.told(d.by)} ({d.verdict})"
        for d in tuned.differences
        if d.verdict != "no difference"
    ]
    before, after = tuned.stuck
    if before != after:
        told.insert(0, f"{after} stuck instead of {before}")
    return ", ".join(told) if told else "no difference beyond chance"


def tune_closed_loop(
    scenarios: Sequence[str],
    config: Config,
    *,
    sets: int = SETS,
    seeds: int = SEEDS,
    judged: int = JUDGED,
    seed: int = 0,
    within: float = WITHIN,
    study: str | os.PathLike[str] | None = None,
    executor: Executor | None = None,
    progress: Progress = lambda what, done, of: None,
) -> LoopTuned:
    """Search hold and brake settings in the simulator, over several drives of each scenario.

    Parameters
    ----------
    scenarios : sequence of str
        Names of scenarios, or ``FILE.py:FUNCTION``.
    config : Config
        The rover, simulated as its file says; its own settings are the first set.
    sets : int
        How many sets to try.
    seeds : int
        Drives of each scenario to choose on: seeds 0, 1, ...
    judged : int
        Drives of each scenario to judge the result on: seeds 1000, 1001, ...
    seed, within, study, executor, progress
        As for ``tune``. One task a drive.

    Raises
    ------
    ScenarioError
        There is no such scenario.
    RecordingError
        The study cannot be used.
    """
    from slipguard.simulate.scenarios import find

    for name in scenarios:
        find(name, 0, config)
    found = response_settings(config, within)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(study) if study is not None else Path(scratch) / "study.db"
        purpose = _purpose(scenarios, config, found, seeds, seed)
        file = StudyFile(path, ["closed loop"], purpose, len(GOALS))
        track = _Track(path, tuple(dict.fromkeys(scenarios)), config, executor, progress)
        choose_on = range(min(seeds, JUDGED_FROM))
        tried = 0

        def evaluate(todo: Sequence[Values]) -> list[Objectives]:
            words = f"driving sets {tried + 1} to {tried + len(todo)} of {sets}"
            return [objectives(drives) for drives in track.drive(todo, choose_on, words)]

        def done(count: int) -> None:
            nonlocal tried
            tried = count
            progress("trying sets", count, sets)

        trials = file.run("closed loop", found, sets, seed, evaluate, done)
        best = _recommend(trials, found, track, choose_on)
        sensitivity = tuple(_sensitivity(found, best, track, choose_on))
        both = track.drive(
            [own(found), best.values],
            range(JUDGED_FROM, JUDGED_FROM + judged),
            "judging on drives not chosen on",
        )
    return LoopTuned(
        scenarios=tuple(scenarios),
        thresholds=tuple(found),
        own=trials[0],
        recommended=best,
        pareto=tuple(pareto([*trials, best])),
        reason=_reason(trials[0].objectives, best.objectives),
        sensitivity=sensitivity,
        judged=tuple(zip(*both, strict=True)),
        sets=len(trials),
    )


def objectives(drives: Sequence[LoopDrive]) -> Objectives:
    """Means over drives, in the order of ``GOALS``; 0 for a goal that no drive has."""
    columns = zip(*(drive.objectives for drive in drives), strict=True)
    known = ([value for value in column if value is not None] for column in columns)
    return tuple(fmean(values) if values else 0.0 for values in known)


def simulated(job: tuple[str, int, Values], config: Config) -> Drive:
    """One simulated drive: a scenario, a seed, and settings in place of the rover's own."""
    from slipguard.simulate import run
    from slipguard.simulate.scenarios import find

    name, seed, values = job
    helped = with_values(config, values)
    guard = Guard(helped, quickest())
    return run(find(name, seed, config), helped, seed, guard, plant_config=config)


def play(job: tuple[str, int, Values], config: Config) -> LoopDrive:
    """What came of one simulated drive."""
    from slipguard.evaluate.trials import trial_of

    drive = simulated(job, config)
    trial = trial_of(drive, "guard")
    stuck = trial.goal and trial.across_s is None
    return LoopDrive(
        scenario=job[0],
        seed=job[1],
        stuck=stuck,
        time_s=drive.scenario.duration_s if stuck else trial.across_s,
        rolled_mm=1e3 * trial.rolled_m,
        leap_mps=trial.leap_mps,
        brake_s=trial.brake_wheel_s,
    )


class _Track:
    """Where sets are driven; what was driven before comes out of the study file."""

    def __init__(
        self,
        path: Path,
        scenarios: Sequence[str],
        config: Config,
        executor: Executor | None,
        progress: Progress,
    ) -> None:
        self._path, self._scenarios, self._config = path, scenarios, config
        self._executor, self._progress = executor, progress
        with self._kept() as database:
            database.execute("CREATE TABLE IF NOT EXISTS drives (job TEXT PRIMARY KEY, drive TEXT)")
            rows = database.execute("SELECT job, drive FROM drives").fetchall()
            try:
                self._known = {job: LoopDrive(**json.loads(drive)) for job, drive in rows}
            except (TypeError, ValueError) as err:
                raise damaged(path) from err

    def drive(
        self, sets: Sequence[Values], seeds: Sequence[int], words: str
    ) -> list[list[LoopDrive]]:
        """For each set, a drive of each scenario and seed."""
        jobs = [
            [(name, seed, values) for name in self._scenarios for seed in seeds] for values in sets
        ]
        todo = {key: job for some in jobs for job in some if (key := _key(job)) not in self._known}
        work = _Play(self._config)
        results = (
            map(work, todo.values())
            if self._executor is None
            else self._executor.map(work, todo.values())
        )
        for number, (key, result) in enumerate(zip(todo, results, strict=True)):
            self._known[key] = result
            with self._kept() as database:
                text = json.dumps(asdict(result))
                database.execute("INSERT OR REPLACE INTO drives VALUES (?, ?)", (key, text))
            self._progress(words, number + 1, len(todo))
        return [[self._known[_key(job)] for job in some] for some in jobs]

    @contextmanager
    def _kept(self) -> Iterator[sqlite3.Connection]:
        try:
            database = sqlite3.connect(self._path)
            try:
                with database:
                    yield database
            finally:
                database.close()
        except sqlite3.Error as err:
            raise damaged(self._path) from err


@dataclass(frozen=True, slots=True)
class _Play:
    """``play`` of one rover, to be sent to other processes."""

    config: Config

    def __call__(self, job: tuple[str, int, Values]) -> LoopDrive:
        return play(job, self.config)


def _key(job: tuple[str, int, Values]) -> str:
    name, seed, values = job
    return json.dumps([name, seed, dict(sorted(values.items()))])


def _recommend(
    trials: Sequence[Trial], found: Sequence[Threshold], track: _Track, seeds: Sequence[int]
) -> Trial:
    """The set to use: no more drives stuck and no farther rolled than with the rover's own.

    Among what is left, the least sum of goals, each as a share of the rover's own; and a setting
    keeps the rover's own value where that is hardly worse: nothing changes without a reason.
    """
    first = trials[0]

    def dear(trial: Trial) -> float:
        least = tuple(goal.least for goal in GOALS)
        return cost(trial.objectives, first.objectives, least)

    def stuck(trial: Trial) -> int:
        (drives,) = track.drive([trial.values], seeds, "choosing")
        return sum(drive.stuck for drive in drives)

    most_mm = first.objectives[1] + ROLLED_MORE_MM
    most_stuck = stuck(first)

    def safe(trial: Trial) -> bool:
        return trial.objectives[1] <= most_mm and stuck(trial) <= most_stuck

    best = min([first, *filter(safe, pareto(trials))], key=dear)
    most_dear = dear(best)
    for setting in found:
        if best.values[setting.name] == setting.value:
            continue
        values = {**best.values, setting.name: setting.value}
        (drives,) = track.drive([values], seeds, "keeping what need not change")
        without = Trial(values=values, objectives=objectives(drives))
        if dear(without) <= most_dear + WORTH and safe(without):
            best = without
            most_dear = min(most_dear, dear(best))
    gains = (b - a for b, a in zip(first.objectives, best.objectives, strict=True))
    told = any(by >= goal.least for by, goal in zip(gains, GOALS, strict=True))
    return best if told else first


def _sensitivity(
    found: Sequence[Threshold], best: Trial, track: _Track, seeds: Sequence[int]
) -> Iterator[Sensitivity[Objectives]]:
    moved = [nudged(t, best.values[t.name]) for t in found]
    sets = [
        {**best.values, t.name: value}
        for t, pair in zip(found, moved, strict=True)
        for value in pair
    ]
    words = f"moving each setting by {NUDGE:g}"
    at = [objectives(drives) for drives in track.drive(sets, seeds, words)]
    for number, (t, (lower, higher)) in enumerate(zip(found, moved, strict=True)):
        yield Sensitivity(
            threshold=t,
            value=best.values[t.name],
            lower=lower,
            higher=higher,
            at=best.objectives,
            at_lower=at[2 * number],
            at_higher=at[2 * number + 1],
        )


def _reason(before: Objectives, after: Objectives) -> str:
    gains: list[str] = []
    costs: list[str] = []
    for goal, b, a in zip(GOALS, before, after, strict=True):
        if abs(a - b) >= goal.least:
            (gains if a < b else costs).append(goal.told(a - b))
    return sentence(gains, costs)


def _purpose(
    scenarios: Sequence[str],
    config: Config,
    found: Sequence[Threshold],
    seeds: int,
    seed: int,
) -> str:
    """What a study is about. Sets and judged drives are no part of it: more can be asked for."""
    digest = hashlib.sha256(f"closed loop {seed} {seeds} {found!r} {_rover(config)}".encode())
    digest.update(code_digest(CODE).encode())
    for name in scenarios:
        digest.update(name.encode())
        file, colon, _ = name.rpartition(":")
        if colon:
            try:
                digest.update(Path(file).read_bytes())
            except OSError as err:
                raise RecordingError(f"{file}: cannot read: {err.strerror}") from err
    return digest.hexdigest()[:32]


def _rover(config: Config) -> str:
    """All settings of the guard and of the simulated rover."""
    names = sorted(set(Config.__dataclass_fields__) - set(CARRIED))
    return repr([getattr(config, name) for name in names]) + repr(sorted(config.sim.items()))
