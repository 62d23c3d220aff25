"""Sensors, links and clocks that fall silent, stand still, start anew or repeat themselves: what is
decided stays safe, and says so."""

from __future__ import annotations

import dataclasses
import itertools
import math

import pytest
from synthetic import QUICK, drive, kinds, rover, run

from slipguard import Guard, Hold

UP = [(0.0, 0.0), (1.0, 0.0), (1.6, 0.6), (6.0, 0.6)]
DRIVEN = [(0.0, 0.0), (1.0, 0.0), (1.01, 0.3), (20.0, 0.3)]
FROM_S = 103.0
"""When something happens to a drive that has been under way for a while."""


def stepped(config, readings, change):
    """Decisions from ``FROM_S`` on, of readings that ``change(reading)`` has changed since then."""
    guard = Guard(config, QUICK)
    made = [guard.step(change(r) if r.t_s >= FROM_S else r) for r in readings]
    return [d for d, r in zip(made, readings, strict=True) if r.t_s >= FROM_S]


def without(**fields):
    return lambda r: dataclasses.replace(r, **fields)


def sensors(decision):
    return {(f.sensor, f.wheel) for f in decision.findings if f.kind == "sensor_fault"}


# --- The link -------------------------------------------------------------------------------


@pytest.mark.parametrize("age_s", [math.inf, math.nan, -0.01, -math.inf, None])
def test_a_command_whose_age_is_no_number_grows_old(age_s):
    """A link that says its age is infinite, unknown or negative has said nothing: the throttle ends
    within the time-out, as with one that is silent."""
    config = rover()
    decisions = stepped(
        config,
        drive(config, UP, throttle=DRIVEN).readings,
        without(command_age_s=age_s, throttle=None),
    )
    late = [d for d in decisions if d.t_s > FROM_S + config.limits.link_timeout_s + 0.05]
    assert all(("link_lost", None) in {(f.kind, f.wheel) for f in d.findings} for d in late)
    assert {d.throttle for d in late} == {0.0}


def test_a_link_that_never_was_does_not_drive():
    """Infinity is how old a command is that never came: the throttle stays at zero."""
    config = rover()
    readings = [
        dataclasses.replace(r, command_age_s=math.inf)
        for r in drive(config, UP, throttle=DRIVEN).readings
    ]
    assert {d.throttle for d in run(config, readings)} == {0.0}


@pytest.mark.parametrize("throttle", [40.0, -2.0, 1e300])
def test_a_stick_in_other_units_is_no_command(throttle):
    """40 for 40 %: clipped to full throttle it would leap. It is named, and ends as a lost link."""
    config = rover()
    readings = drive(config, UP, throttle=DRIVEN).readings
    decisions = stepped(config, readings, without(throttle=throttle))
    assert all(("command", None) in sensors(d) for d in decisions)
    assert max(abs(d.throttle) for d in decisions) <= 0.3
    assert decisions[-1].throttle == 0.0
    assert "link_lost" in {f.kind for f in decisions[-1].findings}


# --- The clock ------------------------------------------------------------------------------


@pytest.mark.parametrize("t_s", [FROM_S, math.nan, math.inf])
def test_a_clock_that_stands_stops_the_rover(t_s):
    """Without time nothing is known: named within 21 readings, throttle off, brakes go on, and no
    drive until the stick was in neutral."""
    config = rover()
    readings = drive(config, UP, throttle=DRIVEN).readings
    after = stepped(config, readings, without(t_s=t_s))[25:]
    assert all(("clock", None) in sensors(d) for d in after)
    assert {d.throttle for d in after} == {0.0}
    assert after[-1].hold in (Hold.STOPPING, Hold.HOLDING)
    assert min(after[-1].brakes) > 0.3


def test_readings_that_share_a_time_are_no_standing_clock():
    """A message for each sensor, seven of the same moment: nothing is wrong with that."""
    config = rover()
    parts = ("accel_mps2", "gyro_radps", "counts", "throttle", "steer", "command_age_s")
    nothing = dict.fromkeys(parts)
    readings = [
        dataclasses.replace(r, **{**nothing, part: getattr(r, part)})
        for r in drive(config, UP, throttle=DRIVEN).readings
        for part in parts
    ]
    decisions = run(config, readings)
    assert kinds(decisions) == set()
    assert decisions[-1].estimate.speed_mps == pytest.approx(0.6, abs=0.02)


def test_a_clock_that_goes_back_ends_a_creep():
    """A creep is said for a moment after it was seen: that moment ends when the clock is set back,
    or the driver could not get away for as long as it was set back by."""
    config = rover()
    still = [(0.0, 0.0), (1.5, 0.0)]
    creep = [(1.52, -0.05), (1.6, -0.05), (1.62, 0.0), (3.5, 0.0)]
    off = [(4.1, 0.6), (6.0, 0.6)]
    throttle = [(0.0, 0.0), (3.4, 0.0), (3.41, 0.4), (6.0, 0.4)]
    truth = drive(config, still + creep + off, slope_rad=0.1, throttle=throttle)
    guard = Guard(config)
    rolling, last = 0, None
    for r in truth.readings:
        back_s = 600.0 if r.t_s >= 101.6 else 0.0
        last = guard.step(dataclasses.replace(r, t_s=r.t_s - back_s))
        rolling += back_s > 0.0 and "rolling" in {f.kind for f in last.findings}
    assert rolling * 0.005 < 0.5
    assert last.hold is Hold.OFF
    assert max(last.brakes) == 0.0


# --- Wheels ---------------------------------------------------------------------------------


SPUN = {"fl": [(2.0, 0.0), (2.2, 1.0), (20.0, 1.0)]}


def test_a_wheel_that_falls_silent_as_it_spins_is_not_braked_for_ever():
    """Its last slip is no news: the fault is named, the spin is not told any more, its brake and
    the throttle are free again, and the other wheels go on telling the speed."""
    config = rover()
    readings = drive(config, UP, slip=SPUN, throttle=DRIVEN).readings
    decisions = stepped(
        config,
        readings,
        lambda r: r if r.counts is None else without(counts=(None, *r.counts[1:]))(r),
    )
    assert decisions[0].brakes[0] > 0.3
    last = decisions[-1]
    assert sensors(last) == {("encoder", "fl")}
    assert "wheel_spin" not in {f.kind for f in last.findings}
    assert (last.brakes, last.throttle_limit) == ((0.0,) * 4, 1.0)
    assert last.estimate.speed_mps == pytest.approx(0.6, abs=0.02)


@pytest.mark.parametrize("gone", [("counts",), ("counts", "accel_mps2", "gyro_radps")])
def test_with_no_wheel_to_watch_the_throttle_is_limited(gone):
    """Without counts no spin is seen, and without an IMU nothing at all: less throttle, and the
    driver is told that it is critical."""
    config = rover()
    readings = drive(config, UP, throttle=[(t, 3 * v) for t, v in DRIVEN]).readings
    decisions = stepped(config, readings, without(**dict.fromkeys(gone)))
    assert decisions[0].throttle == pytest.approx(0.9)
    assert decisions[-1].throttle == pytest.approx(0.3)
    assert ("blind", "critical") in {(a.topic, a.level) for d in decisions for a in d.alerts}


def test_a_silent_wheel_does_not_keep_a_parked_rover_from_rest():
    """Three wheels that stand are enough to hold a slope by, though the fourth was last seen
    turning."""
    config = rover()
    knots = [(0, 0), (1, 0), (1.6, 0.6), (3.2, 0.6), (3.6, 0), (6, 0)]
    throttle = [(0, 0), (1, 0), (1.01, 0.3), (3.2, 0.3), (3.21, 0.0), (6, 0)]
    readings = drive(config, knots, slope_rad=0.15, throttle=throttle).readings
    decisions = stepped(
        config,
        readings,
        lambda r: r if r.counts is None else without(counts=(None, *r.counts[1:]))(r),
    )
    assert decisions[-1].estimate.at_rest
    assert decisions[-1].hold is Hold.HOLDING


@pytest.mark.parametrize("silent_s", [0.0, 0.3, 1.5])
@pytest.mark.parametrize("counted", [100, 1000, 20000])
def test_counters_that_start_anew_move_nothing(counted, silent_s):
    """The board that counts restarts while the rover drives: its counts fall to zero, at once or
    after a silence. That is no motion, and no brake acts."""
    config = rover()
    first = None

    def restarted(r):
        nonlocal first
        if r.counts is None or r.t_s < FROM_S + silent_s:
            return without(counts=None)(r)
        first = first or r.counts
        return without(counts=tuple(n - m for n, m in zip(r.counts, first, strict=True)))(r)

    readings = drive(config, UP, throttle=DRIVEN, first_count=counted).readings
    decisions = stepped(config, readings, restarted)
    assert {d.hold for d in decisions} == {Hold.OFF}
    assert max(max(d.brakes) for d in decisions) == 0.0
    assert max(abs(d.estimate.speed_mps - 0.6) for d in decisions) < 0.15
    assert "wheel_spin" not in {f.kind for d in decisions for f in d.findings}


@pytest.mark.parametrize("way", [1, -1])
def test_passing_the_place_where_counting_began_is_no_restart(way):
    """Back through the start at 2 m/s: all four counters come near zero, as they should."""
    config = rover(counts_per_rev=400)
    knots = [(0, 0), (1, 0), (2, way * 2.0), (2.5, way * 2.0), (4.5, -way * 2.0), (6, -way * 2.0)]
    decisions = run(config, drive(config, knots).readings)
    assert not [k for k in kinds(decisions) if k[0] == "sensor_fault"]


@pytest.mark.parametrize("every_s", [0.005, 0.001])
def test_counts_handed_on_until_the_next_ones_come_tell_nothing_new(every_s):
    """A loop that is faster than its counter board repeats the last counts. The speed is as true as
    with blanks between, and nobody spins."""
    config = rover()
    truth = drive(config, [(0.0, 0.0), (0.6, 0.0), (1.2, 0.6), (3.0, 0.6)])
    readings, counts = [], None
    for r in truth.readings:
        counts = r.counts or counts
        for k in range(round(0.005 / every_s)):
            handed = counts if k == 0 or r.counts is None else r.counts
            imu = {} if k == 0 else {"accel_mps2": None, "gyro_radps": None}
            readings.append(dataclasses.replace(r, t_s=r.t_s + k * every_s, counts=handed, **imu))
    decisions = run(config, readings)
    assert kinds(decisions) == set()
    moving = [d for d in decisions if d.t_s > 101.4]
    assert max(abs(d.estimate.speed_mps - 0.6) for d in moving) < 0.03


@pytest.mark.parametrize(("rate_hz", "speed_mps"), [(10.0, 1.0), (20.0, 2.0), (50.0, 5.0)])
def test_a_slow_encoder_is_not_a_dead_one(rate_hz, speed_mps):
    """Between two readings of a slow board the rover goes far, and nobody has counted yet."""
    config = rover(more="").with_changes(encoders__rate_hz=rate_hz)
    truth = drive(config, [(0, 0), (1, 0), (1 + speed_mps, speed_mps), (7, speed_mps)])
    next_s, readings = 0.0, []
    for r in truth.readings:
        late = r.counts is not None and r.t_s >= next_s - 1e-6
        next_s = r.t_s + 1 / rate_hz if late else next_s
        readings.append(r if late else dataclasses.replace(r, counts=None))
    assert not [k for k in kinds(run(config, readings)) if k[0] == "sensor_fault"]


@pytest.mark.parametrize("kind", ["counts", "speed"])
def test_wheels_that_report_more_slowly_than_stated_are_not_silent(kind):
    """6.5 Hz where the rover file says 100: that is their usual pace, which is learnt; they carry
    the speed between. Half a second without any of them is a silence all the same."""
    config = rover(kind=kind)
    readings, next_s = [], 0.0
    for r in drive(config, [(0, 0), (1, 0), (1.6, 0.6), (9, 0.6)]).readings:
        told = r.counts is not None or r.wheel_speed_radps is not None
        late = told and r.t_s >= next_s - 1e-6 and r.t_s < 108.0
        next_s = r.t_s + 0.154 if late else next_s
        readings.append(r if late else without(counts=None, wheel_speed_radps=None)(r))
    decisions = run(config, readings)
    on_time = [d for d in decisions if d.t_s < 108.0]
    assert kinds(on_time) == set()
    assert not [d for d in on_time if d.estimate.coasting]
    assert len(sensors(decisions[-1])) == 4


# --- IMU ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("half", "said"), [("gyro_radps", "no sample of the gyro"), ("accel_mps2", "accelerometer")]
)
def test_half_an_imu_is_missed(half, said):
    """A gyro that falls silent in a turn while the accelerometer goes on, or the other way round:
    named within 0.15 s, its last value is not believed for ever, and no wheel is accused."""
    config = rover()
    truth = drive(config, UP, curvature=[(0, 0), (2, 0), (2.5, 1.0), (3.2, 1.0), (3.6, 0), (6, 0)])
    decisions = stepped(config, truth.readings, without(**{half: None}))
    named = next(d for d in decisions if ("imu", None) in sensors(d))
    assert named.t_s < FROM_S + 0.15
    assert said in next(f.reason for f in named.findings if f.sensor == "imu")
    assert {k[0] for k in kinds(decisions)} == {"sensor_fault"}
    assert abs(decisions[-1].estimate.yaw_rate_radps) < 0.1
    assert abs(decisions[-1].estimate.speed_mps - 0.6) < 0.1


@pytest.mark.parametrize("missing", ["gyro_radps", "accel_mps2"])
def test_half_an_imu_that_never_came_is_missed(missing):
    """The same where it never said anything: no wheel spins, for all that is not known."""
    config = rover()
    readings = [dataclasses.replace(r, **{missing: None}) for r in drive(config, UP).readings]
    assert {k[0] for k in kinds(run(config, readings))} == {"sensor_fault"}


def test_an_imu_that_speaks_after_the_wheels_is_learnt_at_rest():
    """Two messages of one moment, the IMU's the second: rest, and with it the gyro's bias, does not
    hang on which comes first."""
    config = rover()
    readings = []
    for r in drive(config, [(0, 0), (4, 0)], gyro_bias_radps=0.02).readings:
        readings.append(dataclasses.replace(r, accel_mps2=None, gyro_radps=None))
        readings.append(dataclasses.replace(r, counts=None))
    last = run(config, readings)[-1]
    assert last.estimate.at_rest
    assert abs(last.estimate.yaw_rate_radps) < 0.01


def test_a_slow_imu_in_a_fast_loop_is_not_frozen():
    """The same sample, 25 times in 25 ms: that is how a loop at 1 kHz sees an IMU at 40 Hz."""
    config = rover(more="").with_changes(imu__rate_hz=40.0)
    readings = []
    for r in itertools.islice(drive(config, [(0, 0), (3, 0)]).readings, 0, None, 5):
        for k in range(25):
            counts = r.counts if k == 0 else None
            readings.append(dataclasses.replace(r, t_s=r.t_s + 0.001 * k, counts=counts))
    assert not [k for k in kinds(run(config, readings)) if k[0] == "sensor_fault"]


# --- A guard that starts anew ------------------------------------------------------------------


@pytest.mark.parametrize("why", [{"command_age_s": 5.0}, {"motor_enabled": False}])
def test_a_guard_restarted_at_speed_stops_gently(why):
    """It holds when it starts; but a rover at 2 m/s that must stop is not stopped by all brakes at
    once: what a stop at ``limits.stop_decel_mps2`` takes, as if it had been there all the while."""
    config = rover()
    truth = drive(config, [(0, 2.0), (0.3, 2.0), (1.6, 0.05)])
    decisions = run(config, [dataclasses.replace(r, **why) for r in truth.readings])
    assert {d.hold for d in decisions[10:-40]} == {Hold.STOPPING}
    assert max(max(d.brakes) for d in decisions if 100.03 < d.t_s < 100.3) < 0.5


def test_a_guard_restarted_at_speed_on_a_pressed_stick_stops_gently():
    """It gives no throttle before neutral was seen, so the rover would coast, downhill ever faster,
    with a driver who believes to drive it."""
    config = rover()
    truth = drive(config, [(0, 1.5), (1.0, 2.5)], slope_rad=-0.2)
    decisions = run(config, [dataclasses.replace(r, throttle=0.5) for r in truth.readings])
    assert {d.hold for d in decisions[10:]} == {Hold.STOPPING}
    assert decisions[-1].throttle == 0.0


def test_the_first_command_is_the_hold_itself():
    """A parked rover is held by its brakes as the guard starts: slewed from nothing, the first
    commands would let it go."""
    config = rover()
    truth = drive(config, [(0, 0.0), (1, 0.0)], slope_rad=0.2)
    assert min(min(d.brakes) for d in run(config, truth.readings)) >= config.hold.brake
