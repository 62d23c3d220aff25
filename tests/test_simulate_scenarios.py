"""Scenarios, outcomes and the demo drives."""

from __future__ import annotations

import filecmp
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated import rover
from sizes import rest_large

from slipguard import Config
from slipguard.reading import Reading
from slipguard.recording import labels_path, load_labels, open_recording
from slipguard.simulate import (
    DEMO_ROVER,
    SCENARIOS,
    Plant,
    Scenario,
    World,
    make,
    run,
    summarise,
)
from slipguard.simulate.demo import DEMOS, build
from slipguard.simulate.drive import TRUE, truth_cells
from slipguard.simulate.scenario import Knock, keep_line
from slipguard.simulate.scenarios import ENCODER_FAULTS, MISMATCHES, with_fault

REPLAY = Path(__file__).parent.parent / "replay"


def short(scenario, seconds):
    return replace(scenario, duration_s=seconds)


@pytest.mark.parametrize("name", rest_large(sorted(SCENARIOS), sorted(SCENARIOS)[::3]))
def test_every_scenario_plays(name):
    """Each scenario starts standing and neutral, so that a guard unlatches, and stays finite."""
    drive = run(short(make(name, 11), 2.5), DEMO_ROVER, 11)
    early = [r for r in drive.readings if r.t_s < 0.7]
    assert all(r.throttle == 0.0 and r.motor_enabled for r in early)
    assert np.all(np.isfinite([list(truth_cells(t).values()) for t in drive.truth]))
    assert name == drive.scenario.name


def test_unknown_scenario_is_named():
    """A mistyped name is answered with the known ones."""
    with pytest.raises(KeyError, match=r"twistr.*expected one of.*twister"):
        make("twistr", 1)


def test_scenarios_vary_with_the_seed_only():
    """Evaluation on unseen seeds means unseen worlds."""
    worlds = [make("clay_uphill", seed).world for seed in (1, 1, 2)]
    assert worlds[0] == worlds[1] != worlds[2]


@pytest.mark.large
def test_open_differentials_strand_and_locked_ones_cross():
    """The yardstick: what strands the unaided rover is crossed with locked differentials."""
    for name, seed in (("twister", 3), ("clay_uphill", 3)):
        scenario = short(make(name, seed), 9.0)
        unaided = run(scenario, DEMO_ROVER, seed)
        assert summarise(unaided).across_s is None
        spins = [e for e in unaided.labels() if e.kind == "wheel_spin"]
        assert max(e.travel_m for e in spins) > 1.0
        locked = run(scenario, rover(drive="locked"), seed)
        assert summarise(locked).across_s is not None


def test_the_driver_on_the_ridges_gives_all_there_is_before_he_gives_up():
    """Stuck, the throttle rises to full within 3 s, the same for whoever helps; once the rover
    moves it is back where it began, so that nothing shoots off."""
    operator = make("twister", 61).operator
    stands = replace(run(short(make("twister", 61), 0.01), DEMO_ROVER, 61).truth[0], x_m=1.2)
    came = 1.0 + 1.2 / 0.4
    given = [operator(came + late, stands)[0] for late in (0.0, 1.0, 2.0, 3.0)]
    assert given == sorted(given)
    assert given[0] < 0.5
    assert given[-1] == 1.0
    moving = replace(stands, speed_mps=0.2)
    assert operator(came + 3.0, moving)[0] == pytest.approx(given[0] - 0.2)


def test_full_throttle_does_not_free_the_unaided_rover():
    """Two wheels spin the faster: the driver's patience is no way across."""
    scenario = short(make("twister", 61), 12.0)
    drive = run(scenario, DEMO_ROVER, 61)
    assert drive.command_column("throttle").max() == 1.0
    assert summarise(drive).across_s is None
    assert max(np.abs(t.slip_mps).max() for t in drive.truth) > 3.0


def test_reverse_mirrors():
    """Driven backwards the same thing happens to the opposite wheel."""
    ahead, back = (
        run(short(make(name, 4), 3.0), DEMO_ROVER, 4)
        for name in ("clay_uphill", "clay_uphill_reverse")
    )
    opposite = {"fl": "rr", "fr": "rl", "rl": "fr", "rr": "fl"}
    first, mirrored = (
        next(e for e in drive.labels() if e.kind == "wheel_spin") for drive in (ahead, back)
    )
    assert mirrored.wheel == opposite[first.wheel]
    assert mirrored.start_s == pytest.approx(first.start_s, abs=0.03)


@pytest.mark.large
def test_ordinary_driving_has_no_slip():
    """Tight turns and rough ground are the false alarms to avoid: truth must be clean there."""
    for name in ("tight_turns", "rough_crawl"):
        assert run(short(make(name, 2), 12.0), DEMO_ROVER, 2).labels() == []


def test_parked_rover_rolls_away_unaided():
    """A motor that is cut does not hold: truth says rolling, with the distance."""
    scenario = replace(make("parking_motor_cut", 5), motor_enabled=lambda t: t < 6.5)
    drive = run(short(scenario, 8.5), DEMO_ROVER, 5)
    (found,) = [e for e in drive.labels() if e.kind == "rolling"]
    assert 6.5 <= found.start_s < 6.7
    assert summarise(drive).rolled_m == pytest.approx(found.travel_m, abs=0.002)
    assert found.travel_m > 0.5


class Holder:
    """A helper that brakes all wheels and lets no throttle through."""

    def __init__(self):
        self.seen = []

    def step(self, reading):
        self.seen.append(reading)
        return type("Held", (), {"throttle": 0.0, "brakes": (1.0, 1.0, 1.0, 1.0)})()


def test_a_helper_acts_on_the_plant():
    """Closed loop: the helper gets every reading, and its throttle and brakes are what acts."""
    helper, watched = Holder(), []
    scenario = replace(make("hill_start", 1), blocked_until_s=0.5)
    drive = run(short(scenario, 4.0), DEMO_ROVER, 1, helper, watch=watched.append)
    assert helper.seen == drive.readings
    assert len(watched) == len(drive.readings)
    assert isinstance(watched[0], Plant)
    assert np.ptp(drive.truth_column("x_m")) < 0.005
    assert summarise(drive).brake_wheel_s > 4.0


def test_mismatched_rover():
    """What the helper believes and what drives differ: payload, tyres, mounting, late wheels."""
    rng = np.random.default_rng(1)
    changed = {name: change(DEMO_ROVER, rng) for name, change in MISMATCHES.items()}
    assert changed["payload"].rover.mass_kg == pytest.approx(6.5)
    assert abs(changed["tyres"].rover.wheel_radius_m / 0.075 - 1) == pytest.approx(0.05)
    assert np.linalg.norm(changed["askew"].imu.rotation_deg) == pytest.approx(5.0)
    assert 0.02 <= changed["late"].encoders.delay_s <= 0.1
    scenario = short(make("long_standing", 1), 0.5)
    heavy = run(scenario, DEMO_ROVER, 1, plant_config=changed["payload"])
    assert sum(heavy.truth[-1].load_n) == pytest.approx(6.5 * 9.81, rel=0.001)


def test_knock():
    """A push of 20 N for 50 ms gives 5 kg on free wheels its momentum: m v = F t."""
    scenario = Scenario(
        name="knock",
        notes="",
        world=World(),
        duration_s=1.2,
        operator=lambda t, truth: (0.0, 0.0),
        knocks=(Knock(start_s=1.0, duration_s=0.05, force_n=(20.0, 0.0, 0.0)),),
    )
    drive = run(scenario, rover(sim="rolling_resistance: 0, overrun_drag: 0"), 1)
    turning = (4 * 0.7 * 0.25 * 0.075**2 + 0.002) / 0.075**2
    top = drive.truth_column("speed_mps")[-20:].mean()
    assert top == pytest.approx(20 * 0.05 / (5.0 + turning), rel=0.06)


@pytest.mark.parametrize("reverse", [False, True])
def test_the_driver_keeps_to_the_line(reverse):
    """The steering of the scripts works both ways; a rover off its track tests nothing."""
    way = -1.0 if reverse else 1.0
    scenario = Scenario(
        name="line",
        notes="",
        world=World(),
        duration_s=7.0,
        operator=lambda t, truth: (way * 0.3, keep_line(truth, 0.0, 3.1415927 * reverse)),
        y_m=0.3,
        heading_deg=180.0 * reverse + 15.0,
    )
    end = run(scenario, DEMO_ROVER, 1).truth[-1]
    assert end.x_m > 4.0
    assert abs(end.y_m) < 0.03


def test_written_drive_reads_back(tmp_path: Path):
    """A simulated drive is a recorded drive: same readings, labels and truth columns."""
    scenario = with_fault(
        short(make("twister", 3), 3.0), "dead", ENCODER_FAULTS["encoder_dead"]("rl", 1.0, 9.0)
    )
    drive = run(scenario, DEMO_ROVER, 3)
    path = tmp_path / "drive.csv.gz"
    drive.write(path)
    rows = list(open_recording(path))
    assert [row.reading for row in rows] == [_listed(r) for r in drive.readings]
    labels = load_labels(labels_path(path))
    assert [(e.kind, e.wheel, e.start_s) for e in labels.events] == [
        (e.kind, e.wheel, e.start_s) for e in drive.happened()
    ]
    assert "simulated" in labels.source
    again = tmp_path / "again.csv.gz"
    run(scenario, DEMO_ROVER, 3).write(again)
    assert filecmp.cmp(path, again, shallow=False)


def _listed(reading: Reading) -> Reading:
    """With tuples where the plant gives lists, as a recording does."""
    return replace(reading, counts=None if reading.counts is None else tuple(reading.counts))


def test_speed_rovers_are_recorded_with_speeds(tmp_path: Path):
    """Rovers without counts write the other wheel columns."""
    config = rover(encoders="kind: speed")
    path = tmp_path / "drive.csv"
    run(short(make("long_standing", 1), 0.2), config, 1).write(path)
    header = path.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert "fl_radps" in header
    assert "fl_count" not in header
    assert set(TRUE) <= set(header)


@pytest.mark.parametrize("demo", DEMOS, ids=lambda demo: demo.file)
def test_demo_drives_are_complete(demo):
    """Every demo drive is there, 20-60 s long, with labels that say it is simulated."""
    path = REPLAY / demo.file
    labels = load_labels(labels_path(path))
    assert labels.source.startswith("simulated")
    assert demo.notes.split()[0] in labels.notes
    assert labels.events is not None
    rows = list(open_recording(path))
    assert 20 <= rows[-1].reading.t_s <= 60
    assert len(rows) == round(demo.duration_s * 200) + 1
    assert (path.parent / "rover.yaml").exists()


def test_demo_drives_show_what_they_promise():
    """One of each kind, small enough to ship."""
    kinds = {}
    for demo in DEMOS:
        events = load_labels(labels_path(REPLAY / demo.file)).events
        kinds[demo.file.split("/")[-1].split(".")[0] + demo.file.count("/") * "_24"] = {
            e.kind for e in events if not e.slight
        }
    assert kinds["headland_turns"] == kinds["rough_lane"] == set()
    assert "wheel_spin" in kinds["root_ridges"] & kinds["root_ridges_24"]
    assert "wheel_spin" in kinds["wet_clay_uphill"] & kinds["reverse_off_the_clay"]
    assert kinds["parking_on_the_bank"] == kinds["hill_start"] == {"rolling"}
    assert kinds["encoder_dies"] == {"sensor_fault"}
    puddle = load_labels(REPLAY / "frozen_puddle.yaml").events
    spun = {e.wheel for e in puddle if e.kind == "wheel_spin" and not e.slight}
    assert spun == {"fl", "fr", "rl", "rr"}
    assert sum(f.stat().st_size for f in REPLAY.rglob("*") if f.is_file()) < 8e6


def test_a_demo_drive_is_what_the_simulator_makes():
    """The shipped files are made by the code beside them: regenerate one and compare.

    Bytes are equal on one kind of machine and engine version; across them the last digits may
    differ and grow, so the first seconds are compared, closely.
    """
    demo = next(d for d in DEMOS if d.scenario == "hill_start")
    config = Config.load(REPLAY / "rover.yaml")
    drive = run(replace(build(demo, config), duration_s=4.0), config, demo.seed)
    shipped = [row for row, _ in zip(open_recording(REPLAY / demo.file), drive.truth, strict=False)]
    x_m = [row.extra["true_x_m"] for row in shipped]
    assert x_m == pytest.approx(drive.truth_column("x_m"), abs=2e-4)
    force = [row.reading.accel_mps2 for row in shipped]
    assert np.array(force) == pytest.approx(
        np.array([r.accel_mps2 for r in drive.readings]), abs=0.01
    )
