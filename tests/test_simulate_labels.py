"""Labels computed from truth: the yardstick of every evaluation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slipguard.simulate import label_drive
from slipguard.simulate.faults import EncoderFault, ImuFault
from slipguard.simulate.labels import (
    asked_direction,
    farthest_roll_m,
    in_order,
    label_faults,
    slight_events,
)

DT = 0.005


def drive(seconds=4.0, *, ground=1.0, speed=None, throttle=0.5, rim=None, enabled=1.0, age=0.05):
    """Times, motion and commands of a drive of constant values, or of functions of time."""
    t = np.arange(round(seconds / DT) + 1) * DT

    def column(value):
        return np.array([value(x) if callable(value) else value for x in t], dtype=float)

    ground_mps = np.tile(column(ground)[:, None], 4)
    rim_mps = ground_mps.copy()
    if rim is not None:
        rim_mps[:, 1] = column(rim)
    motion = {
        "rim_mps": rim_mps,
        "ground_mps": ground_mps,
        "speed_mps": column(ground if speed is None else speed),
    }
    commands = {
        "throttle": column(throttle),
        "motor_enabled": column(enabled),
        "command_age_s": column(age),
    }
    return t, motion, commands


def label(seconds=4.0, **values):
    """The labels of such a drive."""
    t, motion, commands = drive(seconds, **values)
    return label_drive(t, **motion, **commands)


def slight(seconds=4.0, **values):
    """What else happened in it."""
    t, motion, commands = drive(seconds, **values)
    asked = asked_direction(**commands)
    return slight_events(t, label_drive(t, **motion, **commands), **motion, asked=asked)


def kinds(labels):
    return [(e.kind, e.wheel, e.start_s, e.end_s) for e in labels]


def between(start, end, inside, outside):
    return lambda t: inside if start - 1e-9 <= t < end - 1e-9 else outside


def test_spin_needs_speed_ratio_and_time():
    """0.15 m/s, a ratio of 0.3 and 50 ms, each of them; the onset is the first crossing."""
    assert kinds(label(rim=between(1.0, 1.1, 1.5, 1.0))) == [("wheel_spin", "fr", 1.0, 1.1)]
    assert label(rim=between(1.0, 1.045, 1.5, 1.0)) == []  # too short
    assert label(rim=between(1.0, 2.0, 1.40, 1.0)) == []  # ratio 0.29
    slow = label(ground=0.1, rim=between(1.0, 2.0, 0.24, 0.1))  # 0.14 m/s
    assert [e for e in slow if e.kind == "wheel_spin"] == []
    (found,) = label(ground=1.0, rim=between(1.0, 2.0, 2.0, 1.0))
    assert found.travel_m == pytest.approx(1.0, rel=0.01)


def test_what_is_too_slight_for_a_label_is_told_apart():
    """Real slip and rolling below the definitions: it happened, and need not be found."""
    short = slight(rim=between(1.0, 1.045, 1.5, 1.0))
    assert kinds(short) == [("wheel_spin", "fr", 1.0, 1.045)]
    assert short[0].slight
    assert short[0].travel_m == pytest.approx(0.0225, abs=1e-4)
    assert kinds(slight(rim=between(1.0, 2.0, 1.40, 1.0))) == [("wheel_spin", "fr", 1.0, 2.0)]
    assert slight(rim=between(1.0, 2.0, 1.14, 1.0)) == []  # no more than tyres creep
    nudged = slight(ground=between(1.0, 1.05, 0.1, 0.0), throttle=0.0)
    assert kinds(nudged) == [("rolling", None, 1.0, 1.05)]
    assert slight(ground=between(1.0, 1.01, 0.1, 0.0), throttle=0.0) == []  # 1 mm


def test_coasting_is_slight_rolling_only_where_it_grows_faster_again():
    """A finding on a rover that slows down after the driver lets go is a false alarm."""

    def ends(t):  # the driver lets go after a second; it slows, and then the hill takes it
        return 1.0 if t < 1.0 else max(0.03, 1.0 - 2.0 * (t - 1.0)) + max(0.0, t - 2.5) * 0.05

    found = slight(ground=ends, throttle=between(0.0, 1.0, 0.5, 0.0))
    assert [(e.kind, e.wheel) for e in found] == [("rolling", None)]
    assert found[0].start_s == pytest.approx(2.5, abs=1.02)
    assert found[0].end_s == pytest.approx(4.0)
    slows = slight(ground=lambda t: max(0.03, 1.0 - 0.25 * t), throttle=0.0)
    assert slows == []


@given(
    rims=st.lists(st.floats(-1.5, 1.5), min_size=3, max_size=12),
    grounds=st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=12),
    throttle=st.sampled_from([-0.5, 0.0, 0.5]),
)
def test_slight_events_and_labels_of_one_kind_and_wheel_never_overlap(rims, grounds, throttle):
    """So that a file of both is one that is read."""

    def steps(values):
        return lambda t: values[min(int(t / 0.07), len(values) - 1)]

    values = {"seconds": 1.0, "rim": steps(rims), "ground": steps(grounds), "throttle": throttle}
    last: dict[object, float] = {}
    for one in in_order(label(**values) + slight(**values)):
        assert one.start_s > last.get((one.kind, one.wheel), -1.0)
        last[one.kind, one.wheel] = one.end_s


def test_short_gaps_are_merged():
    """Gaps under 100 ms do not end a spin."""
    for gap, parts in ((0.095, 1), (0.105, 2)):
        rim = lambda t, gap=gap: 2.0 if 1 <= t < 1.5 or 1.5 + gap <= t < 2 else 1.0  # noqa: E731
        assert len(label(rim=rim)) == parts


def test_reverse_is_mirrored():
    """Spinning backwards in reverse, and spinning forwards while rolling back, are both spin."""
    back = label(ground=-1.0, throttle=-0.5, rim=between(1.0, 1.5, -2.0, -1.0))
    assert kinds(back) == [("wheel_spin", "fr", 1.0, 1.5)]
    against = label(ground=-0.3, throttle=-0.5, rim=between(1.0, 1.5, 1.0, -0.3))
    assert kinds(against) == [("wheel_spin", "fr", 1.0, 1.5)]


def test_lock_is_the_mirror_of_spin():
    """A wheel that turns slower than the ground passes is locked, standing or trembling."""
    for rim in (0.5, 0.0, -0.001, 0.001):
        assert kinds(label(rim=between(1.0, 1.5, rim, 1.0))) == [("wheel_lock", "fr", 1.0, 1.5)]


def test_rolling_from_rest():
    """Moving away from rest without being asked: neutral, motor disabled, or link lost."""
    away = between(1.0, 2.0, -0.1, 0.0)
    assert kinds(label(ground=away, throttle=0.0)) == [("rolling", None, 1.0, 2.0)]
    assert kinds(label(ground=away, throttle=-0.5, enabled=0.0)) == [("rolling", None, 1.0, 2.0)]
    lost = kinds(label(ground=away, throttle=-0.5, age=9.0))
    assert ("rolling", None, 1.0, 2.0) in lost
    assert label(ground=away, throttle=-0.5) == []  # asked for
    assert kinds(label(ground=away, throttle=0.5)) == [("rolling", None, 1.0, 2.0)]  # against
    assert label(ground=between(1.0, 1.09, -0.2, 0.0), throttle=0.0) == []  # shorter than 0.1 s
    assert label(ground=between(1.0, 1.3, -0.03, 0.0), throttle=0.0) == []  # 9 mm


def test_coasting_and_braking_are_not_rolling():
    """Coasting on after letting go, braking by asking for the other way, being found moving."""
    drive_off = between(0.5, 3.0, 1.0, 0.0)
    assert label(ground=drive_off, throttle=between(0.4, 1.0, 0.5, 0.0)) == []
    brakes = lambda t: 0.5 if t < 1.5 else -0.5  # noqa: E731
    assert label(ground=between(0.5, 3.0, 1.0, 0.0), throttle=brakes) == []
    assert label(ground=1.0, throttle=0.0) == []


def test_roll_back_after_coasting_to_a_halt_uphill():
    """Passing through standstill ends what the driver asked for."""
    speed = lambda t: 0.9999 - t  # noqa: E731
    assert kinds(label(ground=speed, throttle=between(-1, 0.5, 0.5, 0.0))) == [
        ("rolling", None, 1.02, 4.0)
    ]


def test_roll_back_ends_when_drive_builds():
    """A hill start that rolls back is rolling until the rover stands again."""
    speed = lambda t: 0.0 if t < 1 else (t - 1.5) if t < 3 else 1.5  # noqa: E731
    (found,) = label(ground=speed, throttle=0.5)
    assert (found.kind, found.start_s) == ("rolling", 1.0)
    assert found.end_s == pytest.approx(1.48, abs=0.011)


def test_sliding_and_lost_link():
    """Moving with all wheels stopped is sliding; a silent link is labelled too."""
    t = np.arange(401) * DT
    found = label_drive(
        t,
        rim_mps=np.zeros((401, 4)),
        ground_mps=np.full((401, 4), 0.5),
        speed_mps=np.full(401, 0.5),
        throttle=np.zeros(401),
        motor_enabled=np.ones(401),
        command_age_s=np.maximum(0.0, t - 1.0),
        link_timeout_s=0.5,
    )
    assert ("sliding", None, 0.0, 2.0) in kinds(found)
    assert ("link_lost", None, 1.505, 2.0) in kinds(found)


def test_fault_labels_wait_until_they_can_show():
    """A dead encoder cannot be seen while its wheel stands."""
    t = np.arange(801) * DT
    rim = np.where(t[:, None] > 2.0, 1.0, 0.0) * np.ones(4)
    faults = (
        EncoderFault(kind="dead", wheel="rr", start_s=1.0, end_s=3.0),
        ImuFault(kind="nan", start_s=0.5, end_s=1.0),
    )
    assert sorted(kinds(label_faults(t, rim, faults)), key=lambda e: e[2]) == [
        ("sensor_fault", None, 0.5, 1.0),
        ("sensor_fault", "rr", 2.005, 3.0),
    ]


def test_farthest_roll():
    """Distance rolled counts millimetres too, and not what was asked for or still coasting."""
    t = np.arange(401) * DT
    roll = np.where((t >= 1.0) & (t < 1.2), -0.01, 0.0)  # 2 mm
    for asked in (0.0, 1.0):
        assert farthest_roll_m(t, roll, np.full(401, asked)) == pytest.approx(0.002)
    assert farthest_roll_m(t, roll, np.full(401, -1.0)) == 0.0
    coasting = np.maximum(0.0, 1.0 - t)
    assert farthest_roll_m(t, coasting, np.zeros(401)) < 0.001
    through = np.where((t >= 0.5) & (t < 1.5), -0.1, 0.0)  # back, on while drive builds
    late = np.where(t < 1.0, 0.0, 1.0)
    assert farthest_roll_m(t, through, late) == pytest.approx(0.1)
    slowing = np.where(t < 1.0, -0.5, 0.0)  # backwards, then asked forwards to slow down
    assert farthest_roll_m(t, slowing, np.ones(401)) == 0.0
    climb = np.select([t < 1.0, (t >= 1.2) & (t < 1.5)], [0.8, -0.1], 0.0)  # up, stuck, back
    lets_go = np.where(t < 1.4, 1.0, 0.0)  # while it rolls: what it climbed is no roll
    assert farthest_roll_m(t, climb, lets_go) == pytest.approx(0.03)
    assert farthest_roll_m(t, -climb, -lets_go) == pytest.approx(0.03)


@given(
    st.lists(
        st.tuples(
            st.integers(1, 60),
            st.floats(-2, 2),
            st.floats(-3, 3),
            st.sampled_from([-0.5, 0.0, 0.5]),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_labels_are_well_formed(pieces):
    """Whatever happens: in order, inside the drive, long enough, none overlapping its like."""
    lengths = [p[0] for p in pieces]
    ground, rim, throttle = (np.repeat([p[i] for p in pieces], lengths) for i in (1, 2, 3))
    n = len(ground)
    t = np.arange(n) * DT
    labels = label_drive(
        t,
        rim_mps=np.tile(rim[:, None], 4),
        ground_mps=np.tile(ground[:, None], 4),
        speed_mps=ground,
        throttle=throttle,
        motor_enabled=np.ones(n),
        command_age_s=np.zeros(n),
    )
    assert [e.start_s for e in labels] == sorted(e.start_s for e in labels)
    seen = {}
    for e in labels:
        assert 0 <= e.start_s < e.end_s <= t[-1] + 1e-9
        assert e.end_s - e.start_s >= (0.1 if e.kind in ("rolling", "sliding") else 0.05) - 1e-9
        assert e.start_s >= seen.get((e.kind, e.wheel), 0.0)
        seen[e.kind, e.wheel] = e.end_s
