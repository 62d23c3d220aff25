"""The compiled engine is the same filter: both engines side by side, on drives of every kind."""

from __future__ import annotations

import dataclasses
import itertools
import math
import sys
import threading
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from bad_readings import bad_stretches
from hypothesis import given, settings
from hypothesis import strategies as st
from sizes import rest_large
from synthetic import DRIVES, ROVERS, Drive, drive, rover

from slipguard import Config, Decision, Guard, Hold, Reading, detect, fuse, respond
from slipguard.compiled import kernel
from slipguard.estimate import Estimate
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.fusion import as_estimate
from slipguard.fuse.model import N_STATE
from slipguard.fuse.written_out import WrittenOut
from slipguard.recording import open_recording
from slipguard.respond.hold import PHASES

REPLAY = Path(__file__).parent.parent / "replay"
AT_ONCE = ("coarse/root_ridges.csv.gz",)
RECORDED = sorted(p.relative_to(REPLAY).as_posix() for p in REPLAY.rglob("*.csv*"))
CLOSE = 1e-9
ANY_DRIVE = 1e-6
"""Where the accelerometer is doubted the speed is opened wide in one step: an ill-conditioned
update, after which double precision leaves the two some 1e-8 apart. No recorded drive has that."""
AFTER_A_GAP = 1e-4
"""After a gap the speed is anything up to 15 m/s, the travel in it up to 7 m, and the next counts
tell it to a millimetre: seven digits are lost at once, in either engine (against exact fractions
both are 1e-9 standard deviations off in this one update). 2e-5 was the most on 78 drives."""


# --- The algebra -----------------------------------------------------------------------------


def some_filter(seed: int):
    """A state with a covariance, F, Q, H, R and innovations of the sizes the fusion uses."""
    rng = np.random.default_rng(seed)
    scale = np.array([0.1, 0.3, 0.01, 1e-3, 1e-3, 1e-3, 1e-3, 0.01])
    root = scale[:, None] * rng.standard_normal((N_STATE, N_STATE))
    F = np.eye(N_STATE) + 0.02 * rng.standard_normal((N_STATE, N_STATE))
    m = int(rng.integers(1, 5))
    H = np.zeros((m, N_STATE))
    H[np.arange(m), rng.permutation(N_STATE)[:m]] = 1.0
    H[:, 0] += 0.02 * rng.standard_normal(m)
    R = np.diag(10.0 ** rng.uniform(-7.0, -3.0, m))
    if rng.integers(2):
        R[0, 0] = 1e9  # a wheel that says nothing
    return rng.standard_normal(N_STATE) * scale, root @ root.T, F, H, R, rng


@settings(max_examples=50)
@given(seed=st.integers(0, 2**32 - 1))
def test_the_written_out_algebra_is_that_of_filterpy(seed):
    """The one thing that exists twice: state, covariance and gain after predict and update."""
    x, P, F, H, R, rng = some_filter(seed)
    ours, theirs = WrittenOut(x, P), FilterpyEngine(x, P)
    moved = F @ x + 0.01 * rng.standard_normal(N_STATE)
    innovation = 1e-3 * rng.standard_normal(len(H))
    for engine in (ours, theirs):
        engine.predict(moved.tolist(), F, 1e-3 * np.diag(np.diag(P)))
    gains = [engine.update(innovation, H, R) for engine in (ours, theirs)]
    sd = np.sqrt(np.diag(theirs.P))
    assert ours.x / sd == pytest.approx(theirs.x / sd, abs=1e-8)
    assert pytest.approx(theirs.P / np.outer(sd, sd), abs=1e-7) == ours.P / np.outer(sd, sd)
    noise = np.sqrt(np.diag(R))
    unitless = [K * noise / sd[:, None] for K in gains]
    assert unitless[0] == pytest.approx(unitless[1], abs=1e-7)
    ties, along = rng.standard_normal((2, N_STATE))
    ties[3] = 0.0
    for engine in (ours, theirs):
        engine.reset(3, 0.5, 2.0, ties)
        engine.shift(along, 0.25, 0.125)
    assert pytest.approx(theirs.P, rel=1e-6, abs=1e-12) == ours.P
    assert ours.x == pytest.approx(theirs.x, rel=1e-6)


def test_an_estimate_from_values_is_an_ordinary_one():
    """However it is made: the same class, equal, frozen, printed and copied alike."""
    names = [f.name for f in dataclasses.fields(Estimate)]
    values = tuple(float(k) for k in range(len(names)))
    made, usual = as_estimate(values), Estimate(**dict(zip(names, values, strict=True)))
    assert type(made) is Estimate
    assert made == usual
    assert repr(made) == repr(usual)
    assert hash(made) == hash(usual)
    assert dataclasses.replace(made, t_s=7.0).t_s == 7.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        made.t_s = 1.0


def test_an_engine_that_is_not_there_is_refused():
    """A wrong name is not taken for the default."""
    with pytest.raises(ValueError, match="'filterpy' or 'compiled'"):
        Guard(rover(), engine="fast")


# --- Both engines ----------------------------------------------------------------------------


def numbers(estimate: Estimate) -> list[float]:
    flat: list[float] = []
    for f in dataclasses.fields(Estimate):
        value = getattr(estimate, f.name)
        flat += value if isinstance(value, tuple) else (value,)
    return flat


def outputs(decision: Decision) -> list[float]:
    return [decision.throttle, decision.throttle_limit, *decision.brakes]


def said(decision: Decision) -> object:
    """What was decided, but for the last digits of numbers and the phase of the hold."""
    return (
        [(f.kind, f.wheel, f.sensor, f.since_s, f.unit, f.detail) for f in decision.findings],
        [(a.topic, a.level, a.wheel) for a in decision.alerts if a.topic != "hold"],
    )


def apart(one: Iterable[float], other: Iterable[float]) -> float:
    """Largest difference, of numbers above 1 as a share; of what is true or not, 1.0."""
    return max(
        0.0 if a == b else abs(a - b) / max(1.0, abs(a)) for a, b in zip(one, other, strict=True)
    )


def compare(config: Config, readings: Iterable[Reading], close: float = CLOSE) -> int:
    """Step both engines side by side. Returns how often a hold's end hung on the last digit.

    A hold ends when its brake has faded to nothing, and a brake that fades in equal steps meets
    zero but for rounding: 1e-17 left is one step more. No other comparison is met so closely.
    """
    usual, compiled = Guard(config), Guard(config, engine="compiled")
    ties, in_step = 0, True
    for k, reading in enumerate(readings):
        a, b = usual.step(reading), compiled.step(reading)
        where = f"step {k}, t = {reading.t_s}"
        assert apart(numbers(a.estimate), numbers(b.estimate)) < close, where
        assert apart(outputs(a), outputs(b)) < close, where
        assert said(a) == said(b), where
        if a.hold is b.hold:
            in_step = True
        else:
            assert {a.hold, b.hold} == {Hold.RELEASING, Hold.OFF}, where
            assert in_step, f"{where}: more than one step apart"
            in_step = False
            ties += 1
    return ties


@pytest.fixture(scope="session", autouse=True)
def _numba():
    pytest.importorskip("numba", reason="the compiled engine needs the extra 'fast'")


@pytest.mark.parametrize("name", rest_large(RECORDED, AT_ONCE))
def test_recorded_drives_are_decided_the_same(name):
    """Every recorded drive from end to end: estimates to 1e-9, all that is decided alike."""
    path = REPLAY / name
    config = Config.load(path.parent / "rover.yaml")
    assert compare(config, (row.reading for row in open_recording(path))) <= 2


LATE = {"encoders__delay_s": 0.03, "imu__delay_s": 0.005, "imu__position_m": (0.1, 0.0, 0.05)}
KINDS: dict[str, Config] = {name: rover(**kind) for name, kind in ROVERS.items()}
KINDS["late"] = rover(steered="both", drive="front").with_changes(**LATE)
KINDS["late, one channel"] = rover(counts_per_rev=24, direction="unsigned").with_changes(**LATE)
KINDS["late speeds"] = rover(kind="speed").with_changes(**LATE)
KINDS["turned IMU"] = rover().with_changes(imu__rotation_deg=(0.0, 0.0, 90.0))


def with_faults(made: Drive) -> list[Reading]:
    """The readings with a knock, half a second without an IMU, and a wild count."""
    readings = list(made.readings)
    readings[300] = dataclasses.replace(readings[300], accel_mps2=(50.0, 0.0, 9.8))
    for k in range(500, 600):
        readings[k] = dataclasses.replace(readings[k], accel_mps2=None, gyro_radps=None)
    if readings[640].counts is not None:
        wild = (readings[640].counts[0] + 100_000, *readings[640].counts[1:])
        readings[640] = dataclasses.replace(readings[640], counts=wild)
    return readings


PAIRS = [(kind, name) for kind in KINDS for name in DRIVES]
EACH = list(zip(KINDS, itertools.cycle(DRIVES), strict=False))


@pytest.mark.parametrize(("kind", "name"), rest_large(PAIRS, EACH))
def test_made_up_drives_are_decided_the_same(kind, name):
    """Every kind of rover on every drive, with wheels that spin and lock, and faults."""
    slip = {"fr": [(1.4, 0), (1.6, 1), (2.2, 1), (2.3, 0)], "rl": [(2.8, 0), (3, -0.6), (3.2, 0)]}
    config = KINDS[kind]
    compare(config, with_faults(drive(config, slip=slip, seed=7, **DRIVES[name])))


@pytest.mark.parametrize("kind", rest_large(KINDS, ("96 counts", "one channel", "late speeds")))
def test_after_a_gap_the_same_is_decided(kind):
    """A second of silence in the middle of a turn on a slope."""
    readings = drive(KINDS[kind], seed=7, **DRIVES["slope"]).readings
    late = [dataclasses.replace(r, t_s=r.t_s + 1.0) for r in readings[700:]]
    compare(KINDS[kind], readings[:700] + late, AFTER_A_GAP)


@settings(max_examples=10)
@given(
    kind=st.sampled_from(sorted(KINDS)),
    seed=st.integers(0, 2**32 - 1),
    points=st.lists(st.tuples(st.floats(0.2, 1.0), st.floats(-2.0, 2.0)), min_size=2, max_size=5),
    turn=st.floats(-1.5, 1.5),
    slope=st.floats(-0.3, 0.3),
    wheel=st.sampled_from(("fl", "fr", "rl", "rr")),
    spin=st.floats(-1.5, 1.5),
)
def test_random_drives_are_decided_the_same(kind, seed, points, turn, slope, wheel, spin):
    """Any speeds, turns and slopes, with one wheel that slips in the middle."""
    t, speed = 0.6, [(0.0, 0.0), (0.6, 0.0)]
    for step_s, v in points:
        t += step_s
        speed.append((t, v))
    slip = {wheel: [(0.4 * t, 0.0), (0.5 * t, spin), (0.6 * t, 0.0)]}
    made = drive(KINDS[kind], speed, curvature=turn, slope_rad=slope, slip=slip, seed=seed)
    compare(KINDS[kind], made.readings, ANY_DRIVE)


@pytest.mark.parametrize("kind", ["96 counts", "one channel", "speeds", "late"])
@settings(max_examples=8)
@given(stretch=bad_stretches())
def test_the_compiled_engine_survives_any_reading(kind, stretch):
    """Total as the default: never raises, and every number stays finite."""
    guard = Guard(KINDS[kind], engine="compiled")
    for reading in stretch:
        decision = guard.step(reading)
        assert all(math.isfinite(v) for v in numbers(decision.estimate))
        assert all(math.isfinite(v) for v in outputs(decision))


def test_whole_numbers_in_a_rover_file_compile_nothing_new():
    """``[0, 0, 0]`` for ``[0.0, 0.0, 0.0]``: no second compilation, at start or on the move."""
    from slipguard.compiled.kernel import kernel

    text = (
        "rover: {mass_kg: 5, wheelbase_m: 3, track_m: 1, wheel_radius_m: 1, max_steer_deg: 25, "
        "steered: front, drive: open, top_speed_mps: 15}\n"
        "encoders: {counts_per_rev: 96, rate_hz: 100}\n"
        "imu: {accel_noise_mps2: 1, gyro_noise_radps: 1, position_m: [0, 0, 0], delay_s: 0}\n"
    )
    Guard(rover(), engine="compiled")
    before = list(kernel().signatures)
    guard = Guard(Config.parse(text), engine="compiled")
    guard.step(Reading(t_s=0, counts=(0, 0, 0, 0), accel_mps2=(0, 0, 10), gyro_radps=(0, 0, 0)))
    guard.step(Reading(t_s=1, counts=(1, 0, 0, 0), accel_mps2=(1, 0, 10), gyro_radps=(0, 0, 1)))
    assert list(kernel().signatures) == before


def test_two_compiled_guards_keep_apart():
    """Each has a state of its own; a warm-up leaves no trace in it."""
    made = drive(rover(), **DRIVES["straight"])
    alone = Guard(rover(), engine="compiled")
    expected = [repr(alone.step(r)) for r in made.readings]
    one, other = Guard(rover(), engine="compiled"), Guard(rover(), engine="compiled")
    for k, reading in enumerate(made.readings):
        assert repr(one.step(reading)) == expected[k]
        if k % 3 == 0:
            other.step(reading)


def test_the_records_of_two_guards_are_of_one_type():
    """numba finds what it compiled by the very dtype of a record. Where that was only equal, it
    compared field by field, and every guard but the first took five times as long."""
    from slipguard.compiled.core import Core
    from slipguard.compiled.mirror import record_of

    one, other = (record_of(Core(rover())).dtype for _ in range(2))
    assert one is other


# --- A drive in one call ---------------------------------------------------------------------


def is_the_same(config: Config, readings: list[Reading], at: int) -> None:
    """Stepping, and the drive in two calls, the second from row ``at`` on: the same bits."""
    from slipguard.compiled import CompiledDrive, by_field, core

    guard, drive = Guard(config, engine="compiled"), CompiledDrive(config)
    decisions = [guard.step(reading) for reading in readings]
    plain = drive.plain(readings)
    out = np.concatenate([drive.run(plain[:at]), drive.run(plain[at:])])
    columns = by_field(out)
    assert list(columns) == [f.name for f in dataclasses.fields(Estimate)]
    for name, column in columns.items():
        expected = np.array([getattr(d.estimate, name) for d in decisions], float)
        assert np.array_equal(column, expected), name
    decided = [outputs(d) for d in decisions]
    assert out[:, core.THROTTLE : core.PHASE].tolist() == decided
    assert out[:, core.FOUND].tolist() == [len(d.findings) for d in decisions]
    assert [PHASES[int(p)] for p in out[:, core.PHASE]] == [d.hold for d in decisions]


@pytest.mark.parametrize("kind", KINDS)
def test_a_drive_in_one_call_is_the_drive_stepped(kind):
    """Counts and speeds, turned and late sensors, faults, brakes pressed: to the last bit."""
    slip = {"fr": [(1.4, 0), (1.6, 1), (2.2, 1), (2.3, 0)], "rl": [(2.8, 0), (3, -0.6), (3.2, 0)]}
    made = drive(KINDS[kind], slip=slip, seed=7, **DRIVES["slope"])
    readings = with_faults(made)
    readings[700:] = [dataclasses.replace(r, t_s=r.t_s + 1.0) for r in readings[700:]]
    is_the_same(KINDS[kind], readings, 333)


@pytest.mark.parametrize("kind", ["96 counts", "one channel", "speeds", "turned IMU"])
@settings(max_examples=8)
@given(stretch=bad_stretches())
def test_any_reading_in_one_call_is_that_reading_stepped(kind, stretch):
    """What sensors and links may deliver is taken alike: none, no numbers, frozen, jumping."""
    readings = list(stretch)
    is_the_same(KINDS[kind], readings, len(readings) // 2)


def test_arrays_of_another_shape_are_refused():
    """Columns that are missing are said, not read beyond."""
    from slipguard.compiled import CompiledDrive

    with pytest.raises(ValueError, match=r"plain \(3, 5\)"):
        CompiledDrive(rover()).run(np.zeros((3, 5)))


def test_one_program_compiles_while_the_others_wait(tmp_path):
    """Two that start together on a fresh machine: the second goes on when the first is done."""
    from slipguard.compiled.waiting import one_at_a_time

    order: list[str] = []
    inside = threading.Event()

    def second() -> None:
        inside.wait()
        with one_at_a_time(tmp_path):
            order.append("second")

    other = threading.Thread(target=second)
    other.start()
    with one_at_a_time(tmp_path):
        inside.set()
        other.join(0.2)
        order.append("first")
    other.join()
    assert order == ["first", "second"]


def test_a_cache_that_cannot_be_written_stops_nobody(tmp_path):
    """Read-only, or no folder at all: one compiles for oneself."""
    from slipguard.compiled.waiting import one_at_a_time

    (tmp_path / "file").write_text("")
    with one_at_a_time(tmp_path / "file" / "folder"):
        pass


# --- The mirror ------------------------------------------------------------------------------


class Wheel:
    """Counts turns."""

    def __init__(self, turns: float) -> None:
        self.turns = turns
        self.name = "left"

    @property
    def twice(self) -> float:
        return 2.0 * self.turns

    def turn(self, by: float) -> float:
        self.turns += by
        return self.twice


class Cart:
    """Two wheels and a ledger."""

    def __init__(self) -> None:
        self.wheels = [Wheel(1.0), Wheel(2.0)]
        self.rested = True
        self.ledger = [[0.0, 0.0], [0.0, 0.0]]

    def roll(self, by: float) -> float:
        total = 0.0
        for i, wheel in enumerate(self.wheels):
            total += wheel.turn(by)
            self.ledger[i][1] += by
        self.rested = by == 0.0
        return total


def test_a_class_runs_compiled_as_it_stands(monkeypatch):
    """Methods, properties, objects in lists and lists of lists: the same numbers as uncompiled,
    written into the record; what is no number is left out."""
    import numba

    from slipguard.compiled import mirror

    monkeypatch.setattr(mirror, "MIRRORED", (*mirror.MIRRORED, __name__))
    cart = Cart()
    records = mirror.record_of(cart)
    assert records.dtype["wheels"].subdtype[0].names == ("turns",)

    @numba.njit
    def roll(records, by):
        return mirror.part(records[0]).roll(by)

    for by in (0.5, -2.0, 0.0):
        assert roll(records, by) == cart.roll(by)
        assert records == mirror.record_of(cart)


def test_lists_of_different_things_are_not_mirrored():
    """They would be converted in silence."""
    from slipguard.compiled.mirror import record_of

    with pytest.raises(TypeError, match="not all of one kind"):
        record_of(Wheel([1.0, True]))


def test_compiled_code_is_asked_for_by_all_it_is_made_of(monkeypatch):
    """What is in numba's cache is taken again only where nothing it was made of has changed: not
    the rooms alone, also the values they read and the constants beside them."""
    read: set[str] = set()
    plain = Path.read_bytes

    def noted(path: Path) -> bytes:
        read.add(f"{path.parent.name}/{path.name}")
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", noted)
    kernel.fingerprint(fuse, detect, respond)
    modules = {m for m in sys.modules if m.startswith("slipguard.")}
    rooms = ("slipguard.fuse.", "slipguard.detect.", "slipguard.respond.", "slipguard.compiled.")
    made_of = {m for m in modules if m.startswith(rooms)} | {
        f"slipguard.{name}" for name in ("frame", "finding", "settings", "reading", "estimate")
    }
    assert {"/".join(m.split(".")[-2:]) + ".py" for m in made_of} <= read
