"""Proposed labels: the smoother is the known one, proposals are near the truth, files are safe."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from demo import REPLAY, ROVER, cut
from filterpy.kalman import KalmanFilter
from sizes import rest_large
from synthetic import QUICK, rover
from synthetic import drive as drive_of

from slipguard import Config, Guard
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.fuse.model import N_STATE
from slipguard.label import propose
from slipguard.label.define import label_drive
from slipguard.label.propose import Proposal, labels_from, with_markers
from slipguard.label.reference import look_back, slip_speed
from slipguard.label.smooth import Recorder, Steps, smooth
from slipguard.live.recorder import DriveFile, Row
from slipguard.recording import Event, Labels, labels_path, load_labels, open_recording, save_labels
from slipguard.replay import replay

CONFIG = Config.load(ROVER)


def covariance(rng, m: int):
    a = rng.normal(size=(m, m))
    return a @ a.T + 0.1 * np.eye(m)


# -- the smoother --------------------------------------------------------------------------------


def test_it_is_the_smoother_of_filterpy():
    """The same model, the same measurements: the same result as filterpy's ``rts_smoother``."""
    rng = np.random.default_rng(3)
    m, n = 4, 60
    kf = KalmanFilter(dim_x=m, dim_z=1)
    kf.x, kf.P = rng.normal(size=m), covariance(rng, m)
    steps = Steps([], [], [], [], [])
    means, covs, Fs, Qs = [kf.x.copy()], [kf.P.copy()], [np.eye(m)], [np.zeros((m, m))]
    for _ in range(n):
        F, Q = np.eye(m) + 0.2 * rng.normal(size=(m, m)), 0.1 * covariance(rng, m)
        steps.x.append(kf.x.copy())
        steps.P.append(kf.P.copy())
        steps.F.append(F)
        kf.predict(F=F, Q=Q)
        steps.x_pred.append(kf.x.copy())
        steps.P_pred.append(kf.P.copy())
        kf.update(rng.normal(), R=0.5, H=rng.normal(size=(1, m)))
        for kept, value in zip(
            (means, covs, Fs, Qs), (kf.x.copy(), kf.P.copy(), F, Q), strict=True
        ):
            kept.append(value)
    wanted_x, wanted_P, *_ = kf.rts_smoother(np.array(means), np.array(covs), Fs, Qs)
    got_x, got_P = smooth(steps, kf.x, kf.P)
    np.testing.assert_allclose(got_x, wanted_x, rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(got_P, wanted_P, rtol=1e-6, atol=1e-8)


def test_nothing_flows_back_through_what_was_forgotten():
    """A state that was reset says nothing of what it was before."""
    recorder = Recorder(np.zeros(N_STATE), np.eye(N_STATE))
    recorder.reset(3, 100.0, 0.01, [0.0] * N_STATE)
    H = np.zeros((1, N_STATE))
    H[0, 3] = 1.0
    recorder.update(np.array([-50.0]), H, np.array([[0.01]]))
    means, covs = smooth(recorder.steps, recorder.x, recorder.P)
    np.testing.assert_allclose(means[0], 0.0, atol=1e-9)
    np.testing.assert_allclose(covs[0], np.eye(N_STATE), atol=1e-6)
    assert means[1][3] == pytest.approx(75.0)


@pytest.mark.parametrize(
    "name", rest_large(["frozen_puddle.csv.gz", "wet_clay_uphill.csv.gz"], ["frozen_puddle.csv.gz"])
)
def test_looking_back_knows_speed_better(name):
    """Better than the live filter on the same drive, which is what labels need."""
    rows = list(open_recording(REPLAY / name))
    true = np.array([row.number("true_speed_mps") for row in rows])
    live = np.array([d.estimate.speed_mps for d in replay(rows, Guard(CONFIG, QUICK))])
    back = look_back((row.reading for row in rows), CONFIG)
    live_rmse, rmse = (np.sqrt(np.mean((v - true) ** 2)) for v in (live, back.speed_mps))
    assert rmse < 0.8 * live_rmse
    assert rmse < 0.0035
    inside = np.abs(back.speed_mps - true) <= 2 * back.speed_sd_mps + 0.005 * np.abs(true)
    assert inside.mean() > 0.95


def test_piece_by_piece_is_the_same_as_at_once(monkeypatch):
    """Long drives are smoothed in pieces, so that memory stays flat."""
    rows = [r.reading for r in open_recording(REPLAY / "parking_on_the_bank.csv")][:1700]
    whole = look_back(rows, CONFIG)
    monkeypatch.setattr("slipguard.label.reference.KEPT_STEPS", 400)
    monkeypatch.setattr("slipguard.label.reference.AHEAD_STEPS", 900)
    pieces = look_back(rows, CONFIG)
    assert len(pieces.speed_mps) == len(rows)
    np.testing.assert_allclose(pieces.speed_mps, whole.speed_mps, atol=2e-4)
    np.testing.assert_allclose(pieces.speed_sd_mps, whole.speed_sd_mps, atol=2e-4)


# -- slip ----------------------------------------------------------------------------------------


def test_slip_speed_from_counts():
    """A wheel that grips at 0.5 m/s and slips by 0.4 m/s for a second, counted coarsely."""
    t_s = np.arange(0.0, 4.0, 0.005)
    count_m = 2 * np.pi * 0.075 / 96
    slip = np.where((t_s >= 2.0) & (t_s < 3.0), 0.4, 0.0)
    true_m = np.cumsum(0.5 + slip) * 0.005
    counted = np.floor(true_m / count_m)
    counted[1::2] = counted[:-1:2]  # counts come with every second row
    got = slip_speed(t_s, counted * count_m, np.full_like(t_s, 0.5), count_m, 0.005)
    inside, outside = (t_s > 2.06) & (t_s < 2.94), (t_s < 1.94) | (t_s > 3.06)
    np.testing.assert_allclose(got[inside], 0.4, atol=0.12)
    assert abs(got[inside].mean() - 0.4) < 0.01
    # An edge is passed anywhere in the 10 ms between two samples: 5 mm at 0.5 m/s.
    np.testing.assert_allclose(got[outside], 0.0, atol=0.2)
    assert got[outside].std() < 0.06
    crossing = t_s[np.argmax(got > 0.2)]
    assert crossing == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("rows", [400, 401])
@pytest.mark.parametrize("speed_mps", [-6.0, -0.5, 0.5, 2.0, 6.0])
@pytest.mark.parametrize("late_s", [0.005, 0.04])
def test_a_drive_that_begins_or_ends_on_the_move_slips_at_neither_end(rows, speed_mps, late_s):
    """The last counts of a drive are not there yet when it ends: that is no lock of all wheels."""
    t_s = 0.005 * np.arange(rows)
    count_m = 2 * np.pi * 0.075 / 96
    counted = np.floor((t_s - late_s + 0.005) * speed_mps / count_m + 0.3)
    counted[1::2] = counted[: rows - 1 : 2]
    got = slip_speed(t_s, counted * count_m, np.full_like(t_s, speed_mps), count_m, late_s)
    middle = (t_s > 0.2) & (t_s < 1.8)
    assert np.abs(got[~middle]).max() <= np.abs(got[middle]).max() + 0.02


def test_a_clock_that_jumps_by_years_costs_no_memory():
    """It happens when a computer learns the date."""
    t_s = np.concatenate((np.arange(0.0, 1.0, 0.005), 1e9 + np.arange(0.0, 1.0, 0.005)))
    travel = np.floor(np.arange(len(t_s)) * 0.5) * 0.005
    slip = slip_speed(t_s, travel, np.full(len(t_s), 0.5), 0.005, 0.005)
    assert slip.shape == t_s.shape
    assert np.isfinite(slip).all()


# -- proposals -----------------------------------------------------------------------------------


PROPOSED = [("hill_start", 8.0), ("wet_clay_uphill", 20.0), ("reverse_off_the_clay", 20.0)]


def full(events: Iterable[Event] | None) -> list[Event]:
    """Those that must be found."""
    return [event for event in events or () if not event.slight]


@pytest.mark.parametrize(("name", "last_s"), rest_large(PROPOSED, PROPOSED[:1]))
def test_proposals_without_the_truth_are_near_it(name, last_s, tmp_path):
    """Every labelled event found, none invented, to a few hundredths of a second."""
    recording = open_recording(cut(name, 0.0, last_s, tmp_path))
    got = propose(recording, CONFIG, use_truth=False)
    true, proposed = full(recording.labels.events), full(got.events)
    assert all(p.origin == "look back" for p in got.proposals)
    assert sorted((e.kind, e.wheel or "") for e in proposed) == sorted(
        (e.kind, e.wheel or "") for e in true
    )
    for want in true:
        same = [e for e in proposed if (e.kind, e.wheel) == (want.kind, want.wheel)]
        assert min(abs(e.start_s - want.start_s) for e in same) < 0.06
        assert min(abs(e.end_s - want.end_s) for e in same) < 0.06


def test_truth_gives_the_labels_of_the_simulator(tmp_path):
    """Where a drive holds the truth, nothing needs to be guessed."""
    recording = open_recording(cut("wet_clay_uphill", 0.0, 12.0, tmp_path))
    got = propose(recording, CONFIG)
    assert all(p.origin == "truth" for p in got.proposals)
    proposed, want = full(got.events), full(recording.labels.events)
    assert [(e.kind, e.wheel) for e in proposed] == [(e.kind, e.wheel) for e in want]
    for a, b in zip(proposed, want, strict=True):  # truth columns are rounded
        assert (a.start_s, a.end_s) == pytest.approx((b.start_s, b.end_s), abs=0.011)


@pytest.mark.parametrize(("first_s", "last_s"), [(0.0, 7.0), (19.0, 26.0)])
def test_a_drive_without_slip_gets_no_labels(first_s, last_s, tmp_path):
    """A proposal that is not there is as good as one that is: full lock, and a hard stop."""
    recording = open_recording(cut("headland_turns", first_s, last_s, tmp_path))
    got = propose(recording, CONFIG, use_truth=False)
    assert full(got.events) == []


@pytest.mark.parametrize(("counts_a_second", "creep"), [(109, 1.0), (106, 5.0)])
def test_counts_that_beat_with_the_readings_are_no_slip(counts_a_second, creep):
    """A slight label hides a false alarm from the score. Just above one count a reading, travel
    falls behind and jumps ahead by a count ten times a second, for as long as the speed is kept."""
    config = rover(counts_per_rev=48)
    v = counts_a_second * config.count_m
    driven = drive_of(
        config,
        [(0, 0), (1, 0), (2.5, v), (5, v), (6.5, 0), (7, 0)],
        slope_rad=0.1 if creep > 1.0 else 0.0,
        creep=creep,
        seed=counts_a_second,
    )
    assert labels_from(look_back(driven.readings, config), config) == []


@pytest.mark.parametrize("seed", [3, 6])
def test_wheels_that_grip_at_speed_slip_nowhere(seed):
    """At 8 m/s a rim's speed is seen to some 0.1 m/s only: what passes the threshold for a tenth
    of a second, and slips by less in the mean, is that."""
    config = rover()
    driven = drive_of(config, [(0, 0), (1, 0), (6, 8), (8, 8)], seed=seed, creep=0.0)
    assert labels_from(look_back(driven.readings, config), config) == []


def test_no_event_goes_on_through_a_silence():
    """What a wheel did while nothing was recorded nobody knows: no spin of a hundred seconds, and
    no metres of it."""
    config = rover()
    spin = {"fl": [(2.0, 0.0), (2.1, 0.5), (4.0, 0.5), (4.1, 0.0)]}
    driven = drive_of(config, [(0, 0), (1, 0), (1.5, 0.5), (5, 0.5), (5.5, 0), (6, 0)], slip=spin)
    first_s = driven.readings[0].t_s
    silent = [
        replace(r, t_s=r.t_s - first_s + (100.0 if r.t_s - first_s > 3.0 else 0.0))
        for r in driven.readings
    ]
    found = [e for e in labels_from(look_back(silent, config), config) if not e.slight]
    assert [(e.kind, e.wheel) for e in found] == [("wheel_spin", "fl")] * 2
    assert found[0].end_s == pytest.approx(3.0, abs=0.05)
    assert found[1].start_s == pytest.approx(103.0, abs=0.1)
    assert sum(e.travel_m for e in found) < 1.1


def test_slip_in_bursts_is_still_a_slight_event():
    """What beats is told by its mean from a wheel that truly slips a little, again and again."""
    config = rover(counts_per_rev=48)
    bursts = [(2.0 + 0.2 * k + at, v) for k in range(5) for at, v in BURST]
    driven = drive_of(config, [(0, 0), (1, 0), (1.5, 1.0), (5, 1.0)], slip={"fl": bursts})
    found = labels_from(look_back(driven.readings, config), config)
    assert {(one.kind, one.wheel, one.slight) for one in found} == {("wheel_spin", "fl", True)}
    assert sum(one.travel_m for one in found) == pytest.approx(5 * 0.15 * 0.3, rel=0.2)


BURST = ((0.0, 0.0), (0.025, 0.3), (0.15, 0.3), (0.175, 0.0))
"""Seconds and m/s: 45 mm, with a rest of 25 ms after it."""


SPIN = Proposal(Event(kind="wheel_spin", wheel="fl", start_s=5.0, end_s=6.0), "look back", 0.1)


def test_markers_confirm_add_or_are_told():
    """A press comes late; one that names nothing is not thrown away."""
    got, others = with_markers(
        [SPIN],
        [(7.0, "wheel spin"), (12.0, "Rolling!"), (3.0, "bird"), (30.0, "wheel_spin, some wheel")],
        start_s=0.0,
    )
    assert got[0] == Proposal(SPIN.event, "look back", 0.1, "wheel spin")
    assert got[1].event == Event(kind="rolling", wheel=None, start_s=11.0, end_s=12.0)
    assert got[1].origin == "marker"
    assert others == [(3.0, "bird"), (30.0, "wheel_spin, some wheel")]


def test_what_slipguard_said_is_no_witness(tmp_path):
    """A false alarm of the drive itself would become the truth that it is judged by."""
    config = rover(counts_per_rev=96)
    driven = drive_of(config, [(0, 0), (1, 0), (2, 0.5), (4, 0.5)])
    guard, path = Guard(config), tmp_path / "drive.csv"
    file = DriveFile(path, "counts")
    for k, reading in enumerate(driven.readings):
        note = "wheel spin fl: rim runs faster than the ground; no longer rolling"
        file.write(Row(reading, guard.step(reading), note if k == 500 else None))
    file.close()
    proposals = propose(open_recording(path), config)
    assert (proposals.events, proposals.other_markers) == ((), ())


def test_the_definitions_apply_to_either():
    """The same function labels truth and reference: no second definition that could drift."""
    assert propose.__globals__["label_drive"] is label_drive


# -- the command ---------------------------------------------------------------------------------


@pytest.fixture
def drive(tmp_path) -> Path:
    """The part of a drive in which it rolls away, without its labels."""
    whole = cut("parking_on_the_bank", 13.0, 18.0, tmp_path)
    labels_path(whole).unlink()
    whole.rename(tmp_path / "bank.csv")
    (tmp_path / "rover.yaml").write_bytes(ROVER.read_bytes())
    return tmp_path / "bank.csv"


def test_nothing_is_written_unless_asked(drive, capsys):
    """Proposals are for looking at."""
    assert main(["label", str(drive)]) == Exit.DONE
    out = capsys.readouterr().out
    assert "rolling" in out
    assert max(map(len, out.splitlines())) <= 100
    assert not labels_path(drive).exists()


def test_truth_that_cannot_be_used_is_told(drive, capsys):
    """Speed alone says nothing of the wheels: whoever has it wonders why it was not taken."""
    text = drive.read_text()
    assert main(["label", str(drive)]) == Exit.DONE
    assert "truth columns" not in capsys.readouterr().out
    drive.write_text(text.replace("true_rr_slip_mps", "other"))
    assert main(["label", str(drive)]) == Exit.DONE
    out = " ".join(capsys.readouterr().out.split())
    assert "Not from the truth columns: the drive has no true_rr_slip_mps." in out
    head, first, *rest = text.splitlines()
    column = head.split(",").index("true_rr_slip_mps")
    cells = first.split(",")
    cells[column] = ""
    drive.write_text("\n".join([head, ",".join(cells), *rest]) + "\n")
    assert main(["label", str(drive)]) == Exit.DONE
    out = " ".join(capsys.readouterr().out.split())
    assert "Not from the truth columns: a row has a gap in true_rr_slip_mps." in out
    assert main(["label", str(drive), "--no-truth"]) == Exit.DONE
    assert "truth columns" not in capsys.readouterr().out


def test_written_labels_are_marked_as_proposed_and_may_be_proposed_anew(drive, capsys):
    """Until a person takes the mark away, the program may replace what it wrote."""
    save_labels(Labels(notes="kept"), labels_path(drive))
    for _ in range(2):
        assert main(["label", str(drive), "--write", "--no-truth"]) == Exit.DONE
    labels = load_labels(labels_path(drive))
    assert labels.proposed
    assert labels.notes == "kept"
    assert [event.kind for event in full(labels.events)] == ["rolling"]


def test_confirmed_labels_are_never_lost(drive, capsys):
    """They are somebody's work."""
    mine = Labels(events=(Event(kind="sliding", start_s=1.0, end_s=2.0),))
    save_labels(mine, labels_path(drive))
    before = labels_path(drive).read_bytes()
    assert main(["label", str(drive), "--write"]) == Exit.RECORDING
    assert labels_path(drive).read_bytes() == before
    assert "--force" in capsys.readouterr().err
    assert main(["label", str(drive), "--write", "--force"]) == Exit.DONE
    assert load_labels(labels_path(drive)).proposed
    assert labels_path(drive).with_name("bank.yaml.old").read_bytes() == before
    later = b"events: []  # looked at again\n"
    labels_path(drive).write_bytes(later)
    assert main(["label", str(drive), "--write", "--force"]) == Exit.DONE
    assert labels_path(drive).with_name("bank.yaml.old").read_bytes() == before
    assert labels_path(drive).with_name("bank.yaml.old2").read_bytes() == later


def test_other_lines_of_a_labels_file_stay(drive, capsys):
    """Notes somebody wrote beside a drive, keys of their own and comments, are no labels."""
    mine = "notes: wet  # since noon\nweather: rain\n"
    labels_path(drive).write_text(mine)
    assert main(["label", str(drive), "--write"]) == Exit.DONE
    assert labels_path(drive).read_text().startswith(mine)
    assert load_labels(labels_path(drive)).proposed


def test_force_alone_is_no_command(drive, capsys):
    """Whoever forces something believes that it was written."""
    assert main(["label", str(drive), "--force"]) == Exit.USAGE
    assert "--force is for --write" in " ".join(capsys.readouterr().err.split())


def test_the_rover_file_is_never_taken_for_labels(drive, capsys):
    """Labels of rover.csv would be rover.yaml."""
    named = drive.rename(drive.with_name("rover.csv"))
    rover = drive.with_name("rover.yaml")
    before = rover.read_bytes()
    for option in ("--write", "--serve"):
        assert main(["label", str(named), option]) == Exit.USAGE
        assert "which is the rover file" in " ".join(capsys.readouterr().err.split())
    assert rover.read_bytes() == before
    assert main(["label", str(named)]) == Exit.DONE
