"""The search: sets of thresholds proposed by optuna, kept in a SQLite file as they are tried.

Reproducible, and the same after a kill: which sets a batch holds follows from the seed and from
the batches before it alone, never from the state of a sampler in memory. Only whole results go
into the file, one by one, so that nothing in it is half done or counted twice.
"""

from __future__ import annotations

import hashlib
import os
import random
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slipguard.errors import RecordingError
from slipguard.tune.thresholds import Threshold, own, rounded

BATCH = 8
"""Sets proposed together: these can be tried side by side."""

Values = dict[str, float]
Objectives = tuple[float, ...]
"""What is made small; on recorded drives missed events, false alarms an hour, delay in ms."""
Evaluate = Callable[[Sequence[Values]], list[Objectives]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A set of settings and how good it is: what is made small."""

    values: Values
    objectives: Objectives


class StudyFile:
    """Several studies in one SQLite file. Opening a file that is there goes on with it.

    Parameters
    ----------
    path : Path
    names : sequence of str
        The studies.
    purpose : str
        What they are about, as one word. A file made for another purpose is refused.
    objectives : int
        How many things are made small.

    Raises
    ------
    RecordingError
        The file is there and no study, half written, or about something else.
    """

    def __init__(self, path: Path, names: Sequence[str], purpose: str, objectives: int = 3) -> None:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.WARNING)
        self._path = path
        if not path.exists():
            self._create(names, purpose, objectives)
        _check_sqlite(path)
        try:
            storage = optuna.storages.RDBStorage(_url(path))
            there = optuna.get_all_study_names(storage)
            studies = {name: optuna.load_study(study_name=name, storage=storage) for name in there}
            purposes = {study.user_attrs.get("purpose") for study in studies.values()}
        except Exception as err:  # whatever a database that is not right can raise
            raise damaged(path) from err
        if purposes != {purpose}:
            raise RecordingError(
                f"{path}: a study of other drives, labels or settings, of another seed or other "
                "parts (--folds), or of another version; name another file, or move this one away"
            )
        if set(names) != studies.keys():
            raise damaged(path)
        self._studies = studies

    def _create(self, names: Sequence[str], purpose: str, objectives: int) -> None:
        """Make it under another name first: a kill here leaves no half file behind."""
        import optuna

        part = self._path.with_name(self._path.name + ".part")
        try:
            part.unlink(missing_ok=True)
            storage = optuna.storages.RDBStorage(_url(part))
            for name in names:
                study = optuna.create_study(
                    study_name=name, storage=storage, directions=["minimize"] * objectives
                )
                study.set_user_attr("purpose", purpose)
            storage.remove_session()
            storage.engine.dispose()
            os.replace(part, self._path)
        except Exception as err:
            raise RecordingError(f"{self._path}: cannot write the study: {err}") from err

    def run(
        self,
        name: str,
        found: list[Threshold],
        sets: int,
        seed: int,
        evaluate: Evaluate,
        done: Callable[[int], None],
    ) -> list[Trial]:
        """Try sets until there are ``sets``, those of earlier runs included.

        The first is the rover's own. ``done`` is told how many are there.
        """
        import optuna

        study = self._studies[name]
        try:
            trials = [
                Trial(values=dict(t.params), objectives=tuple(t.values))
                for t in study.get_trials(deepcopy=False)
                if t.state == optuna.trial.TrialState.COMPLETE
            ]
        except Exception as err:
            raise damaged(self._path) from err
        distributions: dict[str, Any] = {
            t.name: optuna.distributions.FloatDistribution(t.low, t.high, log=t.low > 0.0)
            for t in found
        }
        while len(trials) < sets:
            done(len(trials))
            whole = len(trials) // BATCH * BATCH
            batch = _propose(
                trials[:whole], distributions, len(study.directions), _seed(seed, name, whole)
            )
            if whole == 0:
                batch[0] = own(found)
            todo = batch[len(trials) - whole : sets - whole]
            for values, objectives in zip(todo, evaluate(todo), strict=True):
                trial = Trial(values=values, objectives=objectives)
                study.add_trial(_stored(trial, distributions))
                trials.append(trial)
        done(sets)
        return trials[:sets]


def _propose(
    history: Sequence[Trial], distributions: Mapping[str, Any], objectives: int, seed: int
) -> list[Values]:
    """The next batch, from what is known: nothing else goes into it."""
    import optuna

    study = optuna.create_study(
        directions=["minimize"] * objectives, sampler=optuna.samplers.TPESampler(seed=seed)
    )
    study.add_trials([_stored(trial, distributions) for trial in history])
    return [
        {name: rounded(value) for name, value in study.ask(dict(distributions)).params.items()}
        for _ in range(BATCH)
    ]


def _stored(trial: Trial, distributions: Mapping[str, Any]) -> Any:
    import optuna

    return optuna.trial.create_trial(
        params=trial.values, distributions=dict(distributions), values=list(trial.objectives)
    )


def _seed(seed: int, name: str, number: int) -> int:
    digest = hashlib.sha256(f"{seed} {name} {number}".encode()).digest()
    return int.from_bytes(digest[:4], "big")


def folds(count: int, wanted: int, seed: int) -> Iterator[tuple[list[int], list[int]]]:
    """Split drives for cross-validation: (those to choose on, those to judge on), by index.

    Every drive is judged on once. With fewer than two folds: nothing.
    """
    order = list(range(count))
    random.Random(seed).shuffle(order)
    most = min(wanted, count)
    for k in range(most if most > 1 else 0):
        yield sorted(order[i] for i in range(count) if i % most != k), sorted(order[k::most])


def _url(path: Path) -> str:
    return f"sqlite:///{path.absolute()}"


def damaged(path: Path) -> RecordingError:
    """The error for a study that cannot be read."""
    return RecordingError(
        f"{path}: damaged, or no study of slipguard tune; name another file, or move this one away"
    )


def _check_sqlite(path: Path) -> None:
    """Refuse other people's files before anything is written into them."""
    try:
        with path.open("rb") as file:
            head = file.read(16)
        if head != b"SQLite format 3\0":
            raise damaged(path)
        database = sqlite3.connect(f"file:{path.absolute().as_posix()}?mode=ro", uri=True)
        try:
            names = {row[0] for row in database.execute("SELECT name FROM sqlite_master")}
        finally:
            database.close()
    except (OSError, sqlite3.Error) as err:
        raise damaged(path) from err
    if not {"studies", "trials"} <= names:
        raise damaged(path)
