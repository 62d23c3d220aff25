"""Tune detection thresholds from Python, with whatever executor does the work.

    python examples/tune_thresholds.py                        # two demo drives, a few sets
    python examples/tune_thresholds.py ROVER.yaml DRIVES...   # yours: an hour or more, labelled

Needs optuna; install it, in slipguard's folder, with: pip install '.[tune]'. The demo drives are
simulated, see replay/README.md; so few of them and so few sets show how it is done, not what is
good.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path

from slipguard import Config
from slipguard.tune import beats, patched, tune

DEMO = Path(__file__).parent.parent / "replay"
DEMO_DRIVES = (DEMO / "hill_start.csv.gz", DEMO / "reverse_off_the_clay.csv.gz")


def main(rover: Path, drives: list[Path], sets: int, cache: str, executor: Executor) -> None:
    """Search, then print what came of it and the rover file to use."""
    tuned = tune(
        drives, Config.load(rover), sets=sets, folds_wanted=2, cache=cache, executor=executor
    )
    for trial in tuned.pareto:
        missed, false_per_h, delay_ms = trial.objectives
        print(f"missed {missed:.0f}, false alarms an hour {false_per_h:.1f}, {delay_ms:.0f} ms")
    print(f"recommended: {tuned.reason}")
    if tuned.held_out is not None:  # each drive judged by what was chosen without it
        own, chosen = tuned.held_out
        print(f"on drives not used for choosing it {beats(own.objectives, chosen.objectives)}")
    print()
    print(patched(rover.read_text(encoding="utf-8"), tuned.changed, tuned.reason))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor() as pool:
        if len(sys.argv) > 2:
            main(Path(sys.argv[1]), [Path(p) for p in sys.argv[2:]], 200, folder, pool)
        else:
            main(DEMO / "rover.yaml", list(DEMO_DRIVES), 16, folder, pool)
