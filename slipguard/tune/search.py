"""Tune the thresholds of a rover on labelled drives: the whole way from drives to a result."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from slipguard.config import Config
from slipguard.errors import RecordingError
from slipguard.evaluate.tables import rate_interval
from slipguard.tune.cache import default_folder
from slipguard.tune.choose import beats, farthest, no_worse, pareto, plainest, reason, recommend
from slipguard.tune.study import Objectives, StudyFile, Trial, Values, folds
from slipguard.tune.tally import (
    LabelledDrive,
    Tally,
    labelled_drive,
    prepare,
    tally_all,
    tally_replay,
    total,
)
from slipguard.tune.thresholds import (
    WITHIN,
    Sensitivity,
    Threshold,
    changed,
    nudged,
    partway,
    thresholds,
    with_values,
)

SETS = 200
FOLDS = 4
WAYS = (1.0, 0.75, 0.5, 0.25)
"""Parts of the way from the rover's own set to the best one found. A set that is best on a few
drives goes too far: what it gains there it loses on others, and no false alarm in an hour is no
proof. Cross-validation says how far is still a gain."""

Progress = Callable[[str, int, int], None]
"""Is told what is being done, how much of it is, and of how much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveResult:
    """One drive, replayed whole with the rover's own thresholds and with the recommended ones.

    Attributes
    ----------
    drive : Path
    before, after : Tally
    fused_once : Tally
        The recommended ones as the search saw them, with brakes held fixed. Where it differs
        from ``after``, the brakes of the other findings changed the estimate.
    """

    drive: Path
    before: Tally
    after: Tally
    fused_once: Tally


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """What came of it.

    Attributes
    ----------
    thresholds : tuple of Threshold
        What was searched.
    own, recommended : Trial
        The rover's own thresholds; those to use.
    way : float
        How far the recommended ones go from the rover's own toward the best on these drives: 1
        all the way, 0 not at all. As far as something is gained on drives left out, and nothing
        lost, see ``WAYS``.
    pareto : tuple of Trial
        All that are worth a thought: none beats another in every objective.
    reason : str
        What the recommended ones gain on these drives, and what they cost.
    held_out : tuple of two Tally, or None
        The rover's own, and those recommended *without* a drive, on that drive; all drives. Where
        ``way`` is 0, the best ones. None where one drive alone cannot be left out.
    sensitivity : tuple of Sensitivity of Tally
    drives : tuple of DriveResult
    sets : int
        How many were tried on all drives.
    """

    thresholds: tuple[Threshold, ...]
    own: Trial
    recommended: Trial
    way: float
    pareto: tuple[Trial, ...]
    reason: str
    held_out: tuple[Tally, Tally] | None
    sensitivity: tuple[Sensitivity[Tally], ...]
    drives: tuple[DriveResult, ...]
    sets: int

    @property
    def changed(self) -> Values:
        """The thresholds to change, named as ``Config.with_changes`` names them."""
        return changed(self.thresholds, self.recommended.values)

    @property
    def on_others(self) -> str:
        """A verdict on drives that were not used for choosing; empty where there is none."""
        if self.held_out is None:
            return ""
        before, after = self.held_out
        return beats(before.objectives, after.objectives)

    @property
    def judgement(self) -> tuple[str, ...]:
        """How it does on drives it was not chosen on, in sentences."""
        if self.held_out is None:
            return ("Not cross-validated: how it does on other drives is not known.",)
        before, after = self.held_out
        most_per_h = rate_interval(after.false_alarms, after.hours)[1]
        what = "it" if self.way else "the set that was best"
        said = [
            f"Chosen without the drive it is judged on, {what} {self.on_others}: missed "
            f"{before.missed} > {after.missed} of {before.labelled}, false alarms an hour "
            f"{before.false_per_h:.1f} > {after.false_per_h:.1f}, delay {before.delay_ms:.0f} > "
            f"{after.delay_ms:.0f} ms.",
            f"{after.false_alarms} false alarms in {60 * after.hours:.0f} minutes of driving may "
            f"by chance stand for up to {most_per_h:.1f} an hour (95 %).",
        ]
        if self.way == 0.0:
            gained = no_worse(after.objectives, before.objectives)
            why = "Nothing is gained by it that is worth a change, so" if gained else "So"
            said.append(f"{why} the rover's own set is recommended; tune on more drives.")
        elif self.way < 1.0:
            said.append(
                f"It goes {self.way:.0%} of the way to the set that was best on all drives; "
                "farther was worse on drives left out, or no better."
            )
        return tuple(said)


def tune(
    drives: Iterable[str | os.PathLike[str]],
    config: Config,
    *,
    sets: int = SETS,
    folds_wanted: int = FOLDS,
    seed: int = 0,
    within: float = WITHIN,
    study: str | os.PathLike[str] | None = None,
    cache: str | os.PathLike[str] | None = None,
    executor: Executor | None = None,
    progress: Progress = lambda what, done, of: None,
) -> Tuned:
    """Search thresholds for spin, lock and rolling against the labels of drives.

    Parameters
    ----------
    drives : iterable of path
        Recorded drives with labels beside them.
    config : Config
        The rover; its own thresholds are the first set that is tried.
    sets : int
        How many sets to try on all drives, and on each part of the cross-validation.
    folds_wanted : int
        Parts of the cross-validation; 0: none.
    seed : int
        The same drives, settings and seed give the same result, killed in between or not.
    within : float
        Values from the rover's own divided by this to the rover's own times this.
    study : path, optional
        SQLite file of what was tried. One that is there is gone on with. None: not kept.
    cache : path, optional
        Folder of fused drives; None: in the user's cache.
    executor : concurrent.futures.Executor, optional
        Who does the work, one task a drive; None: this thread. The tasks are pure: one that is
        run again gives the same. Other computers must reach the drives by the same paths.
    progress : callable, optional
        ``progress(what, done, of)``.

    Raises
    ------
    RecordingError
        A drive, its labels or the study cannot be used: which, and what to do.
    ConfigError
        A drive cannot be of this rover.
    """
    paths = [Path(os.path.abspath(drive)) for drive in drives]
    if not paths:
        raise RecordingError("no drives to tune on")
    folder = Path(os.path.abspath(cache)) if cache is not None else default_folder()
    labelled = [labelled_drive(path, config) for path in paths]
    if not any(drive.labels for drive in labelled):
        raise RecordingError(
            f"{paths[0].parent}: no label of spin, lock or rolling in any of the {len(paths)} "
            "drives; with nothing to find, finding nothing would be best"
        )
    hours = _fuse_all(labelled, config, folder, executor, progress)
    found = thresholds(config, within)
    parts = list(folds(len(labelled), folds_wanted, seed))
    names = ["all", *(f"part {k + 1}" for k in range(len(parts)))]
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(study) if study is not None else Path(scratch) / "study.db"
        file = StudyFile(path, names, _purpose(labelled, found, seed, len(parts)))

        def judge(some: Sequence[int], todo: Sequence[Values]) -> list[Tally]:
            chosen = [labelled[i] for i in some]
            return [total(t) for t in tally_all(chosen, config, folder, todo, executor)]

        def search(name: str, some: Sequence[int]) -> tuple[list[Trial], Trial]:
            def evaluate(todo: Sequence[Values]) -> list[Objectives]:
                return [tally.objectives for tally in judge(some, todo)]

            words = "trying sets" if name == "all" else f"trying sets, {name} of {len(parts)}"
            trials = file.run(
                name, found, sets, seed, evaluate, lambda done: progress(words, done, sets)
            )
            driven_h = sum(hours[i] for i in some)
            best = recommend(trials, driven_h)
            return trials, plainest(best, trials[0], driven_h, evaluate)

        trials, best = search("all", range(len(labelled)))
        first, way, held_out = trials[0], 1.0, None
        if parts:
            mine, others = Tally(), [Tally() for _ in WAYS]
            for name, (some, rest) in zip(names[1:], parts, strict=True):
                _, chosen = search(name, some)
                on_the_way = [partway(found, chosen.values, part) for part in WAYS]
                before, *after = judge(rest, [first.values, *on_the_way])
                mine += before
                others = [a + b for a, b in zip(others, after, strict=True)]
            on_the_way = [partway(found, best.values, part) for part in WAYS]
            here = judge(range(len(labelled)), on_the_way)
            safe = {
                part: others[k].objectives
                for k, part in enumerate(WAYS)
                if here[k].missed <= first.objectives[0] and on_the_way[k] != first.values
            }
            way, best = farthest(mine.objectives, safe), first
            held_out = (mine, others[WAYS.index(way or WAYS[0])])
            if way:
                k = WAYS.index(way)
                best = Trial(values=on_the_way[k], objectives=here[k].objectives)
    return Tuned(
        thresholds=tuple(found),
        own=first,
        recommended=best,
        way=way,
        pareto=tuple(pareto(trials)),
        reason=reason(first.objectives, best.objectives),
        held_out=held_out,
        sensitivity=tuple(_sensitivity(labelled, config, folder, found, best.values, executor)),
        drives=tuple(_replays(labelled, config, folder, best.values, executor, progress)),
        sets=len(trials),
    )


def _fuse_all(
    drives: Sequence[LabelledDrive],
    config: Config,
    folder: Path,
    executor: Executor | None,
    progress: Progress,
) -> list[float]:
    work = partial(prepare, config=config, folder=folder)
    hours: list[float] = []
    progress("fusing drives", 0, len(drives))
    for one in map(work, drives) if executor is None else executor.map(work, drives):
        hours.append(one)
        progress("fusing drives", len(hours), len(drives))
    return hours


def _sensitivity(
    drives: Sequence[LabelledDrive],
    config: Config,
    folder: Path,
    found: Sequence[Threshold],
    best: Values,
    executor: Executor | None,
) -> Iterable[Sensitivity[Tally]]:
    moved = [nudged(t, best[t.name]) for t in found]
    sets = [best]
    for t, (low, high) in zip(found, moved, strict=True):
        sets += [{**best, t.name: low}, {**best, t.name: high}]
    sums = [total(tallies) for tallies in tally_all(drives, config, folder, sets, executor)]
    for number, (t, (low, high)) in enumerate(zip(found, moved, strict=True)):
        yield Sensitivity(
            threshold=t,
            value=best[t.name],
            lower=low,
            higher=high,
            at=sums[0],
            at_lower=sums[1 + 2 * number],
            at_higher=sums[2 + 2 * number],
        )


def _replays(
    drives: Sequence[LabelledDrive],
    config: Config,
    folder: Path,
    best: Values,
    executor: Executor | None,
    progress: Progress,
) -> Iterable[DriveResult]:
    """Whole replays with the recommended set: what the search held fixed is free here."""
    own_values: Values = {}
    sets = tally_all(drives, config, folder, [own_values, best], executor)
    work = partial(tally_replay, config=with_values(config, best))
    progress("replaying with the result", 0, len(drives))
    replayed = map(work, drives) if executor is None else executor.map(work, drives)
    results = zip(drives, sets[0], sets[1], replayed, strict=True)
    for number, (drive, before, fused_once, after) in enumerate(results):
        progress("replaying with the result", number + 1, len(drives))
        yield DriveResult(drive=drive.path, before=before, after=after, fused_once=fused_once)


def _purpose(
    drives: Sequence[LabelledDrive], found: Sequence[Threshold], seed: int, parts: int
) -> str:
    """What a study is about; the number of sets is not part of it, so that more can be tried."""
    digest = hashlib.sha256(f"{seed} {found!r} {parts}".encode())
    for drive in drives:
        digest.update(f"{drive.key} {drive.labels!r}".encode())
    return digest.hexdigest()[:32]
