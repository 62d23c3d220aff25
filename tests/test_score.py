"""Findings against labels: what counts as found, missed, a false alarm, and how late."""

from __future__ import annotations

import numpy as np
import pytest
from fake_guard import finding
from hypothesis import given
from hypothesis import strategies as st

from slipguard.recording import Event
from slipguard.score import Episode, EpisodeLog, Score, score


def episode(start_s: float, end_s: float, kind: str = "wheel_spin", wheel: str | None = "fl"):
    return Episode(
        kind=kind,
        wheel=wheel,
        start_s=start_s,
        end_s=end_s,
        peak=20.0,
        threshold=12.0,
        unit="mm",
        reason="",
    )


def label(
    start_s: float,
    end_s: float,
    kind: str = "wheel_spin",
    wheel: str | None = "fl",
    slight: bool = False,
):
    return Event(kind=kind, wheel=wheel, start_s=start_s, end_s=end_s, slight=slight)


def spin(episodes, labels, **windows) -> Score:
    return score(episodes, labels, early_s=0.1, grace_s=0.5, **windows)["wheel_spin"]


# --- Findings over time ----------------------------------------------------------------------


def episodes_of(*steps, gap_s: float = 0.2) -> list[Episode]:
    log = EpisodeLog(gap_s)
    for t_s, *findings in steps:
        log.add(t_s, findings)
    return log.episodes()


def test_a_finding_that_stays_is_one_episode_with_its_peak():
    """From the first decision that reports it to the last, with the largest value by size."""
    (found,) = episodes_of(
        (0.0,),
        (0.1, finding(value=13.0)),
        (0.2, finding(value=-25.0, threshold=12.5)),
        (0.3, finding(value=14.0)),
        (0.4,),
    )
    assert (found.start_s, found.end_s) == (0.1, 0.3)
    assert (found.peak, found.threshold, found.unit) == (-25.0, 12.5, "mm")
    assert found.reason == "wheel spin fl: seen (-25 mm, limit 12.5 mm)"


def test_delay_counts_from_when_it_was_reported_not_from_when_it_says_it_began():
    """A finding may date itself back; the driver knew it only when it was reported."""
    (found,) = episodes_of((1.0, finding(since_s=0.2)))
    assert found.start_s == 1.0


def test_short_gaps_are_one_episode_and_long_ones_two():
    """A flicker is told once; a finding that comes back later is told again."""
    flicker = episodes_of((0.0, finding()), (0.1,), (0.2, finding()))
    assert [(e.start_s, e.end_s) for e in flicker] == [(0.0, 0.2)]
    apart = episodes_of((0.0, finding()), (0.1,), (0.3, finding(value=99.0)), (0.4, finding()))
    assert [(e.start_s, e.end_s, e.peak) for e in apart] == [(0.0, 0.0, 20.0), (0.3, 0.4, 99.0)]


def test_kinds_wheels_and_sensors_are_kept_apart():
    """Two wheels spinning, or two sensors failing, are two things."""
    found = episodes_of(
        (0.0, finding(wheel="fl"), finding(wheel="fr")),
        (0.1, finding("sensor_fault", None, sensor="imu")),
        (0.2, finding("sensor_fault", None, sensor="clock"), finding("rolling", None)),
    )
    assert [(e.kind, e.wheel, e.sensor) for e in found] == [
        ("wheel_spin", "fl", None),
        ("wheel_spin", "fr", None),
        ("sensor_fault", None, "imu"),
        ("rolling", None, None),
        ("sensor_fault", None, "clock"),
    ]


@pytest.mark.parametrize("times", [(5.0, 1.0, 1.1), (1.0, 1.0, 1.0), (1.0, float("nan"), 1.2)])
def test_a_clock_that_jumps_does_not_break_an_episode(times):
    """Time going back, standing still or missing ends nothing."""
    (found,) = episodes_of(*((t_s, finding()) for t_s in times))
    assert found.start_s <= found.end_s


# --- Scoring by hand -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start_s", "end_s", "found", "false_alarms", "delays"),
    [
        (10.2, 12.0, 1, 0, [0.2]),  # late, and over in time
        (10.0, 10.0, 1, 0, [0.0]),  # one decision is enough
        (9.95, 11.0, 1, 0, [0.0]),  # a little early: not negative
        (9.90, 11.0, 1, 0, [0.0]),  # as early as may be
        (9.80, 11.0, 1, 1, []),  # too early to be about this: found, and a false alarm
        (12.4, 13.0, 1, 0, [2.4]),  # in the grace after the end
        (12.6, 13.0, 0, 1, []),  # after it
        (5.0, 9.0, 0, 1, []),  # before it
        (0.0, 60.0, 1, 1, []),  # always on: finds everything, and is a false alarm
    ],
)
def test_one_finding_against_one_label(start_s, end_s, found, false_alarms, delays):
    """A label from 10 to 12 s, 0.1 s of early and 0.5 s of grace: the rules one by one."""
    result = spin([episode(start_s, end_s)], [label(10.0, 12.0)])
    assert len(result.found) == found
    assert len(result.missed) == 1 - found
    assert len(result.false_alarms) == false_alarms
    assert list(result.delays_s) == pytest.approx(delays)


def test_wheel_and_kind_must_match():
    """Braking the wrong wheel helps nobody: it is a miss and a false alarm."""
    labels = [label(10.0, 12.0)]
    other_wheel = spin([episode(10.0, 12.0, wheel="fr")], labels)
    assert (other_wheel.recall, len(other_wheel.false_alarms)) == (0.0, 1)
    scores = score([episode(10.0, 12.0, kind="wheel_lock")], labels)
    assert list(scores) == ["wheel_lock", "wheel_spin"]
    assert scores["wheel_spin"].recall == 0.0
    assert scores["wheel_lock"].recall is None
    assert len(scores["wheel_lock"].false_alarms) == 1


def test_several_findings_in_one_label_count_once():
    """The delay is that of the first; the later ones are no false alarms."""
    result = spin([episode(11.0, 11.2), episode(10.3, 10.4)], [label(10.0, 12.0)])
    assert (len(result.found), len(result.false_alarms)) == (1, 0)
    assert result.delays_s == pytest.approx((0.3,))


def test_one_finding_over_two_labels_finds_both_and_is_timed_once():
    """A finding that lasts into the next label tells nothing about that one's delay."""
    result = spin([episode(10.2, 15.0)], [label(14.0, 16.0), label(10.0, 12.0)])
    assert (len(result.found), len(result.false_alarms)) == (2, 0)
    assert result.delays_s == pytest.approx((0.2,))


@pytest.mark.parametrize("kind", ["overspeed", "tip_over_risk"])
def test_a_limit_of_your_own_is_no_false_alarm(kind):
    """Whoever sets a speed cap for first drives is not told of false alarms for it, but where
    labels speak of it."""
    found = [episode(1.0, 2.0, kind, None)]
    assert score(found, []) == {}
    assert score(found, [label(1.0, 2.0)]).keys() == {"wheel_spin"}
    assert len(score(found, [label(5.0, 6.0, kind, None)])[kind].false_alarms) == 1
    assert score(found, [label(1.0, 2.0, kind, None)])[kind].found


def test_a_slight_label_is_neither_missed_nor_a_false_alarm():
    """A wheel that truly slipped for 20 ms: finding it is no fault, nor is overlooking it."""
    small = label(10.0, 10.02, slight=True)
    overlooked, found = spin([], [small]), spin([episode(10.05, 10.2)], [small])
    for result in (overlooked, found):
        assert (result.labelled, result.missed, result.false_alarms) == (0, (), ())
        assert (result.recall, result.delays_s, result.slight) == (None, (), (small,))
    both = spin([episode(10.05, 12.5)], [small, label(12.0, 13.0)])
    assert (len(both.found), both.false_alarms, both.delays_s) == (1, (), ())


def test_time_outside_all_windows_is_counted():
    """10.2 to 20 s with windows to 12.5 and from 13.9 to 16.5 s: 1.4 + 3.5 s by hand."""
    result = spin([episode(10.2, 20.0)], [label(10.0, 12.0), label(14.0, 16.0)])
    assert result.false_alarm_s == pytest.approx(4.9)
    touching = spin([episode(10.2, 12.9)], [label(10.0, 12.0), label(12.1, 13.0)])
    assert touching.false_alarm_s == pytest.approx(0.0)


def test_nothing_labelled_and_nothing_found():
    """An empty drive has no score to show; a quiet one with labels has no recall of 100 %."""
    assert score([], []) == {}
    assert spin([], [label(1.0, 2.0)]).recall == 0.0
    assert Score().recall is None
    assert Score().delay_s(50) is None


def test_scores_of_drives_add_up():
    """Several drives are judged together: counts and delays are pooled, not averaged."""
    one = spin([episode(10.1, 11.0)], [label(10.0, 12.0)])
    two = spin([episode(10.3, 11.0), episode(30.0, 31.0)], [label(10.0, 12.0), label(20.0, 21.0)])
    both = one + two
    assert (both.labelled, len(both.found), len(both.false_alarms)) == (3, 2, 1)
    assert both.recall == pytest.approx(2 / 3)
    assert both.delays_s == pytest.approx((0.1, 0.3))
    assert both.false_alarm_s == pytest.approx(1.0)


def test_percentiles_of_delays():
    """p50 and p95 as numpy's default: Hyndman and Fan 1996, definition 7."""
    delays = (0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.28, 2.56, 5.12, 10.24)
    made = Score(delays_s=delays)
    assert made.delay_s(50) == pytest.approx(0.32)
    assert made.delay_s(95) == pytest.approx(np.quantile(delays, 0.95, method="linear"))
    assert made.delay_s(95) == pytest.approx(5.12 + 0.5 * (10.24 - 5.12))


# --- Scoring against the rules written out ---------------------------------------------------

TICKS = st.integers(min_value=0, max_value=60)


def spans(gap: int):
    """Spans of ticks in order, at least ``gap`` apart."""

    def build(edges: list[int]) -> list[tuple[int, int]]:
        pairs, after = [], -gap
        for start, end in zip(edges[::2], edges[1::2], strict=False):
            if start - after >= gap:
                pairs.append((start, end))
                after = end
        return pairs

    return st.lists(TICKS, max_size=12).map(sorted).map(build)


@given(spans(1), spans(1), st.sets(st.integers(0, 5)), st.integers(0, 4), st.integers(0, 8))
def test_score_obeys_the_rules_written_out(found, labelled, slight, early, grace):
    """The fast scoring agrees with its rules applied to every pair, in whole seconds."""
    episodes = [episode(float(a), float(b)) for a, b in found]
    labels = [
        label(float(a), float(b), slight=number in slight) for number, (a, b) in enumerate(labelled)
    ]
    wanted = [x for x in labels if not x.slight]
    result = score(episodes[::-1], labels[::-1], early_s=early, grace_s=grace).get(
        "wheel_spin", Score()
    )

    def inside(t_s: float) -> list[Event]:
        return [x for x in labels if x.start_s - early <= t_s <= x.end_s + grace]

    assert list(result.found) == [
        x
        for x in wanted
        if any(e.start_s <= x.end_s + grace and e.end_s >= x.start_s for e in episodes)
    ]
    assert len(result.found) + len(result.missed) == len(wanted)
    assert list(result.false_alarms) == [e for e in episodes if not inside(e.start_s)]
    first = {
        x: next(
            (e.start_s for e in episodes if x in inside(e.start_s) and e.end_s >= x.start_s), None
        )
        for x in wanted
    }
    assert list(result.delays_s) == [
        max(0.0, at - x.start_s) for x, at in first.items() if at is not None
    ]
    halves = [
        t / 2 for e in episodes for t in range(int(2 * e.start_s) + 1, int(2 * e.end_s), 2)
    ]  # the middle of each second of finding
    assert result.false_alarm_s == pytest.approx(sum(not inside(t) for t in halves))
