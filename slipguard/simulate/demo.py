"""Drive the demo rover through the demo drives: ``python -m slipguard.simulate.demo [DIR]``.

Writes ``replay/`` (or DIR) anew: the drives, their labels computed from truth, and the rover
beside them. The same engine version on the same kind of machine gives the same bytes.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from slipguard.config import Config
from slipguard.simulate.drive import run
from slipguard.simulate.scenario import DEMO_ROVER, DEMO_ROVER_YAML, Scenario
from slipguard.simulate.scenarios import ENCODER_FAULTS, make, with_fault

COARSE_ROVER_YAML = DEMO_ROVER_YAML.replace("counts_per_rev: 96", "counts_per_rev: 24")


@dataclass(frozen=True, slots=True)
class Demo:
    """One demo drive."""

    file: str
    notes: str
    scenario: str
    seed: int
    duration_s: float
    change: Callable[[Scenario], Scenario] = lambda scenario: scenario


def _cut_late(scenario: Scenario) -> Scenario:
    return replace(scenario, motor_enabled=lambda t: t < 16.0, event_s=16.0)


def _lose_encoder(scenario: Scenario) -> Scenario:
    return with_fault(scenario, "encoder_dead", ENCODER_FAULTS["encoder_dead"]("rl", 13.0, 99.0))


DEMOS = (
    Demo(
        "headland_turns.csv.gz",
        "Headland of an orchard, level and dry: a figure of eight at full lock, then a sprint "
        "and a hard stop. Nothing slips.",
        "tight_turns",
        1,
        32.0,
    ),
    Demo(
        "rough_lane.csv.gz",
        "A lane between the trees, rutted and with small stones, at a crawl. Nothing slips.",
        "rough_crawl",
        1,
        30.0,
    ),
    Demo(
        "root_ridges.csv.gz",
        "Ridges over tree roots, alternately left and right, lift one wheel off the ground: it "
        "spins and the rover strands.",
        "twister",
        1,
        22.0,
    ),
    Demo(
        "wet_clay_uphill.csv.gz",
        "Pulls away uphill with one wheel on wet clay below a leaking sprinkler.",
        "clay_uphill",
        3,
        20.0,
    ),
    Demo(
        "parking_on_the_bank.csv",
        "Drives up a bank and is held there by the throttle; then the motor is cut and the rover "
        "rolls away.",
        "parking_motor_cut",
        4,
        20.0,
        _cut_late,
    ),
    Demo(
        "hill_start.csv.gz",
        "Starts on a slope with too little throttle, rolls back, then climbs.",
        "hill_start",
        2,
        20.0,
    ),
    Demo(
        "frozen_puddle.csv.gz",
        "Pulls away with all four wheels on a frozen puddle: all spin, and grip returns beyond.",
        "all_on_ice",
        3,
        20.0,
    ),
    Demo(
        "reverse_off_the_clay.csv.gz",
        "Reverses uphill with one wheel on wet clay.",
        "clay_uphill_reverse",
        5,
        20.0,
    ),
    Demo(
        "encoder_dies.csv.gz",
        "The headland again; the rear left encoder dies half way.",
        "tight_turns",
        2,
        32.0,
        _lose_encoder,
    ),
    Demo(
        "coarse/root_ridges.csv.gz",
        "The ridges again, with encoders of 24 counts a revolution.",
        "twister",
        3,
        22.0,
    ),
)


def main(folder: str = "replay") -> None:
    """Write every demo drive into ``folder``."""
    base = Path(folder)
    rovers = {base: DEMO_ROVER_YAML, base / "coarse": COARSE_ROVER_YAML}
    for place, text in rovers.items():
        place.mkdir(parents=True, exist_ok=True)
        (place / "rover.yaml").write_text(text, encoding="utf-8", newline="\n")
    for demo in DEMOS:
        path = base / demo.file
        config = Config.load(path.with_name("rover.yaml"))
        drive = run(build(demo, config), config, demo.seed)
        drive.write(path)
        print(f"{path}: {len(drive.labels())} labelled events")


def build(demo: Demo, config: Config = DEMO_ROVER) -> Scenario:
    """The scenario of one demo drive."""
    scenario = make(demo.scenario, demo.seed, config)
    return demo.change(replace(scenario, notes=demo.notes, duration_s=demo.duration_s))


if __name__ == "__main__":
    main(*sys.argv[1:2])
