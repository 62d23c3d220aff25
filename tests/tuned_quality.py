"""Whether tuning pays off where it was not tuned: ``python tests/tuned_quality.py FOLDER``.

Thresholds are searched on simulated drives without help, every scenario with seeds below 1000, and
judged on others, seeds from 1000 up, that the search never saw. Each half is replayed whole with
the demo rover's own thresholds and with those chosen. FOLDER keeps drives and study, so that it
goes on where it was. Ten minutes of two cores.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from functools import partial
from pathlib import Path

from slipguard.config import Config
from slipguard.simulate import DEMO_ROVER, SCENARIOS, make, run
from slipguard.tune import Tally, beats, tune
from slipguard.tune.tally import labelled_drive, tally_replay, total


def make_drive(folder: Path, seed: int, name: str) -> Path:
    """One simulated drive as a recording, if it is not there yet."""
    path = folder / f"{name}_{seed}.csv.gz"
    if not path.exists():
        part = path.with_name(f"part_{path.name}")
        run(make(name, seed), DEMO_ROVER, seed).write(part)
        part.with_name(f"part_{name}_{seed}.yaml").rename(folder / f"{name}_{seed}.yaml")
        part.rename(path)
    return path


def make_drives(folder: Path, seeds: Sequence[int], pool: Executor) -> list[Path]:
    """Every scenario with each of the seeds."""
    folder.mkdir(parents=True, exist_ok=True)
    found: list[Path] = []
    for seed in seeds:
        found += pool.map(partial(make_drive, folder, seed), SCENARIOS)
    return found


def judge(drives: Sequence[Path], config: Config, pool: Executor) -> Tally:
    """Whole replays of drives, added up."""
    labelled = [labelled_drive(drive, DEMO_ROVER) for drive in drives]
    return total(pool.map(partial(tally_replay, config=config), labelled))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--choose", nargs="*", type=int, default=[3, 4])
    parser.add_argument("--judge", nargs="*", type=int, default=[1003, 1004])
    parser.add_argument("--sets", type=int, default=200)
    given = parser.parse_args()
    with ProcessPoolExecutor() as pool:
        chosen_on = make_drives(given.folder / "choose", given.choose, pool)
        judged_on = make_drives(given.folder / "judge", given.judge, pool)
        tuned = tune(
            chosen_on,
            DEMO_ROVER,
            sets=given.sets,
            study=given.folder / f"study_{given.sets}.db",
            cache=given.folder / "cache",
            executor=pool,
        )
        config = DEMO_ROVER.with_changes(**tuned.changed)
        print(f"{len(chosen_on)} drives to choose on: {tuned.reason}")
        print({name: f"{value:g}" for name, value in tuned.changed.items()})
        assert tuned.held_out is not None
        own, chosen = (tally.objectives for tally in tuned.held_out)
        print(f"cross-validation: {own} > {chosen}: {beats(own, chosen)}")
        for what, drives in (("chosen on", chosen_on), ("never seen", judged_on)):
            before, after = (judge(drives, c, pool) for c in (DEMO_ROVER, config))
            print(
                f"{what}: {len(drives)} drives, {before.hours:.2f} h, {before.labelled} labels: "
                f"missed {before.missed} > {after.missed}, false alarms {before.false_alarms} > "
                f"{after.false_alarms}, delay {before.delay_ms:.1f} > {after.delay_ms:.1f} ms: "
                f"{beats(before.objectives, after.objectives)}"
            )


if __name__ == "__main__":
    main()
