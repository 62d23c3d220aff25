"""Rovers that are not as their YAML says, and rovers with a broken sensor: what a drive looks like
to other sensors, where a fault's label begins, and how they are measured."""

import json

import numpy as np
import pytest

pytest.importorskip("mujoco")

from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.evaluate.variants import VARIANTS, hold_variant, watch_variants
from slipguard.simulate import DEMO_ROVER, SCENARIOS, run
from slipguard.simulate.faults import EncoderFault, ImuFault
from slipguard.simulate.resense import fine, first_wrong_s, seen_by

WHEEL = 1  # fr


@pytest.fixture(scope="module")
def drive():
    from dataclasses import replace

    played = replace(SCENARIOS["stop_and_go"](3, DEMO_ROVER), duration_s=6.0)
    return run(played, fine(DEMO_ROVER), 3)


def counts(readings):
    return np.array([r.counts for r in readings if r.counts is not None], float)


@pytest.mark.parametrize("per_rev", [24.0, 400.0])
def test_other_encoders_see_the_same_motion(drive, per_rev):
    """A turn is a turn: the travel of each wheel agrees with the fine sensor's to one count, and
    comes at the encoders' own rate."""
    real = DEMO_ROVER.with_changes(encoders__counts_per_rev=per_rev)
    seen = counts(seen_by(drive, real, seed=1))
    whole = np.array([r.counts for r in drive.readings], float)
    assert len(seen) == pytest.approx(len(whole) / 2, abs=1)
    turned = (whole[-1] - whole[0]) / 16384.0
    assert np.abs(turned).min() > 1.0
    assert (seen[-1] - seen[0]) / per_rev == pytest.approx(turned, abs=1.5 / per_rev)


def test_larger_tyres_turn_slower(drive):
    """Circumference in the textbook: the same way with 5 % more radius takes 1 / 1.05 turns."""
    share = 1.05 * DEMO_ROVER.rover.wheel_radius_m
    large = counts(seen_by(drive, DEMO_ROVER.with_changes(rover__wheel_radius_m=share), seed=1))
    same = counts(seen_by(drive, DEMO_ROVER, seed=1))
    assert np.ptp(large, axis=0) * 1.05 == pytest.approx(np.ptp(same, axis=0), abs=2.2)


def test_an_imu_turned_on_its_mount_feels_gravity_elsewhere(drive):
    """Rolled by 90 degrees, the sensor's y axis points up and feels what z felt."""
    turned = DEMO_ROVER.with_changes(imu__rotation_deg=(90.0, 0.0, 0.0))
    before = seen_by(drive, DEMO_ROVER, seed=1)[100].accel_mps2
    after = seen_by(drive, turned, seed=1)[100].accel_mps2
    assert after == pytest.approx((before[0], before[2], -before[1]), abs=1e-3)


def test_the_label_of_a_stuck_encoder_begins_when_its_wheel_first_counts(drive):
    """A stuck encoder on a standing rover shows nothing yet: naming it is not late."""
    clean = seen_by(drive, DEMO_ROVER, seed=1)
    stuck = seen_by(drive, DEMO_ROVER, [EncoderFault(kind="dead", wheel="fr")], seed=1)
    first = next(
        r.t_s for r in clean if r.counts is not None and r.counts[WHEEL] != clean[0].counts[WHEEL]
    )
    assert first > 0.5
    assert first_wrong_s(clean, stuck) == first
    assert first_wrong_s(clean, clean) is None


@pytest.mark.parametrize("kind", ["missing", "nan", "saturated", "frozen"])
def test_a_broken_imu_is_broken_from_its_start_and_not_before(drive, kind):
    """The label is the first wrong sample."""
    clean = seen_by(drive, DEMO_ROVER, seed=1)
    spoilt = seen_by(drive, DEMO_ROVER, [ImuFault(kind=kind, start_s=2.0)], seed=1)
    assert first_wrong_s(clean, spoilt) == pytest.approx(2.0, abs=0.006)


@pytest.mark.large
def test_a_fault_is_named_and_measured_from_its_first_wrong_reading():
    """An IMU that falls silent is named 0.1 s later: neither before nor much after, and nothing
    else is."""
    found = watch_variants("stop_and_go", 1, DEMO_ROVER, ["imu_missing"])["imu_missing"].measures
    assert found.delays_s["sensor_fault"] == pytest.approx([0.1], abs=0.011)
    assert found.false == {}


@pytest.mark.large
def test_counts_without_direction_follow_what_drives_a_wheel_that_stands():
    """A rover stranded on clay rolls back a little while one wheel spins forward. Counts taken for
    backward ones would make its estimate run away backward, at 20 m/s in the end."""
    found = watch_variants("clay_uphill", 0, DEMO_ROVER, ["one_channel"])["one_channel"].measures
    assert found.missed == found.false == {}
    assert found.rmse_mps("ordinary") < 0.02


@pytest.mark.large
def test_vibration_of_a_fast_run_away_is_no_fault_of_the_imu():
    """Nobody holds it, and it rolls down at 14 m/s. Vibration beats with the sampling of the IMU at
    some 8 Hz: the wheels are followed, not the beat."""
    name = "as_its_yaml_says"
    found = watch_variants("parking_held", 45, DEMO_ROVER, [name])[name].measures
    assert found.false == found.missed == {}
    assert found.rmse_mps("ordinary") < 0.05


@pytest.mark.large
def test_the_hold_of_a_rover_with_more_payload():
    """30 % more weight than the YAML says: the hold does not let go."""
    tried = hold_variant("parking_held", 1, DEMO_ROVER, "payload")
    assert len(tried.rolled_m) == 1
    assert tried.held == 1


def test_the_command_shows_and_writes_each_variant(tmp_path, capsys):
    """One row a variant, and the same in JSON."""
    out = tmp_path / "out.json"
    arguments = ["evaluate", "--variants", "counts_24,imu_nan", "--scenarios", "clay_uphill"]
    done = main([*arguments, "--seeds", "1:2", "--workers", "1", "--json", str(out)])
    assert done == Exit.DONE
    shown = capsys.readouterr().out
    assert "counts_24" in shown
    assert max(map(len, shown.splitlines())) <= 100
    values = json.loads(out.read_text(encoding="utf-8"))["variants"]
    assert set(values) == {"counts_24", "imu_nan"}
    assert values["imu_nan"]["faults"] == values["imu_nan"]["named_within_1_s"] == 1


@pytest.mark.parametrize("arguments", [["--variants", "purple"], ["here", "--variants", "all"]])
def test_mistakes_are_one_line(arguments, capsys):
    """An unknown variant, and variants of a recorded drive."""
    assert main(["evaluate", *arguments]) == Exit.USAGE
    assert "variant" in capsys.readouterr().err


@pytest.mark.large
def test_variants_keep_what_they_reach_today():
    """Few drives of every variant: those that raise no alarm and name their fault keep doing so."""
    for name, result in watch_variants("stop_and_go", 1001, DEMO_ROVER, VARIANTS).items():
        m = result.measures
        if name.startswith(("imu_", "encoder_")):
            assert max(m.delays_s["sensor_fault"]) <= 1.0, name
        if name in ("one_channel", "encoder_dead", "encoder_missing_teeth"):
            assert m.false.get("wheel_spin", 0) == 0, m.notes
        if name != "late":
            assert m.false.get("wheel_spin", 0) + m.false.get("rolling", 0) <= 1, m.notes
