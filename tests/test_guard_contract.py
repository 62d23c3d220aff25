"""What a builder may rely on before reading any code: the safe defaults, and the outputs."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import fields

import numpy as np
import pytest
from small_plant import Plant, closed_loop
from synthetic import drive, kinds, rover, run

from slipguard import WHEELS, Alert, Decision, Estimate, Finding, Guard, Hold, Reading
from slipguard.respond.hold import PHASES
from slipguard.respond.telling import Telling
from slipguard.testing import make_estimate

STAND = [(0.0, 0.0), (3.0, 0.0)]
SLOPE = math.atan(0.2)


def alerts(decisions):
    return [a for d in decisions for a in d.alerts]


def with_values(readings, since_s, **values):
    """The same readings, some fields other from a time on."""
    return [dataclasses.replace(r, **values) if r.t_s >= since_s else r for r in readings]


# --- A new guard -----------------------------------------------------------------------------


@pytest.mark.parametrize("throttle", [None, 0.0, 1.0, -1.0])
def test_a_new_guard_holds_whatever_the_stick_says(throttle):
    """It may have been restarted on a slope: brakes on within a tenth of a second and kept on,
    throttle at zero, until neutral was seen and drive is asked for."""
    config = rover()
    truth = drive(config, STAND, slope_rad=SLOPE)
    decisions = run(config, with_values(truth.readings, 0.0, throttle=throttle))
    assert {d.hold for d in decisions} == {Hold.HOLDING}
    assert {d.throttle for d in decisions} == {0.0}
    assert min(min(d.brakes) for d in decisions[20:]) >= config.hold.brake
    assert all(len(set(d.brakes)) == 1 for d in decisions)


def test_throttle_is_latched_until_neutral_was_seen():
    """A stick held at start does nothing; once let go, it drives. The dead band is neutral."""
    config = rover()
    truth = drive(config, [(0.0, 0.0), (4.0, 0.0)])
    sticks = ((0.0, 0.5), (1.0, 0.031), (2.0, 0.03), (2.5, 0.5))
    readings = list(truth.readings)
    for since, value in sticks:
        readings = with_values(readings, 100.0 + since, throttle=value)
    decisions = run(config, readings)
    throttles = {round(d.t_s - 100.0, 3): d.throttle for d in decisions}
    assert {v for t, v in throttles.items() if t < 2.5} == {0.0}
    assert throttles[2.505] == 0.5
    told = [a.topic for a in alerts(decisions)]
    assert told.count("throttle_latched") == 1


@pytest.mark.parametrize("name", ["96", "24", "speeds"])
@pytest.mark.parametrize("speed", [1.5, -1.5])
@pytest.mark.parametrize("throttle", [None, 0.0])
def test_a_guard_started_on_the_move_lets_it_roll(name, speed, throttle):
    """The first readings show it moving: braking it by surprise would be worse. Coasting is not
    rolling away."""
    config = {
        "96": rover(),
        "24": rover(counts_per_rev=24),
        "speeds": rover(kind="speed"),
    }[name]
    truth = drive(config, [(0.0, speed), (1.5, speed * 0.7)])
    decisions = run(config, with_values(truth.readings, 0.0, throttle=throttle))
    assert {d.hold for d in decisions if d.t_s > 100.1} == {Hold.OFF}
    assert max(max(d.brakes) for d in decisions) < 0.6
    assert {max(d.brakes) for d in decisions if d.t_s > 100.25} == {0.0}
    assert kinds(decisions) == set()


@pytest.mark.parametrize("throttle", [None, 0.0])
def test_a_held_rover_that_slides_later_stays_held(throttle):
    """Held for two seconds on a slope, then the ground turns to ice: the brakes of a guard that has
    never driven must not take the slide for a rover found moving and let go."""
    plant = Plant(rover(), slope_rad=SLOPE, brake=1.0)

    def thaw(t, reading):
        plant.mu = [0.1 if 2.0 < t < 2.6 else 0.8] * 4
        return reading

    log = closed_loop(plant, 4.0, lambda t: throttle, change=thaw)
    assert {d.hold for d in log.decisions} == {Hold.HOLDING}
    assert abs(log.way_m[-1]) > 0.05, "it must have slid for this to mean anything"
    assert abs(log.v_mps[-1]) < 0.01
    assert "sliding" in {kind for kind, _ in kinds(log.decisions)}


@pytest.mark.parametrize("slope_percent", [20, -20, 30])
@pytest.mark.parametrize("throttle", [None, 0.0])
def test_restarted_on_a_slope_with_the_brakes_off(slope_percent, throttle):
    """Power came back, servos at zero: the rover rolls less than 3 cm before it is held."""
    plant = Plant(rover(), slope_rad=math.atan(slope_percent / 100), brake=0.0)
    log = closed_loop(plant, 2.0, lambda t: throttle)
    assert np.abs(log.way_m).max() < 0.03
    assert log.decisions[-1].hold is Hold.HOLDING


# --- Sensors that fail while holding ---------------------------------------------------------

NAN3 = (math.nan,) * 3
BROKEN = {
    "IMU not a number": {"accel_mps2": NAN3, "gyro_radps": NAN3},
    "IMU infinite": {"accel_mps2": (math.inf, 0.0, 9.8)},
    "IMU saturated": {"accel_mps2": (156.9, 0.0, 9.8)},
    "IMU frozen": {"accel_mps2": (1.9, 0.0, 9.6), "gyro_radps": (0.001, 0.0, 0.0)},
    "IMU gone": {"accel_mps2": None, "gyro_radps": None},
    "counts gone": {"counts": None},
    "counts not numbers": {"counts": (math.nan,) * 4},
    "throttle not a number": {"throttle": math.nan},
    "clock not a number": {"t_s": math.nan},
    "clock frozen": {"t_s": 101.0},
    "everything gone": {f.name: None for f in fields(Reading) if f.name != "t_s"},
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_sensor_that_fails_while_holding_changes_nothing(name):
    """NaN, dead, frozen or missing: stay held, no weaker than before, and say so."""
    config = rover()
    truth = drive(config, STAND, slope_rad=SLOPE)
    decisions = run(config, with_values(truth.readings, 101.5, **BROKEN[name]))
    before = decisions[300].brakes
    assert {d.hold for d in decisions} == {Hold.HOLDING}
    for d in decisions[300:]:
        assert min(d.brakes) >= min(before)
        assert d.throttle == 0.0
    found = {f.sensor for d in decisions[300:] for f in d.findings}
    if name != "clock frozen":  # readings of one and the same moment are no fault
        assert found, "said nothing"


@pytest.mark.parametrize(("bad_s", "obeyed"), [(0.4, True), (1.0, False)])
def test_a_stick_that_is_no_number_does_not_let_go(bad_s, obeyed):
    """Held, then a stick that reads NaN: no drive was asked for. A good stick later is obeyed, but
    not at once after so long a time that the link counted as lost: neutral first."""
    config = rover()
    truth = drive(config, STAND, slope_rad=SLOPE)
    readings = with_values(truth.readings, 101.0, throttle=math.nan)
    readings = with_values(readings, 101.0 + bad_s, throttle=0.5)
    decisions = run(config, readings)
    assert {d.hold for d in decisions if d.t_s < 101.0 + bad_s} == {Hold.HOLDING}
    assert decisions[-1].throttle == (0.5 if obeyed else 0.0)


def test_a_throttle_that_stays_no_number_is_a_lost_link():
    """On the move the last good throttle holds for no longer than a lost link is waited for, though
    the command's age says it is fresh. One spoilt value changes nothing."""
    config = rover()
    truth = drive(config, [(0, 0), (0.5, 0), (1.0, 0.6), (4.0, 0.6)])
    spoilt = [
        dataclasses.replace(r, throttle=math.nan) if k == 400 else r
        for k, r in enumerate(truth.readings)
    ]
    once = run(config, spoilt)
    assert {d.throttle for d in once if d.t_s > 101.0} == {0.3}
    decisions = run(config, with_values(truth.readings, 102.0, throttle=math.nan))
    lost = [d.t_s for d in decisions if ("link_lost", None) in kinds([d])]
    assert lost[0] - 102.0 == pytest.approx(config.limits.link_timeout_s, abs=0.011)
    assert {d.throttle for d in decisions if d.t_s >= lost[0]} == {0.0}
    assert decisions[-1].hold is not Hold.OFF


# --- The link --------------------------------------------------------------------------------


def driven_until(stop_s=3.0, resume=None, seconds=6.0):
    """A drive in closed loop whose link is lost at ``stop_s`` and back at ``resume``."""

    def stick(t):
        return 0.0 if t < 0.5 else 0.5

    def age(t):
        lost = t > stop_s and (resume is None or t < resume[0])
        return t - stop_s if lost else 0.02

    def asked(t):
        if resume is not None and t >= resume[0]:
            return resume[1](t)
        return stick(t)

    return closed_loop(Plant(rover(), brake=1.0), seconds, asked, age_s=age)


def test_link_lost_means_throttle_zero_in_the_same_step():
    """At the first decision that finds the link lost, and for as long as it is."""
    log = driven_until()
    lost = [d for d in log.decisions if any(f.kind == "link_lost" for f in d.findings)]
    assert lost[0].t_s == pytest.approx(3.0 + 0.6, abs=0.011)
    assert {d.throttle for d in log.decisions if d.t_s >= lost[0].t_s} == {0.0}
    assert log.decisions[-1].hold is Hold.HOLDING
    finding = next(f for f in lost[0].findings if f.kind == "link_lost")
    assert finding.value > finding.threshold == 0.6


def test_no_resume_by_itself_when_the_link_returns():
    """The stick still pressed when the link comes back: nothing moves until it was let go."""
    log = driven_until(resume=(5.5, lambda t: 0.5), seconds=8.0)
    after = [d for d in log.decisions if d.t_s > 3.7]
    assert {d.throttle for d in after} == {0.0}
    assert {d.hold for d in after[-200:]} == {Hold.HOLDING}
    assert abs(log.way_m[-1] - log.way_m[-200]) < 0.01  # in the last second


def test_driving_on_after_neutral():
    """Link back, stick let go, then pressed: it drives."""
    log = driven_until(resume=(5.5, lambda t: 0.5 if t < 6.0 or t > 6.5 else 0.0), seconds=8.5)
    assert {d.throttle for d in log.decisions if 3.7 < d.t_s < 6.5} == {0.0}
    assert log.decisions[-1].throttle == 0.5
    assert log.v_mps[-1] > 0.3


def test_a_link_that_falls_silent_grows_old():
    """No command and no age any more: the age of the last one goes on counting."""
    config = rover()
    truth = drive(config, STAND)
    silent = with_values(truth.readings, 101.0, throttle=None, steer=None, command_age_s=None)
    decisions = run(config, silent)
    lost = [d.t_s for d in decisions if any(f.kind == "link_lost" for f in d.findings)]
    assert lost[0] == pytest.approx(101.0 + 0.6, abs=0.03)


def test_a_rover_without_a_link_age_is_not_called_lost():
    """Never given is unknown, and unknown is no finding."""
    config = rover()
    truth = drive(config, STAND)
    decisions = run(config, with_values(truth.readings, 0.0, command_age_s=None))
    assert kinds(decisions) == set()


# --- Alerts ----------------------------------------------------------------------------------


def test_alerts_come_on_change_only():
    """A wheel that spins twice is told twice and not four hundred times; two alerts of one topic
    and wheel have a change of the findings between them."""
    config = rover()
    twice = [(1.2, 0), (1.3, 1), (1.8, 1), (1.9, 0), (2.6, 0), (2.7, 1), (3.2, 1), (3.3, 0)]
    truth = drive(config, [(0, 0), (0.5, 0), (1, 0.6), (4, 0.6)], slip={"rr": twice})
    decisions = run(config, truth.readings)
    told = [a for a in alerts(decisions) if a.topic == "wheel_spin"]
    assert [(a.wheel, a.level) for a in told] == [("rr", "info")] * 2
    assert sum(any(f.kind == "wheel_spin" for f in d.findings) for d in decisions) > 100
    for alert in told:
        assert alert.t_s in [d.t_s for d in decisions if alert in d.alerts]
        assert "rr" in alert.message


def test_a_fault_is_told_when_it_begins_and_when_it_is_over():
    """An IMU away for half a second: one alert at its start, one at its end."""
    config = rover()
    truth = drive(config, [(0, 0), (5, 0)])
    gone = [
        dataclasses.replace(r, accel_mps2=None, gyro_radps=None) if 102 <= r.t_s < 102.5 else r
        for r in truth.readings
    ]
    told = [a for a in alerts(run(config, gone)) if a.topic == "sensor_fault"]
    assert [a.level for a in told] == ["warning", "info"]
    assert told[0].t_s < 102.5 < told[1].t_s
    assert told[1].message == "imu works again"


@pytest.mark.parametrize(("answering", "told"), [(4, 0), (3, 0), (2, 0), (1, 1), (0, 1)])
def test_one_brake_does_not_hold_a_rover_with_open_differentials(answering, told):
    """Positions are measured: with fewer than two brakes that follow their command the driver is
    told, once, while it holds."""
    config = rover()
    truth = drive(config, STAND, slope_rad=SLOPE)
    guard = Guard(config)
    decisions: list[Decision] = []
    command = (0.0,) * 4
    for reading in truth.readings:
        position = tuple(c if i < answering else 0.0 for i, c in enumerate(command))
        decision = guard.step(dataclasses.replace(reading, brake_position=position))
        command = decision.brakes
        decisions.append(decision)
    failing = [a for a in alerts(decisions) if a.topic == "brakes_failing"]
    assert len(failing) == told
    assert all(a.level == "critical" for a in failing)


def test_holding_long_is_told():
    """Servo brakes are not made to hold for long: after ``hold.long_hold_s`` it is told."""
    config = rover(more="hold: {long_hold_s: 1.0}\n")
    truth = drive(config, STAND, slope_rad=SLOPE)
    told = [a for a in alerts(run(config, truth.readings)) if a.topic == "long_hold"]
    assert [a.t_s for a in told] == pytest.approx([101.0], abs=0.05)


# --- Outputs ---------------------------------------------------------------------------------


def test_outputs_have_the_documented_fields():
    """Names other programs read. Adding is fine, renaming is not."""
    names = {kind: {f.name for f in fields(kind)} for kind in (Decision, Estimate, Finding, Alert)}
    assert {"throttle", "throttle_limit", "brakes", "findings", "alerts", "hold", "estimate"} <= (
        names[Decision]
    )
    assert {"speed_mps", "speed_sd_mps", "accel_mps2", "grade_rad", "wheel_speed_mps"} <= (
        names[Estimate]
    )
    assert {"slip_mps", "slip_ratio", "excess_travel_m", "at_rest"} <= names[Estimate]
    assert {"kind", "wheel", "since_s", "value", "threshold", "unit"} <= names[Finding]
    assert {"level", "topic", "wheel", "message", "t_s"} <= names[Alert]
    assert Finding.reason


def test_values_are_frozen_and_readings_are_keyword_only():
    """A decision handed to a plugin cannot be changed by it; a reading cannot be mixed up."""
    decision = Guard(rover()).step(Reading(t_s=0.0))
    with pytest.raises(dataclasses.FrozenInstanceError):
        decision.throttle = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        decision.estimate.speed_mps = 1.0
    with pytest.raises(TypeError):
        Reading(0.0)


def test_two_guards_do_not_know_of_each_other():
    """No state outside a guard: one in between changes nothing."""
    config = rover()
    truth = drive(config, [(0, 0), (0.5, 0), (1.0, 0.6), (1.5, 0.6)])
    alone = run(Guard(config), truth.readings)
    one, other = Guard(config), Guard(config)
    beside = []
    for k, reading in enumerate(truth.readings):
        beside.append(one.step(reading))
        other.step(dataclasses.replace(truth.readings[-k - 1], t_s=reading.t_s))
    assert repr(beside) == repr(alone)


def test_a_second_hot_brake_is_told():
    """One brake is hot and the driver knows; then another one is, too."""
    telling, estimate = Telling(rover()), make_estimate()

    def told(*hot):
        decision = telling.decision(
            *(1.0, estimate, (), 0.0, 1.0, (0.0,) * 4, PHASES.index(Hold.OFF), 0.0, False),
            *(tuple(w in hot for w in WHEELS), 4, False),
        )
        return [a.message for a in decision.alerts if a.topic == "brake_hot"]

    assert told() == []
    assert told("fl") == ["hot, no longer braked while spinning: fl"]
    assert told("fl") == []
    assert told("fl", "rr") == ["hot, no longer braked while spinning: fl rr"]
    assert told() == []
