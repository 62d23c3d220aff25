"""A recording through the guard: streaming, in order, and the same as live."""

from __future__ import annotations

import math
import random
from itertools import islice

import pytest
from fake_guard import FakeGuard, decision, finding

from slipguard import Alert, Config, Guard, Hold, Reading, RecordingError
from slipguard.recording import Writer, open_recording
from slipguard.replay import LONG_ROWS, engine_for, replay, replay_rows
from slipguard.summary import DriveSummary

ROVER = """\
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075, max_steer_deg: 25,
        steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
"""


def readings(count: int = 1500) -> list[Reading]:
    """A made-up drive: standing, pulling away in a turn, one wheel spinning, bad values."""
    noise = random.Random(7)
    made = []
    for i in range(count):
        t_s = i * 0.005
        travel = 60 * max(0.0, t_s - 2.0) ** 2
        spin = 400 * max(0.0, min(t_s, 5.0) - 4.0)
        counts = tuple(int(travel * k) for k in (1.0, 1.1, 1.0, 1.1))
        made.append(
            Reading(
                t_s=t_s,
                counts=(counts[0] + int(spin), *counts[1:]) if i % 2 == 0 else None,
                accel_mps2=(noise.gauss(0.5, 0.08), noise.gauss(0, 0.08), noise.gauss(9.8, 0.08)),
                gyro_radps=(
                    noise.gauss(0, 0.004),
                    math.nan if i == 900 else 0.001,
                    noise.gauss(0.1, 0.004),
                ),
                throttle=0.4 if t_s > 2.0 else 0.0,
                steer=-0.3,
                motor_enabled=True,
                command_age_s=0.02 if i < 1300 else (i - 1300) * 0.005,
            )
        )
    return made


def recorded(tmp_path, made: list[Reading], name: str = "drive.csv"):
    path = tmp_path / name
    with Writer(path) as writer:
        for reading in made:
            writer.write(reading)
    return open_recording(path)


def test_every_row_becomes_one_decision_in_order(tmp_path):
    """Nothing is skipped, merged or reordered between the file and the guard."""
    made = readings(50)
    guard = FakeGuard()
    found = list(replay(recorded(tmp_path, made), guard))
    assert guard.readings == made
    assert [d.t_s for d in found] == [r.t_s for r in made]


def test_replay_streams(tmp_path):
    """A decision is there before the next row is read: hours of drive need no memory."""
    guard = FakeGuard()
    decisions = replay(recorded(tmp_path, readings(50)), guard)
    assert [d.t_s for d in islice(decisions, 3)] == [0.0, 0.005, 0.01]
    assert len(guard.readings) == 3


def test_an_unreadable_row_stops_the_replay_at_that_row(tmp_path):
    """Rows before a broken one are decided, then the error names its line."""
    path = tmp_path / "drive.csv"
    path.write_text("t_s,fl_count\n0,1\n1,two\n")
    decisions = replay(open_recording(path), FakeGuard())
    assert next(decisions).t_s == 0.0
    with pytest.raises(RecordingError, match=r"drive\.csv:3: fl_count: found 'two'"):
        next(decisions)


def test_rows_come_with_their_decisions(tmp_path):
    """Truth stands beside the decision it is compared with."""
    for row, made in replay_rows(recorded(tmp_path, readings(10)), FakeGuard()):
        assert row.reading.t_s == made.t_s
        assert row.line == round(made.t_s / 0.005) + 2


@pytest.fixture(scope="module")
def live() -> list[str]:
    """What was decided while it drove."""
    guard = Guard(Config.parse(ROVER))
    return [repr(guard.step(reading)) for reading in readings()]


@pytest.mark.parametrize("name", ["drive.csv", "drive.csv.gz"])
def test_live_and_replayed_give_the_same_decisions(tmp_path, name, live):
    """The same readings decide the same, bit for bit, live, replayed, and replayed again."""
    recording = recorded(tmp_path, readings(), name)
    assert [repr(d) for d in replay(recording, Config.parse(ROVER))] == live
    if name == "drive.csv":
        assert [repr(d) for d in replay(recording, Guard(Config.parse(ROVER)))] == live


# --- Summary of a drive ----------------------------------------------------------------------


def summarised(tmp_path, decide, truth: dict[float, float] | None = None, times=(0, 1, 2, 3, 4)):
    """Summary of a drive with a row every 0.1 s (or at ``times``, in tenths of a second)."""
    path = tmp_path / "drive.csv"
    with Writer(path, ("t_s", "fl_count", "true_speed_mps")) as writer:
        for tick in times:
            speed = (truth or {}).get(tick)
            writer.write(Reading(t_s=tick / 10), {"true_speed_mps": speed})
    summary = DriveSummary()
    for row, made in replay_rows(open_recording(path), FakeGuard(decide)):
        summary.add(row, made)
    return summary


def test_summary_of_speed_against_truth(tmp_path):
    """Errors 0.3 and 0.4 m/s: RMSE 0.3536 m/s by hand; one of two inside 2 sigma of 0.17."""

    def decide(reading):
        return decision(reading.t_s, speed_mps=1.0, speed_sd_mps=0.17, distance_m=reading.t_s)

    summary = summarised(tmp_path, decide, truth={1: 1.3, 2: 0.6, 3: math.nan})
    assert summary.speed_error.rows == 2
    assert summary.speed_error.rmse_mps == pytest.approx(math.sqrt((0.09 + 0.16) / 2))
    assert summary.speed_error.worst_mps == pytest.approx(0.4)
    assert summary.speed_error.inside_2_sigma == 0.5
    assert summary.rows == 5
    assert summary.duration_s == pytest.approx(0.4)
    assert summary.top_speed_mps == 1.0
    assert summary.distance_m == pytest.approx(0.4)


def test_summary_of_brakes_and_throttle(tmp_path):
    """A decision lasts until the next: 0.2 s at half brake is 0.1 s at full brake."""

    def decide(reading):
        if 0.05 < reading.t_s < 0.25:
            return decision(reading.t_s, brakes=(0.5, 0.0, 1.0, 0.0), throttle_limit=0.7)
        return decision(reading.t_s)

    summary = summarised(tmp_path, decide)
    assert summary.brake_s == pytest.approx([0.2, 0.0, 0.2, 0.0])
    assert summary.brake_full_s == pytest.approx([0.1, 0.0, 0.2, 0.0])
    assert summary.limited_s == pytest.approx(0.2)


def test_a_jump_of_the_clock_is_not_hours_of_braking(tmp_path):
    """Clocks jump; a gap counts for half a second, a step back for nothing."""

    def decide(reading):
        return decision(reading.t_s, brakes=(1.0, 0.0, 0.0, 0.0))

    summary = summarised(tmp_path, decide, times=(0, 1, 100_000, 3, 4))
    assert summary.brake_full_s[0] == pytest.approx(0.1 + 0.5 + 0.0 + 0.1)


def test_a_drive_whose_time_goes_back_has_a_length(tmp_path):
    """From the smallest to the largest time; no length is below zero, and it is said."""

    def decide(reading):
        return decision(reading.t_s, hold=Hold.HOLDING)

    summary = summarised(tmp_path, decide, times=(9, 6, 7, 5, 2))
    assert (summary.start_s, summary.end_s) == (0.2, 0.9)
    assert summary.duration_s == pytest.approx(0.7)
    assert summary.times_back == 3
    assert all(span.end_s >= span.start_s for span in summary.holds)


def test_summary_of_holds(tmp_path):
    """Each stretch of a hold phase from its first decision to the one that ends it."""
    phases = [Hold.HOLDING, Hold.HOLDING, Hold.RELEASING, Hold.OFF, Hold.HOLDING]

    def decide(reading):
        return decision(reading.t_s, hold=phases[round(reading.t_s * 10)])

    spans = summarised(tmp_path, decide).holds
    assert [(s.phase, s.start_s, s.end_s) for s in spans] == [
        (Hold.HOLDING, 0.0, 0.2),
        (Hold.RELEASING, 0.2, 0.3),
        (Hold.HOLDING, 0.4, 0.4),
    ]


def test_summary_keeps_findings_and_alerts(tmp_path):
    """Findings become episodes; each alert is kept once."""
    alert = Alert(t_s=0.2, level="warning", topic="rolling", wheel=None, message="It rolls.")

    def decide(reading):
        now = 0.15 < reading.t_s < 0.35
        return decision(
            reading.t_s,
            findings=(finding(),) if now else (),
            alerts=(alert,) if reading.t_s == 0.2 else (),
        )

    summary = summarised(tmp_path, decide)
    (episode,) = summary.episodes.episodes()
    assert (episode.start_s, episode.end_s) == (0.2, 0.3)
    assert summary.alerts == [alert]


@pytest.mark.parametrize(
    ("rows", "installed", "engine"),
    [
        (LONG_ROWS, True, "compiled"),
        (LONG_ROWS + 5, True, "compiled"),
        (LONG_ROWS - 1, True, "filterpy"),
        (0, True, "filterpy"),
        (LONG_ROWS + 5, False, "filterpy"),
    ],
)
def test_a_long_drive_runs_compiled_where_numba_is(rows, installed, engine, monkeypatch):
    """Short ones are through before it is loaded; no row is lost in finding out."""
    monkeypatch.setattr("slipguard.replay.can_compile", lambda: installed)
    chosen, again = engine_for(iter(range(rows)))
    assert chosen == engine
    assert list(again) == list(range(rows))
