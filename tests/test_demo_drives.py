"""The demo drives: real recordings with labels, replayed as a user would. What they show must not
change unnoticed: every labelled event found, none invented, speed true within what is claimed."""

import hashlib
from pathlib import Path

import pytest

from slipguard import Config
from slipguard.cli.evaluate import measure_file
from slipguard.recording import open_recording
from slipguard.replay import replay

REPLAY = Path(__file__).parent.parent / "replay"
DRIVES = sorted([*REPLAY.rglob("*.csv"), *REPLAY.rglob("*.csv.gz")])
NAMES = [str(d.relative_to(REPLAY)).split(".")[0] for d in DRIVES]


@pytest.fixture(scope="module")
def measured():
    return {
        name: measure_file(drive, drive.parent / "rover.yaml", name)
        for name, drive in zip(NAMES, DRIVES, strict=True)
    }


def test_the_set_is_the_one_promised():
    """Eight kinds of drive and more, one of them plain text, small enough to carry along."""
    assert len(DRIVES) >= 10
    assert sum(d.suffix == ".csv" for d in DRIVES) == 1
    assert sum(d.stat().st_size for d in DRIVES) < 8e6
    kinds = set()
    for drive in DRIVES:
        recording = open_recording(drive)
        assert "simulated" in recording.labels.source, drive
        kinds |= {event.kind for event in recording.labels.events}
    assert {"wheel_spin", "rolling", "sensor_fault"} <= kinds


def test_every_labelled_event_is_found_and_none_invented(measured):
    """The main job, on drives anybody can replay."""
    for name, m in measured.items():
        assert m.missed == {}, (name, m.notes)
        assert m.false == {}, (name, m.notes)
    assert sum(m.found.get("wheel_spin", 0) for m in measured.values()) >= 15
    assert sum(m.found.get("rolling", 0) for m in measured.values()) >= 8
    assert sum(m.found.get("sensor_fault", 0) for m in measured.values()) == 1


def test_speed_and_sigma_on_the_demo_drives(measured):
    """Speed within 10 mm/s RMSE, and truth inside two sigma nine times in ten or more."""
    for name, m in measured.items():
        assert m.rmse_mps("ordinary") <= 0.010, name
        assert m.coverage >= 0.90, name


@pytest.mark.parametrize("name", ["parking_on_the_bank", "wet_clay_uphill"])
def test_the_same_recording_twice_decides_the_same_to_the_last_bit(name):
    """Determinism: no clock, no random number, no order of a set gets into a decision."""
    drive = DRIVES[NAMES.index(name)]

    def digest():
        config = Config.load(drive.parent / "rover.yaml")
        h = hashlib.sha256()
        for decision in replay(open_recording(drive), config):
            h.update(repr(decision).encode())
        return h.hexdigest()

    assert digest() == digest()
