"""Parts of the live loop: pace, watchdog, recorder, plain readings. Time is never real here."""

from __future__ import annotations

import errno
import gc
import math
import os
import re
import socket
import subprocess
import sys
import threading
import weakref
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from bad_readings import numbers
from hypothesis import given
from hypothesis import strategies as st

from slipguard import Reading, RecordingError
from slipguard.live import MonotonicClock, Recorder, VirtualClock, Watchdog
from slipguard.live.interpreter import MOST_OBJECTS, collect_when_idle, undisturbed
from slipguard.live.pace import Pace, Spread
from slipguard.live.readings import newest
from slipguard.live.recorder import QUEUE_ROWS, DriveFile, Row
from slipguard.live.watchdog import notify
from slipguard.recording import open_recording
from slipguard.recording.columns import VECTORS
from slipguard.recording.plain import plain
from slipguard.testing import make_decision

# -- pace -----------------------------------------------------------------------------------------


def starts(work_s: list[float], rate_hz: float = 100.0) -> tuple[list[float], Pace]:
    """When the rounds begin that work for so long."""
    clock = VirtualClock(5.0)
    pace = Pace(clock, rate_hz)
    begun = []
    for seconds in work_s:
        now_s = pace.wait()
        begun.append(round(now_s - 5.0, 9))
        clock.advance(seconds)
        pace.done(now_s)
    return begun, pace


def test_rounds_keep_to_the_grid():
    """A fixed rate is one that does not drift, also over a day of rounds."""
    begun, pace = starts([0.004] * 5)
    assert begun == [0.0, 0.01, 0.02, 0.03, 0.04]
    assert (pace.timing.overruns, pace.timing.skipped, pace.timing.late_worst_s) == (0, 0, 0.0)
    clock = VirtualClock(1e5)
    pace = Pace(clock, 200.0)
    for _ in range(100_000):
        now_s = pace.wait()
    assert now_s == pytest.approx(1e5 + 99_999 * 0.005, abs=1e-9)


def test_a_long_round_costs_ticks_and_brings_no_burst():
    """After 37 ms of work in 10 ms the rounds missed are skipped, never made up for."""
    begun, pace = starts([0.001, 0.037, 0.001, 0.001, 0.001])
    assert begun == [0.0, 0.01, 0.05, 0.06, 0.07]
    assert (pace.overruns, pace.skipped) == (1, 3)


def test_a_round_that_is_a_little_late_is_run_late():
    """12 ms in 10 ms: the next round begins at once, 2 ms late; the grid stays."""
    begun, pace = starts([0.012, 0.001, 0.001])
    assert begun == [0.0, 0.012, 0.02]
    assert (pace.overruns, pace.skipped) == (1, 0)
    assert pace.timing.late_worst_s == pytest.approx(0.002)


@given(st.lists(st.floats(0, 0.1), min_size=2, max_size=60))
def test_rounds_are_never_nearer_than_half_a_period(work_s):
    """Whatever the work takes: no bursts, and ticks are run or counted."""
    begun, pace = starts(work_s)
    gaps = np.diff(begun)
    assert gaps.min() > 0.5 * 0.01 - 1e-9
    assert pace.rounds + pace.skipped == math.floor(begun[-1] / 0.01 + 1e-6) + 1


def test_quantiles_are_right_to_five_percent():
    """Against numpy, on durations as loops have them."""
    rng = np.random.default_rng(7)
    durations = rng.lognormal(math.log(1e-3), 0.8, 20_000)
    spread = Spread()
    for duration in durations:
        spread.add(duration)
    for share in (0.1, 0.5, 0.9, 0.99, 0.999):
        assert spread.quantile_s(share) == pytest.approx(np.quantile(durations, share), rel=0.05)
    assert spread.quantile_s(1.0) == durations.max() == spread.worst_s
    assert Spread().quantile_s(0.5) == 0.0


def test_clocks():
    """None goes back; a virtual one is exact, paced or not, and a slow computer loses nothing."""
    real = MonotonicClock()
    start_s = real()
    real.wait_until(start_s + 0.005)
    assert real() >= start_s + 0.005
    real.wait_until(start_s)
    virtual = VirtualClock(3.0)
    virtual.wait_until(4.0)
    virtual.wait_until(1.0)
    assert virtual() == 4.0
    paced = VirtualClock(speed=100.0)
    for i in range(1, 51):
        paced.wait_until(i * 0.01)
        if i == 20:
            real.wait_until(real() + 0.005)  # a round that takes long
    assert paced() == 50 * 0.01
    assert real() - start_s >= 0.5 / 100.0
    with pytest.raises(ValueError, match="speed: found 0"):
        VirtualClock(speed=0)


class Ring:
    """Refers to itself: only the collector takes it away."""

    def __init__(self) -> None:
        self.me = self


def left_after(rings: int, left_s: float) -> bool:
    """Whether a ring made among so many others is still there after a round."""
    with undisturbed():
        assert not gc.isenabled()
        made = weakref.ref(Ring())
        for _ in range(rings):
            Ring()
        collect_when_idle(left_s)
        return made() is not None


def test_rubbish_is_collected_between_rounds_and_never_in_one():
    """Nothing is collected by itself, nor while the next round is due; a loop that is never idle
    still does not fill the memory."""
    assert gc.isenabled()
    assert not left_after(2000, left_s=0.004)
    assert left_after(2000, left_s=0.001)
    assert left_after(10, left_s=0.004)
    assert not left_after(MOST_OBJECTS, left_s=-1.0)
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0


def test_the_time_left_is_until_the_next_tick():
    """2 ms of work in rounds of 10 ms leave 8; 12 ms are 2 too many."""
    clock = VirtualClock(5.0)
    pace = Pace(clock, 100.0)
    for work_s, left_s in ((0.002, 0.008), (0.012, -0.002)):
        pace.wait()
        clock.advance(work_s)
        assert pace.left_s == pytest.approx(left_s)


# -- watchdog -------------------------------------------------------------------------------------


def test_a_hang_is_found_once_and_ends_the_signs_of_life(tmp_path):
    """The loop hangs: the actuators are sent to safety, and systemd hears nothing more."""
    clock, last, panics, told = VirtualClock(), [0.0], [], []
    alive = tmp_path / "alive"
    dog = Watchdog(lambda: last[0], clock, 0.25, panics.append, alive, told.append)
    for _ in range(50):
        clock.advance(0.02)
        last[0] = clock()
        dog.check()
    dog.touch()
    assert alive.exists()
    beats = len(told)
    assert beats == 5, "every 0.2 s of one second"
    assert set(told) == {"WATCHDOG=1"}
    hang_s = clock()
    while not panics:
        clock.advance(0.02)
        dog.check()
    assert clock() - hang_s <= 0.25 + 0.02 + 1e-9
    clock.advance(5.0)
    dog.check()
    assert panics == ["the loop has not completed a round for 0.26 s"]
    assert len(told) <= beats + 2, "beats that were due before the hang was one"
    told.clear()
    last[0] = clock()
    dog.check()
    assert told == ["WATCHDOG=1"]
    clock.advance(0.3)
    dog.check()
    assert dog.hangs == 2


def test_a_disk_that_hangs_ends_the_heartbeat_and_not_the_watching(tmp_path, monkeypatch):
    """The heartbeat file lies on a disk that does not answer: a hang of the loop is still found."""
    touching, answer, found = threading.Event(), threading.Event(), threading.Event()

    def hang(path: Path) -> None:
        touching.set()
        answer.wait(60.0)

    monkeypatch.setattr(Path, "touch", hang)
    clock = VirtualClock()
    dog = Watchdog(lambda: 0.0, clock, 0.25, lambda _: found.set(), tmp_path / "alive")
    dog.start()
    assert touching.wait(60.0)
    clock.advance(1.0)
    try:
        assert found.wait(30.0)
    finally:
        answer.set()
        dog.stop()


def test_nothing_is_watched_before_the_loop_runs(tmp_path):
    """Taking hold of hardware may take long."""
    clock, told = VirtualClock(), []
    dog = Watchdog(lambda: None, clock, 0.25, told.append, None, told.append)
    clock.advance(100.0)
    dog.check()
    assert not told


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_is_told_as_its_manual_says(abstract, tmp_path, monkeypatch):
    """sd_notify(3): a datagram to the socket named in NOTIFY_SOCKET; '@' is an abstract name."""
    name = f"slipguard-{os.getpid()}" if abstract else str(tmp_path / "notify")
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind("\0" + name if abstract else name)
    monkeypatch.setenv("NOTIFY_SOCKET", "@" + name if abstract else name)
    notify("READY=1")
    assert listener.recv(100) == b"READY=1"
    listener.close()
    notify("WATCHDOG=1")  # nobody there: no matter
    monkeypatch.delenv("NOTIFY_SOCKET")
    notify("WATCHDOG=1")


# -- plain readings -------------------------------------------------------------------------------


def anything(name: str) -> st.SearchStrategy:
    if name in VECTORS:
        return st.one_of(st.none(), numbers(2.0), st.lists(numbers(100.0), max_size=5))
    return st.one_of(st.none(), numbers(1.0))


@given(
    st.fixed_dictionaries({f.name: anything(f.name) for f in fields(Reading) if f.name != "t_s"})
)
def test_a_recording_gives_back_exactly_what_the_guard_was_given(tmp_path_factory, values):
    """Whatever plugins deliver: the plain reading survives writing and reading, bit for bit."""
    reading = plain(Reading(t_s=12.345678901234567, **values))
    path = tmp_path_factory.mktemp("drive") / "drive.csv"
    file = DriveFile(path, "counts")
    sent = make_decision(0.0)
    file.write(Row(reading, sent, None))
    file.close()
    (row,) = open_recording(path)
    for f in fields(Reading):
        if f.name == "wheel_speed_radps":  # a rover has one kind of wheels
            continue
        assert repr(getattr(row.reading, f.name)) == repr(getattr(reading, f.name)), f.name


def test_what_is_no_number_becomes_nan():
    """As the guard takes it: a text is no number either."""
    found = plain(
        Reading(
            t_s=1.0,
            counts=(1, 2.5, None, "x"),
            accel_mps2=(1.0, 2.0),
            gyro_radps=np.array([1.0, 2.0, 3.0]),
            throttle="much",
            steer="0.5",
            motor_enabled=math.nan,
            brake_position=(None, None, None, None),
        )
    )
    assert found.counts[:3] == (1, 2.5, None)
    assert math.isnan(found.counts[3])
    assert len(found.accel_mps2) == 3
    assert all(map(math.isnan, found.accel_mps2))
    assert found.gyro_radps == (1.0, 2.0, 3.0)
    assert math.isnan(found.throttle)
    assert math.isnan(found.steer)
    assert found.motor_enabled is None
    assert found.brake_position is None


def test_the_newest_of_two_readings():
    """Rows that fall into one round: nothing that one of them brought is lost."""
    older = Reading(t_s=1.0, counts=(1, 2, 3, 4), throttle=0.1)
    newer = Reading(t_s=1.005, accel_mps2=(0.0, 0.0, 9.8), throttle=0.2)
    assert newest(older, newer) == Reading(
        t_s=1.005, counts=(1, 2, 3, 4), accel_mps2=(0.0, 0.0, 9.8), throttle=0.2
    )


# -- recorder -------------------------------------------------------------------------------------


def record(recorder: Recorder, rows: int, first: int = 0, note: str | None = None) -> None:
    for i in range(first, first + rows):
        recorder.put(Reading(t_s=i * 0.01, counts=(i, i, i, i)), make_decision(i * 0.01), note)


def parts(recorder: Recorder) -> list[Path]:
    return sorted(recorder.folder.glob("drive-*.csv"))


def times(recorder: Recorder) -> list[float]:
    return [row.reading.t_s for path in parts(recorder) for row in open_recording(path)]


def test_a_run_is_a_folder_that_can_be_replayed(tmp_path):
    """Readings, what was sent, what was told, and the rover it was driven with."""
    rover = tmp_path / "my.yaml"
    rover.write_text("rover: {}\n")
    recorder = Recorder(tmp_path / "runs", "counts", rover=rover)
    recorder.put(
        Reading(t_s=1.0, counts=(1, 2, 3, 4), throttle=0.5, motor_enabled=True),
        make_decision(1.0, throttle=0.4, brakes=(0.1, 0.2, 0.3, 0.4)),
        'wheel "fl" spins,\nand how',
    )
    recorder.close()
    assert re.fullmatch(r"run-\d{8}-\d{6}", recorder.folder.name)
    assert (recorder.folder / "rover.yaml").read_text() == "rover: {}\n"
    (path,) = parts(recorder)
    drive = open_recording(path)
    (row,) = drive
    assert (row.reading.counts, row.reading.throttle) == ((1, 2, 3, 4), 0.5)
    assert row.marker == 'wheel "fl" spins, and how'
    assert row.extra["out_throttle"] == 0.4
    assert row.extra["out_rr_brake"] == 0.4
    assert drive.labels.source == "recorded by slipguard run"
    assert drive.labels.events is None, "nobody has looked at it yet"


def test_runs_of_one_second_do_not_overwrite_each_other(tmp_path):
    """A rover without a clock starts every run at the same date."""
    runs = [Recorder(tmp_path, "counts") for _ in range(5)]
    assert len({run.folder for run in runs}) == 5
    for run in runs:
        run.close()


@pytest.mark.parametrize("limit", [{"file_mb": 0.05}, {"file_minutes": 1.0}])
def test_recordings_go_on_in_a_new_file(tmp_path, limit):
    """By size and by time; no row is lost or doubled at the seam."""
    clock = VirtualClock()
    recorder = Recorder(tmp_path, "counts", clock=clock, **limit)
    for i in range(20):
        record(recorder, 100, 100 * i)
        clock.advance(10.0)
        recorder.pump()
    recorder.close()
    found = parts(recorder)
    assert len(found) >= 3
    assert times(recorder) == [i * 0.01 for i in range(2000)]
    if "file_mb" in limit:
        assert all(path.stat().st_size < 2 * 0.05e6 for path in found)


def test_the_loop_never_waits_and_memory_is_bounded(tmp_path):
    """A disk that does not keep up costs the oldest rows, and that is said."""
    recorder = Recorder(tmp_path, "counts")
    record(recorder, QUEUE_ROWS + 500)
    recorder.pump()
    recorder.close()
    assert times(recorder)[0] == pytest.approx(5.0)
    assert len(times(recorder)) == QUEUE_ROWS
    assert recorder.news() == "500 rows lost: the disk does not keep up"


def test_rows_are_on_the_disk_within_a_second(tmp_path, monkeypatch):
    """A power cut takes what the disk itself does not hold: it is asked twice a second."""
    clock, pushed = VirtualClock(), []
    monkeypatch.setattr(os, "fsync", lambda handle: pushed.append(clock()))
    recorder = Recorder(tmp_path, "counts", clock=clock)
    for i in range(100):
        record(recorder, 5, 5 * i)
        clock.advance(0.05)
        recorder.pump()
    assert max(np.diff([*pushed, clock()])) <= 0.5 + 0.05 + 1e-9
    assert len(times(recorder)) >= 450, "and what was pushed was written before"


class FullDisk(DriveFile):
    """A file on a disk that is full now and then."""

    full = False

    def push(self) -> int:
        if type(self).full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().push()


def test_a_full_disk_ends_the_recording_until_there_is_room(tmp_path):
    """Told once; rows meanwhile are dropped, not hoarded; then a new file begins."""
    clock = VirtualClock()
    recorder = Recorder(tmp_path, "counts", clock=clock, make_file=FullDisk)
    record(recorder, 10)
    recorder.pump()
    FullDisk.full = True
    for i in range(100):
        clock.advance(1.0)
        record(recorder, 10, 10 + 10 * i)
        recorder.pump()
        assert len(recorder._rows) == 0
    assert "No space left on device" in recorder.problem
    assert "recording stopped, the rover drives on" in recorder.news()
    assert recorder.news() is None
    FullDisk.full = False
    clock.advance(11.0)
    record(recorder, 10, 5000)
    recorder.pump()
    assert recorder.news() == "recording again"
    assert recorder.problem == ""
    recorder.close()
    assert times(recorder)[-10:] == [i * 0.01 for i in range(5000, 5010)]
    FullDisk.full = False


class Odd(DriveFile):
    """A file that fails as nobody thought of."""

    error: Exception | None = None

    def write(self, row: Row) -> None:
        if type(self).error is not None:
            raise type(self).error
        super().write(row)

    def close(self) -> None:
        super().close()
        if type(self).error is not None:
            raise type(self).error


@pytest.mark.parametrize(
    ("error", "said"),
    [(TypeError("no such thing"), "TypeError: no such thing"), (MemoryError(), "MemoryError")],
)
def test_no_error_ends_the_recording_silently(tmp_path, monkeypatch, error, said):
    """Whatever goes wrong is told, its rows are counted as lost, and it is tried again."""
    clock = VirtualClock()
    recorder = Recorder(tmp_path, "counts", clock=clock, make_file=Odd)
    monkeypatch.setattr(Odd, "error", error)
    record(recorder, 10)
    recorder.pump()
    assert recorder.news() == f"recording stopped, the rover drives on: {said}"
    assert (recorder.problem, recorder.lost) == (said, 10)
    monkeypatch.setattr(Odd, "error", None)
    clock.advance(11.0)
    record(recorder, 10)
    recorder.pump()
    assert recorder.news() == "recording again"
    recorder.close()
    assert len(times(recorder)) == 10


def test_a_disk_that_is_really_full(tmp_path):
    """The kernel's own refusal (a limit on file size), not a made-up one: nothing raises."""
    code = f"""
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
from slipguard import Reading
from slipguard.live import Recorder, VirtualClock
from slipguard.testing import make_decision
clock = VirtualClock()
recorder = Recorder({str(tmp_path)!r}, "counts", clock=clock)
for i in range(2000):
    recorder.put(Reading(t_s=i * 0.01, counts=(i, i, i, i)), make_decision(i * 0.01))
    clock.advance(0.01)
    if i % 5 == 0:
        recorder.pump()
recorder.close()
print(recorder.written, recorder.lost, recorder.news())
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "recording stopped, the rover drives on" in done.stdout
    assert "File too large" in done.stdout
    (run,) = tmp_path.iterdir()
    rows = [row.reading.t_s for path in sorted(run.glob("*.csv")) for row in open_recording(path)]
    assert len(rows) > 50
    assert rows == sorted(set(rows))


def test_a_folder_that_cannot_be_written_is_told_at_once(tmp_path):
    """Before the rover moves."""
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match="cannot write: Not a directory"):
        Recorder(tmp_path / "file" / "runs", "counts")


@pytest.mark.parametrize("full", ["push", "labels"])
def test_a_disk_that_is_full_from_the_start_is_told_at_once(tmp_path, monkeypatch, full):
    """As the package's own error, which every caller is told to expect; and no file stays open."""
    closed = []

    class File(DriveFile):
        def push(self) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        def close(self) -> None:
            closed.append(True)
            super().close()

    def refuse(labels: object, path: Path) -> None:
        raise RecordingError(f"{path}: cannot write the labels: {os.strerror(errno.ENOSPC)}")

    if full == "labels":
        monkeypatch.setattr("slipguard.live.recorder.save_labels", refuse)
    with pytest.raises(RecordingError, match=r"cannot write.*No space left on device"):
        Recorder(tmp_path, "counts", make_file=File)
    assert closed == [True]
