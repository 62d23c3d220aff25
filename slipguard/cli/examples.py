"""One example for every command and group, in the one place where its help takes it from."""

from __future__ import annotations

from slipguard.cli.exits import EXIT_HELP

EXAMPLES = {
    "": "replay replay/wet_clay_uphill.csv.gz",
    "replay": "replay replay/wet_clay_uphill.csv.gz",
    "report": "report drive.csv -o drive.html",
    "label": "label drive.csv --write",
    "run": "run --rover rover.yaml --record drives",
    "commission": "commission --rover rover.yaml --who 'A. Builder' --record bench",
    "simulate": "simulate clay_uphill --seed 3 --out drive.csv.gz",
    "evaluate": "evaluate replay",
    "compare": "compare rover.yaml rover_new.yaml drives --later-ms 50",
    "tune": "tune drives --rover rover.yaml --out rover_tuned.yaml",
    "convert": "convert drive.csv drive.parquet",
    "bench": "bench replay/wet_clay_uphill.csv.gz",
    "settings": "settings --rover rover.yaml",
    "budget": "budget rover.yaml --grade 30 --payload 1.5",
    "calibrate": "calibrate guide",
    "calibrate guide": "calibrate guide",
    "calibrate level": "calibrate level stands.csv --out level.yaml",
    "calibrate noise": "calibrate noise five_minutes.csv --out noise.yaml",
    "calibrate straight": "calibrate straight line.csv --length 10.02 --after level.yaml",
    "calibrate delay": "calibrate delay starts.csv --after level.yaml --out delay.yaml",
    "calibrate circle": "calibrate circle left.csv right.csv --turns 3 --after straight.yaml",
    "calibrate deadband": "calibrate deadband in_the_air.csv --out deadband.yaml",
    "calibrate apply": "calibrate apply rover.yaml level.yaml --out rover_calibrated.yaml",
    "plugins": "plugins list",
    "plugins list": "plugins list --as-json",
    "plugins check": "plugins check --rover rover.yaml",
    "plugins new": "plugins new my-brake --into plugins",
}


def end_of_help(name: str) -> str:
    """For the end of a command's help: its example, and the exit codes."""
    return f"\b\nExample:\n  slipguard {EXAMPLES[name]}\n\n{EXIT_HELP}"
