"""How good proposed labels are, against simulated truth: ``python tests/label_quality.py [SEEDS]``.

Every scenario with the given seeds (1003 and 1004 by default; seeds below 1000 are for choosing),
labelled without its truth. A label counts as found when a proposal of its kind and wheel
overlaps it, to 50 ms; a proposal that overlaps no label is invented. Slight ones are counted apart.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from slipguard import Guard
from slipguard.label.define import Label
from slipguard.label.propose import labels_from
from slipguard.label.reference import look_back
from slipguard.simulate import DEMO_ROVER, make, run
from slipguard.simulate.scenarios import SCENARIOS

NEAR_S = 0.05
KINDS = ("wheel_spin", "wheel_lock", "rolling")


def overlap(one: Label, other: Label) -> bool:
    """Whether two are of one kind and wheel, and at one time, to ``NEAR_S``."""
    return (
        (one.kind, one.wheel) == (other.kind, other.wheel)
        and one.start_s <= other.end_s + NEAR_S
        and one.end_s >= other.start_s - NEAR_S
    )


class Tally:
    """Counts and errors of one kind."""

    def __init__(self) -> None:
        self.labels = self.found = self.proposed = self.invented = 0
        self.onset_ms: list[float] = []
        self.end_ms: list[float] = []

    def add(self, true: list[Label], got: list[Label], least_m: float) -> None:
        used: set[int] = set()
        for want in true:
            near = [k for k, one in enumerate(got) if overlap(one, want)]
            used.update(near)
            if want.travel_m < least_m:
                continue
            self.labels += 1
            self.found += bool(near)
            if near:
                starts = [1e3 * (got[k].start_s - want.start_s) for k in near]
                ends = [1e3 * (got[k].end_s - want.end_s) for k in near]
                self.onset_ms.append(abs(min(starts, key=abs)))
                self.end_ms.append(abs(min(ends, key=abs)))
        self.proposed += len(got)
        self.invented += len(got) - len(used)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", nargs="*", type=int, default=[1003, 1004])
    parser.add_argument("--counts", type=float, default=96, help="counts a revolution")
    parser.add_argument("--scenarios", default=",".join(SCENARIOS))
    given = parser.parse_args()
    config = DEMO_ROVER.with_changes(encoders__counts_per_rev=given.counts)
    least_m = 0.012 if given.counts >= 48 else 0.035
    tallies: dict[str, Tally] = defaultdict(Tally)
    hours, errors, live_errors = 0.0, [], []
    slight = slight_true = 0
    for name in given.scenarios.split(","):
        for seed in given.seeds:
            drive = run(make(name, seed, config), config, seed)
            true_mps = drive.truth_column("speed_mps")
            back = look_back(drive.readings, config)
            live = [d.estimate.speed_mps for d in map(Guard(config).step, drive.readings)]
            errors.append(np.mean((back.speed_mps - true_mps) ** 2))
            live_errors.append(np.mean((np.array(live) - true_mps) ** 2))
            hours += float(back.t_s[-1]) / 3600
            proposed, true = labels_from(back, config), drive.labels()
            got = [e for e in proposed if not e.slight]
            happened = drive.happened()
            for one in proposed:
                if one.slight and one.kind in KINDS:
                    slight += 1
                    slight_true += any(overlap(one, e) for e in happened)
            for kind in KINDS:
                tallies[kind].add(
                    [e for e in true if e.kind == kind],
                    [e for e in got if e.kind == kind],
                    0.0 if kind == "rolling" else least_m,
                )
    print(f"{hours:.2f} h, {given.counts:g} counts, seeds {given.seeds}; of drives' speed RMSE,")
    for title, squares in (("live", live_errors), ("look back", errors)):
        half, most = 1e3 * np.sqrt(np.percentile(squares, [50, 95]))
        print(f"  {title:10s} half below {half:.1f} mm/s, 95 % below {most:.1f} mm/s")
    for kind, tally in tallies.items():
        onset = np.percentile(tally.onset_ms or [np.nan], [50, 95])
        end = np.percentile(tally.end_ms or [np.nan], [50, 95])
        print(
            f"{kind:11s} found {tally.found} of {tally.labels}, invented {tally.invented} of "
            f"{tally.proposed}; onset off by {onset[0]:.0f} / {onset[1]:.0f} ms, end by "
            f"{end[0]:.0f} / {end[1]:.0f} ms (p50 / p95)"
        )
    print(f"slight: {slight_true} of {slight} proposed did happen")


if __name__ == "__main__":
    main()
