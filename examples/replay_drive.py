"""Replay a recorded drive from Python: findings as they come, then a score against the labels.

    python examples/replay_drive.py                                  # a demo drive
    python examples/replay_drive.py DRIVE.csv ROVER.yaml

The demo drives are simulated, see replay/README.md.
"""

from __future__ import annotations

import sys
from pathlib import Path

from slipguard import Config
from slipguard.recording import open_recording
from slipguard.replay import replay
from slipguard.score import EpisodeLog, score

DEMO = Path(__file__).parent.parent / "replay"


def main(drive: str | Path, rover: str | Path) -> None:
    """Print every finding when it begins, every stretch of it when all is over, and the score."""
    recording = open_recording(drive)
    log = EpisodeLog()  # merges the findings of successive steps
    running: set[tuple[str, str | None, str | None]] = set()
    for decision in replay(recording, Config.load(rover)):  # one decision a row, memory stays flat
        log.add(decision.t_s, decision.findings)
        now = {(f.kind, f.wheel, f.sensor): f for f in decision.findings}
        for key in now.keys() - running:
            print(f"{decision.t_s:7.3f} s  {now[key].reason}")
        running = set(now)

    print()
    for episode in log.episodes():
        what = f"{episode.kind} {episode.wheel or ''}"
        print(f"{what:14} {episode.start_s:7.3f} s to {episode.end_s:7.3f} s")

    if recording.labels.events is not None:
        print()
        for kind, result in score(log.episodes(), recording.labels.events).items():
            delay_s = result.delay_s(50)
            late = "" if delay_s is None else f", median delay {1e3 * delay_s:.0f} ms"
            print(
                f"{kind}: {len(result.found)} of {result.labelled} labelled events found, "
                f"{len(result.false_alarms)} false alarms{late}"
            )


if __name__ == "__main__":
    if len(sys.argv) not in (1, 3):
        sys.exit("usage: replay_drive.py [DRIVE.csv ROVER.yaml]")
    main(*(sys.argv[1:] or (DEMO / "wet_clay_uphill.csv.gz", DEMO / "rover.yaml")))
