"""The same readings, the same decisions: run again, live and replayed, and between machines."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from synthetic import QUICK, drive, rover, run

from slipguard import Config, Guard, Hold, Reading
from slipguard.recording import STANDARD_COLUMNS, Writer, open_recording
from slipguard.replay import replay

FOLDER = Path(__file__).parent.parent / "replay"
SECONDS = 12.0
"""Enough of a drive to hold, drive off, spin and roll."""


def head(name: str) -> list[Reading]:
    readings = []
    for row in open_recording(FOLDER / name):
        if row.reading.t_s > SECONDS:
            break
        readings.append(row.reading)
    return readings


def config_of(name: str) -> Config:
    return Config.load((FOLDER / name).parent / "rover.yaml")


@pytest.mark.parametrize("name", ["root_ridges.csv.gz", "hill_start.csv.gz"])
def test_the_same_recording_twice_gives_identical_decisions(name):
    """Every field of every decision, written out to the last digit."""
    config, readings = config_of(name), head(name)
    first, second = run(config, readings), run(config, readings)
    assert [repr(d) for d in first] == [repr(d) for d in second]


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz"])
def test_live_and_replayed_decide_the_same(tmp_path, suffix):
    """Readings stepped as they come and recorded meanwhile; then the recording replayed: bit for
    bit the same decisions. Counts missing on every other reading, one encoder missing, a value
    that is no number, and a spinning wheel included."""
    config = rover()
    spin = {"fr": [(1.4, 0), (1.5, 1), (2.0, 1), (2.1, 0)]}
    made = drive(config, [(0, 0), (0.6, 0), (1.2, 0.6), (3, 0.6)], slope_rad=0.1, slip=spin)
    readings = list(made.readings)
    readings[300] = dataclasses.replace(readings[300], counts=(None, *readings[300].counts[1:]))
    readings[301] = dataclasses.replace(readings[301], accel_mps2=(float("nan"), 0.0, 9.8))
    path = tmp_path / f"drive{suffix}"
    guard, live = Guard(config), []
    with Writer(path, STANDARD_COLUMNS) as writer:
        for reading in readings:
            live.append(guard.step(reading))
            writer.write(reading)
    replayed = list(replay(open_recording(path), config))
    assert [repr(d) for d in replayed] == [repr(d) for d in live]
    assert any(d.findings for d in live)


def test_a_reading_in_lists_or_tuples_is_the_same_reading():
    """A driver may hand over lists, tuples or arrays: the decisions do not tell."""
    numpy = pytest.importorskip("numpy")
    config = rover()
    made = drive(config, [(0, 0), (0.5, 0), (1.0, 0.6), (1.5, 0.6)])

    def other(reading: Reading, kind) -> Reading:
        fields = ("counts", "accel_mps2", "gyro_radps")
        values = {f: getattr(reading, f) for f in fields}
        return dataclasses.replace(
            reading, **{f: kind(v) for f, v in values.items() if v is not None}
        )

    plain = [repr(d) for d in run(config, made.readings)]
    for kind in (list, numpy.array):
        assert [repr(d) for d in run(config, [other(r, kind) for r in made.readings])] == plain


def phases(name: str) -> list[tuple[Hold, float]]:
    """Each phase of the hold, and when it began."""
    found: list[tuple[Hold, float]] = []
    for decision in replay(open_recording(FOLDER / name), Guard(config_of(name), QUICK)):
        if not found or found[-1][0] is not decision.hold:
            found.append((decision.hold, decision.t_s))
    return found


def test_hold_phases_of_the_parked_rover():
    """Golden behaviour of the bank: held at start, let go to drive, and held again for good within
    0.3 s of the motor being cut (the recorded rover had no brakes and rolls on regardless)."""
    name = "parking_on_the_bank.csv"
    found = phases(name)
    assert [phase for phase, _ in found[:3]] == [Hold.HOLDING, Hold.RELEASING, Hold.OFF]
    cut = next(r.reading.t_s for r in open_recording(FOLDER / name) if not r.reading.motor_enabled)
    after = [(phase, t) for phase, t in found if t >= cut]
    assert after[0][1] < cut + 0.3
    assert after[-1][0] in (Hold.HOLDING, Hold.STOPPING)


def test_level_driving_is_never_held():
    """The headland: once driven off, no brake is pressed and no throttle limited in half a minute
    of full lock, sprint and hard stop."""
    name = "headland_turns.csv.gz"
    off = False
    for decision in replay(open_recording(FOLDER / name), Guard(config_of(name), QUICK)):
        off = off or decision.hold is Hold.OFF
        if off:
            assert decision.hold is Hold.OFF
            assert max(decision.brakes) == 0.0
            assert decision.throttle_limit == 1.0
    assert off
