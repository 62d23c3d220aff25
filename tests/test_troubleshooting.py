"""The README's troubleshooting table: what it says a mistake looks like is what it looks like."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import pytest

from slipguard import Guard
from slipguard.score import EpisodeLog
from slipguard.simulate import DEMO_ROVER, Scenario, World, run
from slipguard.simulate.faults import EncoderFault
from slipguard.simulate.scenario import Driver, keep_line

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
ROVER = DEMO_ROVER.with_changes(imu__rate_hz=100.0)
DRIVER = Driver.of(ROVER)


def line_operator(t_s, truth):
    """Stands, drives straight at 1 m/s, stops."""
    if t_s < 3.0:
        return 0.0, 0.0
    return (DRIVER.cruise(truth, 1.0) if t_s < 7.0 else DRIVER.stop(truth)), keep_line(truth)


def bend_operator(t_s, truth):
    """The same to the left, as tightly as it can, at 0.8 m/s."""
    if t_s < 3.0:
        return 0.0, 1.0
    return (DRIVER.cruise(truth, 0.8) if t_s < 7.0 else DRIVER.stop(truth)), 1.0


def stand_operator(t_s, truth):
    """Nobody asks for anything."""
    return 0.0, 0.0


def seen(
    true=ROVER, believed=ROVER, faults=(), slope_deg=0.0, operator=line_operator, helped=False
):
    """Episodes by kind and wheel, and the last estimate."""
    made = Scenario(
        name="made",
        notes="For one symptom.",
        world=World(slope_deg=slope_deg),
        duration_s=5.0 if operator is stand_operator else 15.0,
        operator=operator,
        faults=faults,
    )
    drive = run(made, true, 1, Guard(believed) if helped else None)
    guard, log = Guard(believed), EpisodeLog()
    for reading in drive.readings:
        decision = guard.step(reading)
        log.add(decision.t_s, decision.findings)
    return Counter((e.kind, e.wheel) for e in log.episodes()), decision.estimate


WHEELS = {"fl", "fr", "rl", "rr"}


@pytest.mark.large
def test_mistakes_look_as_the_table_says():
    """A builder who follows a wrong hint loses an evening."""
    assert not seen()[0]
    found, _ = seen(faults=[EncoderFault(kind="bounce", wheel="fl", amount=0.1)])
    assert set(found) == {("wheel_spin", "fl")}
    assert found["wheel_spin", "fl"] >= 3
    found, _ = seen(faults=[EncoderFault(kind="missing_teeth", wheel="fl", amount=0.2)])
    assert set(found) == {("sensor_fault", "fl")}
    found, _ = seen(faults=[EncoderFault(kind="dead", wheel="fl", start_s=5.0)])
    assert found == {("sensor_fault", "fl"): 1}
    found, _ = seen(believed=ROVER.with_changes(encoders__counts_per_rev=24))
    assert {w for kind, w in found if kind == "wheel_spin"} == WHEELS
    found, _ = seen(true=ROVER.with_changes(imu__rotation_deg=[0, 0, 180]))
    assert found["sensor_fault", None] == 2
    assert found["rolling", None] == 1
    assert len([wheel for _, wheel in found if wheel]) == 1
    assert not seen(believed=ROVER.with_changes(rover__wheel_radius_m=0.085))[0]


def test_bias_and_weak_brakes_look_as_the_table_says():
    """0.8 m/s2 of bias reads as tan(asin(0.8 / 9.81)) = 8.2 % of slope, plus what the IMU adds."""
    assert "a bias of 0.8 m/s²: 9 %" in README
    biased = ROVER.with_changes(imu__accel_bias_mps2=[0.8, 0, 0])
    found, estimate = seen(true=biased, operator=stand_operator)
    assert not found
    assert 100 * math.tan(estimate.grade_rad) == pytest.approx(8.2, abs=1.5)
    weak = ROVER.with_changes(brakes__max_torque_nm=0.15)
    found, _ = seen(true=weak, slope_deg=12.0, operator=stand_operator, helped=True)
    assert set(found) == {("rolling", None)}


@pytest.mark.large
def test_an_imu_that_hangs_upside_down_looks_as_the_table_says():
    """Told at rest. Straight ahead nothing else shows; a turn to the left is one to the right."""
    over = ROVER.with_changes(imu__rotation_deg=[180, 0, 0])
    fault = ("sensor_fault", None)
    assert set(seen(true=over)[0]) == {fault}
    assert not seen(operator=bend_operator)[0]
    found, _ = seen(true=over, operator=bend_operator)
    assert {wheel for _, wheel in found if wheel} == WHEELS
    assert {kind for kind, _ in found} >= {"sensor_fault", "wheel_spin", "wheel_lock"}


@pytest.mark.large
def test_late_wheel_data_look_as_the_table_says():
    """Much is learnt before anything shows. Not learnt, locks come out of the blue, and end when
    the lateness is stated."""
    for late_s in (0.02, 0.06, 0.1):
        late = ROVER.with_changes(encoders__delay_s=late_s)
        assert not seen(true=late)[0]
        assert not seen(true=late, believed=late)[0]
    found, _ = seen(true=late, believed=ROVER.with_changes(encoders__delay_sd_s=0.0))
    assert found == {("sensor_fault", None): 1}
    coarse = ROVER.with_changes(encoders__counts_per_rev=24)
    late = coarse.with_changes(encoders__delay_s=0.06)
    assert not seen(true=late, believed=coarse)[0]
    found, _ = seen(true=late, believed=coarse.with_changes(encoders__delay_sd_s=0.0))
    assert found == {("wheel_lock", wheel): 1 for wheel in WHEELS}
    assert not seen(true=late, believed=late)[0]
