"""The live loop: what it records replays the same, when it arms, how it ends."""

from __future__ import annotations

import errno
import itertools
import math
import os
import re
import signal
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from types import SimpleNamespace

import pytest
from demo import ROVER as ROVER_FILE
from demo import cut
from live_bench import FAULT_S, PERIOD_S, ROVER, Rig, broken, level
from synthetic import QUICK

from slipguard import Config, ConfigError, Guard, Hold
from slipguard.live import ArmingError, LiveSettings, Loop, Recorder, VirtualClock, stop_on_signals
from slipguard.live.command import Command
from slipguard.live.interpreter import undisturbed
from slipguard.live.recorder import DriveFile
from slipguard.live.replayed import ReplayedSensors
from slipguard.live.simulated import SimulatedRover
from slipguard.plugin import BRAKES, Actuator, AlertSink, Health, SensorSource, WhenSilent
from slipguard.recording import open_recording
from slipguard.replay import replay
from slipguard.simulate import DEMO_ROVER, make, run
from slipguard.simulate.faults import EncoderFault, ImuFault
from slipguard.testing import make_alert, make_config, make_decision, make_plugin

# -- the same decisions ---------------------------------------------------------------------------


def test_a_live_run_and_the_replay_of_its_recording_decide_the_same(tmp_path):
    """Bit for bit, across files, through faults of sensors, actuators, link and the loop."""
    faults = (
        ImuFault(kind="nan", start_s=2.0, end_s=2.1),
        EncoderFault(kind="none", wheel="rl", start_s=3.0, end_s=4.0),
    )
    scenario = level(3.0, faults, link=lambda t_s: not 6.0 < t_s < 7.0)
    clock = VirtualClock()
    recorder = Recorder(tmp_path, "counts", clock=clock, file_minutes=0.1)
    with Rig(scenario, recorder=recorder, engine=QUICK) as rig:

        def on_round(rig):
            clock.advance(0.01)
            if len(rig.rounds) % 40 == 0:
                recorder.pump()
            if len(rig.rounds) == 500:
                rig.front.fault = broken()
            if len(rig.rounds) == 520:
                rig.front.fault = None
            if len(rig.rounds) == 900:
                rig.clock.advance(0.7)

        rig.on_round = on_round
        rig.drive(16.0)
    recorder.close()
    files = sorted(recorder.folder.glob("*.csv"))
    assert len(files) >= 2
    assert recorder.lost == 0
    rows = itertools.chain.from_iterable(open_recording(path) for path in files)
    live = [done.decision for done in rig.rounds]
    assert list(replay(rows, Guard(ROVER, QUICK))) == live
    kinds = {finding.kind for decision in live for finding in decision.findings}
    assert {"sensor_fault", "link_lost"} <= kinds
    assert {decision.hold for decision in live} >= {Hold.OFF, Hold.STOPPING, Hold.HOLDING}


def test_the_live_loop_decides_as_the_simulator_does():
    """The loop adds nothing: a scenario through it is the scenario through the guard alone."""
    scenario = replace(make("hill_start", 3, DEMO_ROVER), duration_s=4.0)
    alone = run(scenario, DEMO_ROVER, 3, Guard(DEMO_ROVER))
    clock = VirtualClock()
    rover = SimulatedRover(scenario, DEMO_ROVER, 3, clock)
    loop = Loop(
        DEMO_ROVER,
        host=rover.host(DEMO_ROVER, clock, threads=False),
        operator=rover,
        clock=clock,
        threads=False,
    )
    rounds = []
    loop.watchers.append(rounds.append)
    with loop:
        loop.run(lambda: rover.finished)
    assert len(rounds) == len(alone.decisions)
    # While it arms the motor is disabled; times differ in their last bit.
    for done, decision in itertools.islice(zip(rounds, alone.decisions, strict=True), 10, None):
        assert done.decision.brakes == pytest.approx(decision.brakes, abs=1e-6)
        assert done.decision.throttle == pytest.approx(decision.throttle, abs=1e-6)


def test_the_loop_runs_on_the_engine_that_is_set(monkeypatch):
    """Whoever needs the compiled engine to keep pace must get it."""
    asked = []
    monkeypatch.setattr(
        "slipguard.live.loop.Guard", lambda config, engine: asked.append(engine) or Guard(config)
    )
    Loop(DEMO_ROVER)
    Loop(DEMO_ROVER, settings=LiveSettings(engine="compiled"))
    assert asked == ["filterpy", "compiled"]


def test_a_simulated_rover_lives_one_life_whoever_asks():
    """A late read still runs when the next asks: as one after the other, never both at once."""

    def lived(threads: int) -> list[object]:
        rover = SimulatedRover(level(), ROVER, 3, VirtualClock())

        def live() -> None:
            for i in range(1, 401):
                rover.live_until(i * PERIOD_S)

        with ThreadPoolExecutor(threads) as pool:
            for asked in [pool.submit(live) for _ in range(threads)]:
                asked.result()
        return [rover.plant.t_s, rover.plant.truth(), rover.plant.reading()]

    with undisturbed():  # threads take turns quickly
        assert lived(2) == lived(1)


def test_a_recorded_drive_through_the_live_loop_is_the_replay_of_it(tmp_path):
    """Row by row: what is tried on a desk is what was recorded."""
    config = Config.load(ROVER_FILE)
    drive = open_recording(cut("parking_on_the_bank", 13.0, 18.0, tmp_path))
    clock = VirtualClock(50.0)
    sensors = ReplayedSensors(drive, clock)
    loop = Loop(
        config,
        host=sensors.host(config, clock, threads=False),
        operator=sensors,
        clock=clock,
        threads=False,
    )
    rounds = []
    loop.watchers.append(rounds.append)
    with loop:
        loop.run(lambda: sensors.finished)
    rows = list(drive)
    assert len(rounds) == len(rows)
    for done, row in itertools.islice(zip(rounds, rows, strict=True), 10, None):
        again = replace(done.reading, t_s=row.reading.t_s)
        assert again == row.reading


@pytest.mark.parametrize("times", ["nan,nan,nan,nan", "0,nan,0.01,inf", "0,0.01,1e9,0.02"])
def test_a_replayed_drive_ends_whatever_its_clock_says(times, tmp_path):
    """Rows without a time, and clocks that jump, do not make the loop wait for ever."""
    path = tmp_path / "drive.csv"
    rows = [f"{t},{i}\n" for i, t in enumerate(times.split(","))]
    path.write_text("t_s,fl_count\n" + "".join(rows), encoding="utf-8")
    clock = VirtualClock(50.0)
    sensors = ReplayedSensors(open_recording(path), clock)
    sensors.open()
    newest = None
    while not sensors.finished and clock() < 52.0:
        newest = sensors.read() or newest
        clock.advance(0.01)
    assert sensors.finished
    assert newest.counts[0] == 3


def test_a_replayed_drive_goes_on_after_a_silence_and_a_clock_set_back(tmp_path):
    """A silence stays one for the guard; rows after a clock was set back come one by one."""
    path = tmp_path / "drive.csv"
    times = (0.0, 0.1, 60.0, 60.1, 5.0, 5.1)
    rows = "".join(f"{t},{i}\n" for i, t in enumerate(times))
    path.write_text("t_s,fl_count\n" + rows, encoding="utf-8")
    clock = VirtualClock(50.0)
    sensors = ReplayedSensors(open_recording(path), clock)
    sensors.open()
    came_s = {}
    for _ in range(200):
        if (reading := sensors.read()) is not None:
            came_s[reading.counts[0]] = clock() - 50.0
        clock.advance(0.01)
    # Rows 3 and 4 fall into one round: the clock was set back between them.
    assert came_s == pytest.approx({0: 0.0, 1: 0.1, 2: 0.6, 4: 0.7, 5: 0.8}, abs=0.011)


def test_on_a_desk_alert_sinks_stay_and_nothing_that_moves(monkeypatch):
    """By whatever name the rover file has for them; a real servo never sees a replayed drive."""
    sunk = []

    class Sink(AlertSink):
        def _open(self):
            pass

        def _send(self, alert):
            sunk.append((self.name, alert))

        def _close(self):
            pass

    installed = (
        make_plugin("bell", alert_sink=Sink),
        make_plugin("servos", actuator=lambda: pytest.fail("a real servo was built")),
    )
    monkeypatch.setattr("slipguard.live.desk.discover", lambda names: installed)
    config = make_config("rear: {plugin: servos}\nloud: {plugin: bell}\nbell: {}")
    host = ReplayedSensors(iter(()), VirtualClock()).host(config, VirtualClock(), threads=False)
    with host:
        host.apply(make_decision(alerts=(make_alert(),)))
    assert [name for name, _ in sunk] == ["loud", "bell"]


def beside_host(monkeypatch, plugins: str, beside: list[str]):
    """A host of the simulated rover, with what ``plugins`` names beside it."""
    sent: list[dict[str, float]] = []

    class Servos(Actuator):
        channels = BRAKES
        when_silent = WhenSilent("releases")

        def _open(self):
            pass

        def _write(self, command, decision):
            sent.append(dict(command))

        def _safe_state(self, reason):
            pass

        def _close(self):
            pass

    class Wheels(SensorSource):
        provides = ("counts",)

        def _open(self):
            pass

        def _read(self):
            return None

        def _close(self):
            pass

    installed = (
        make_plugin("servos", actuator=Servos),
        make_plugin("esc", actuator=lambda: pytest.fail("nobody asked for the motor")),
        make_plugin("wheels", sensor_source=Wheels),
    )
    monkeypatch.setattr("slipguard.live.desk.discover", lambda names: installed)
    config, clock = make_config(plugins), VirtualClock(10.0)
    rover = SimulatedRover(make("hill_start", 2, config), config, 2, clock)
    return rover, rover.host(config, clock, threads=False, beside=beside), clock, sent


def test_a_plugin_named_moves_beside_the_simulated_rover(monkeypatch):
    """The brake of one's own gets every command, and the simulated rover brakes with the same."""
    rover, host, clock, sent = beside_host(monkeypatch, "servos: {}\nesc: {}", ["servos"])
    loop = Loop(make_config(), host=host, operator=rover.operator, clock=clock, threads=False)
    loop.watchers.append(rover.follow)
    rounds, felt = [], []
    loop.watchers += [rounds.append, lambda done: felt.append(rover.actuators.brakes)]
    with loop:
        loop.run(lambda: len(rounds) >= 400)
    assert rover.actuators.channels == ("throttle",)
    assert [tuple(x.values()) for x in sent] == [done.sent.brakes for done in rounds] == felt
    assert len({max(b) for b in felt}) > 1
    assert rover.plant.t_s > 1.9


@pytest.mark.parametrize(
    ("beside", "said"),
    [
        ("servo", "rover.yaml: plugins.servo: not in the rover file; named there: servos, wheels"),
        ("wheels", "rover.yaml: plugins.wheels: brings a sensor; beside a simulated"),
    ],
)
def test_what_cannot_move_beside_a_desk_is_told(monkeypatch, beside, said):
    """A name that is not there, and a sensor, which would contradict the simulated ones."""
    with pytest.raises(ConfigError, match=re.escape(said)):
        beside_host(monkeypatch, "servos: {}\nwheels: {}", [beside])


# -- arming ---------------------------------------------------------------------------------------


def refusal(rig: Rig) -> str:
    with pytest.raises(ArmingError) as caught, rig:
        rig.drive(10.0)
    return str(caught.value)


def test_a_brake_without_a_plugin():
    """A wheel that nobody brakes: the builder forgot it, or says that he means it."""
    rig = Rig()
    rig._build(rig.front)
    assert "brakes: no plugin serves brake.rl, brake.rr; name one under plugins:" in refusal(rig)
    rig = Rig(without_brake=("rl", "rr"))
    rig.brakes = (rig.front, rig.rear)
    rig._build(rig.front)
    with rig:
        rig.drive(0.5)
    assert rig.loop.armed


@pytest.mark.parametrize("does", ["holds_last", "applies"])
def test_a_throttle_that_holds_its_last_pulse(does):
    """After kill -9 the motor would run on: hardware must be fitted, and named."""
    rig = Rig()
    rig.throttle.when_silent = WhenSilent(does)
    text = refusal(rig)
    assert "throttle: when commands stop, the hardware of plugin throttle" in text
    assert "live.fail_safe" in text
    rig = Rig(fail_safe="receiver with fail-safe, cuts the motor after 0.5 s")
    rig.throttle.when_silent = WhenSilent(does)
    with rig:
        rig.drive(0.5)
    assert rig.loop.armed


def test_sensors_that_do_not_deliver():
    """Each by name; the motor stays off and the brakes on while they are waited for."""
    faults = (
        EncoderFault(kind="none", wheel="rl"),
        ImuFault(kind="missing", start_s=0.0),
    )
    rig = Rig(level(faults=faults))
    text = refusal(rig)
    assert "sensors: nothing comes from counts rl, accel_mps2, gyro_radps" in text
    assert {done.sent.throttle for done in rig.rounds} == {0.0}
    assert rig.rounds[-1].sent.brakes[0] > 0
    assert rig.t_s == pytest.approx(rig.loop.settings.arm_within_s, abs=0.02)


def test_sensors_that_come_up_late_are_waited_for():
    """A sensor needs its second or two."""
    with Rig(level(faults=(ImuFault(kind="missing", start_s=0.0, end_s=1.5),))) as rig:
        rig.loop.arm()
    assert 1.4 < rig.t_s < 1.7


def test_a_plugin_that_is_not_well():
    """Its own words."""
    rig = Rig()
    rig.rear.reported = Health(failed=("brake.rr",), message="servo unplugged")
    assert "plugins: plugin brake-1 (test-package 1.0): servo unplugged" in refusal(rig)


def test_a_disk_that_cannot_be_written(tmp_path):
    """A run that was to be recorded is not driven unrecorded."""
    recorder = Recorder(tmp_path, "counts")
    recorder.problem = "No space left on device"
    assert "recorder: No space left on device" in refusal(Rig(recorder=recorder))


def test_a_disk_that_is_full_at_the_end_is_told(tmp_path, monkeypatch):
    """By whoever closes the loop: nobody reads alerts any more."""

    def full(file):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    rig = Rig(record=str(tmp_path))
    with rig.loop:
        rig.loop.round()
        monkeypatch.setattr(DriveFile, "push", full)
        (told,) = rig.loop.close()
    assert told.startswith("recorder: ")
    assert "No space left on device" in told
    assert rig.loop.problems == (told,)


def test_every_problem_is_told_at_once():
    """Not one after the other, from one start to the next."""
    rig = Rig()
    rig.throttle.when_silent = WhenSilent("holds_last")
    rig._build()
    text = refusal(rig)
    assert text.startswith("not armed\n")
    assert "brakes: " in text
    assert "throttle: " in text


def test_loop_needs_its_hardware_first():
    """A round without hardware would do nothing, silently."""
    with pytest.raises(RuntimeError, match="open the loop first"):
        Rig().loop.arm()


# -- the end --------------------------------------------------------------------------------------


def test_stop_is_gentle_and_ends_held():
    """Asked to end at speed: deceleration as for a lost link, then hold, then the safe state."""
    with Rig() as rig:
        rig.drive(FAULT_S)
        begin = len(rig.rounds)
        rig.loop.stop("enough")
        rig.loop.run()
    speeds = [done.decision.estimate.speed_mps for done in rig.rounds[begin:]]
    assert 0.7 < len(speeds) * PERIOD_S < 2.0
    assert max(a - b for a, b in zip(speeds, speeds[20:], strict=False)) / 0.2 < 3.0
    assert rig.rounds[-1].decision.hold is Hold.HOLDING
    assert abs(rig.rover.plant.truth().speed_mps) < 0.05
    assert rig.throttle.command == {"throttle": 0.0}
    assert rig.front.command == {"brake.fl": 1.0, "brake.fr": 1.0}


def test_a_stop_that_does_not_come_about_ends_in_time():
    """Brakes that do not bite must not keep the program from ending."""
    with Rig(stop_within_s=1.0) as rig:
        rig.brakes = ()
        rig.rover.actuators.brakes = (0.0,) * 4
        rig.move = lambda: setattr(rig.rover.actuators, "throttle", 0.5)
        rig.drive(FAULT_S)
        rig.loop.stop("enough")
        rig.loop.run()
        assert rig.t_s == pytest.approx(FAULT_S + 1.0, abs=0.05)


def test_signals_stop_gently_and_a_second_one_at_once():
    """kill, Ctrl-C: a stop; impatience: the safe state now. Handlers are put back."""
    before = signal.getsignal(signal.SIGTERM)
    rig = Rig()
    with stop_on_signals(rig.loop), rig:
        rig.on_round = lambda rig: (
            os.kill(os.getpid(), signal.SIGTERM) if len(rig.rounds) == 250 else None
        )
        rig.loop.run()
        assert rig.rounds[-1].stopped_by == ("asked to end by SIGTERM",)
        assert rig.rounds[-1].decision.hold is Hold.HOLDING
    rig = Rig()
    rig.on_round = lambda rig: (
        os.kill(os.getpid(), signal.SIGINT) if len(rig.rounds) in (250, 255) else None
    )
    with pytest.raises(KeyboardInterrupt), stop_on_signals(rig.loop), rig:
        rig.loop.run()
    assert len(rig.rounds) == 255
    assert rig.throttle.command == {"throttle": 0.0}
    assert rig.front.command == {"brake.fl": 1.0, "brake.fr": 1.0}
    assert signal.getsignal(signal.SIGTERM) is before


def test_a_watcher_that_raises_is_dropped_and_told():
    """Somebody's screen must not stop the rover."""

    def bad(done):
        raise ValueError("screen gone")

    with Rig() as rig:
        rig.loop.watchers.insert(0, bad)
        rig.drive(1.0)
    assert bad not in rig.loop.watchers
    assert sum("screen gone" in message for _, message in rig.alerts) == 1


@pytest.mark.parametrize("said", [math.nan, "yes"])
def test_the_motor_is_off_where_nobody_can_tell(said):
    """An operator of one's own may say anything; only a clear yes drives."""
    rig = Rig()
    command = Command(throttle=0.5, steer=0.0, motor_enabled=True, age_s=0.0)
    with rig.loop as loop:
        loop.arm()
        loop.operator = SimpleNamespace(poll=lambda now_s: command, news=lambda now_s: None)
        assert loop.round().reading.motor_enabled is True
        command = replace(command, motor_enabled=said)
        assert loop.round().reading.motor_enabled is False


def test_before_the_first_command_the_rover_holds():
    """No sender yet: the link counts as lost, and nothing moves."""

    class Nobody:
        def poll(self, now_s):
            return None

        def news(self, now_s):
            return None

        def close(self):
            pass

    with Rig() as rig:
        rig.loop.operator = Nobody()
        rig.drive(2.0)
    last = rig.rounds[-1]
    assert last.reading.command_age_s == pytest.approx(2.0, abs=0.02)
    assert last.reading.throttle is None
    assert [finding.kind for finding in last.sent.findings] == ["link_lost"]
    assert (last.sent.throttle, last.sent.hold) == (0.0, Hold.HOLDING)
