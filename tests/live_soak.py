"""An hour of driving through the live loop, with faults at random.

    python tests/live_soak.py [MINUTES] [SEED] [--replay]

The simulated rover drives back and forth in closed loop, plugins in their threads, in virtual time
(several times faster than real); or the demo drives are replayed, one after the other, ten times
faster than real. Every few seconds something breaks for a while. After every round
what the actuators stand at is checked against the rule: once a fault is found, and as long as the
loop gives a reason to stop, the throttle is at zero within two rounds.
"""

from __future__ import annotations

import argparse
import errno
import gc
import itertools
import math
import random
import tempfile
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from live_bench import ROVER, SILENT_S, Hang, Rig, level

from slipguard import Reading
from slipguard.live import Command, Recorder, Round, VirtualClock
from slipguard.live.desk import DeskActuators
from slipguard.live.recorder import DriveFile
from slipguard.live.replayed import ReplayedSensors
from slipguard.plugin import Health
from slipguard.recording import open_recording
from slipguard.simulate.scenario import Driver, keep_line

REPLAY = Path(__file__).parent.parent / "replay"
CYCLE_S = 10.0
GRACE_ROUNDS = 2
PLUGIN_DEADLINE_S = 0.02


def operator(t_s: float, truth: Any) -> tuple[float, float]:
    """Neutral for a second, then forwards, next time backwards."""
    phase = t_s % (2 * CYCLE_S)
    if phase % CYCLE_S < 1.0:
        return 0.0, 0.0
    way = 1.0 if phase < CYCLE_S else -1.0
    return Driver.of(ROVER).cruise(truth, way), keep_line(truth)


class Endless:
    """The demo drives, again and again, as one: time and counts go on."""

    def __init__(self) -> None:
        self.speed_mps = 0.0

    def __iter__(self) -> Iterator[SimpleNamespace]:
        t_s, counts = 0.0, (0, 0, 0, 0)
        for path in itertools.cycle(sorted(REPLAY.glob("*.csv*"))):
            first = None
            last = counts
            for row in open_recording(path):
                reading = row.reading
                first = first or reading
                if reading.counts is not None:
                    last = tuple(
                        at if new is None else round(base + new)
                        for at, base, new in zip(last, counts, reading.counts, strict=True)
                    )
                self.speed_mps = row.number("true_speed_mps")
                values = {"t_s": t_s + reading.t_s - first.t_s}
                if reading.counts is not None:
                    values["counts"] = last
                yield SimpleNamespace(reading=replace(reading, **values))
            t_s, counts = values["t_s"] + 0.01, last


class ReplayedRover:
    """What the rig needs of a rover, from recordings: it does not react."""

    def __init__(self, clock: VirtualClock, link: list[bool]) -> None:
        self._drives = Endless()
        self.sensors = ReplayedSensors(self._drives, clock)  # type: ignore[arg-type]
        self.actuators = DeskActuators()
        self.plant = self
        self._link = link
        self._heard_s = clock()

    def truth(self) -> Endless:
        """With ``speed_mps``."""
        return self._drives

    def live_until(self, t_s: float) -> None:
        """It is where the recording says."""

    def poll(self, now_s: float) -> Command | None:
        """The recorded driver, while the link stands."""
        if not self._link[0]:
            age_s = now_s - self._heard_s
            return Command(throttle=None, steer=None, motor_enabled=None, age_s=age_s)
        self._heard_s = now_s
        return self.sensors.poll(now_s)

    def news(self, now_s: float) -> str | None:
        """Nothing ever."""
        return None

    def close(self) -> None:
        """Nothing to let go."""


class Disk(DriveFile):
    """Full now and then."""

    full = False

    def push(self) -> int:
        if type(self).full:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().push()


@dataclass
class Result:
    """What came of it."""

    rounds: int = 0
    powered: int = 0  # rounds in which the motor drives
    injected: Counter[str] = field(default_factory=Counter)
    stops: int = 0
    violations: list[str] = field(default_factory=list)
    driven_m: float = 0.0
    memory_kib: list[int] = field(default_factory=list)
    threads: int = 0

    @property
    def growth_kib(self) -> int:
        """Resident memory at the end less that after the first tenth."""
        start = len(self.memory_kib) // 10
        return self.memory_kib[-1] - self.memory_kib[start]


def resident_kib() -> int:
    """Memory of this process, from Linux."""
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(text.split("VmRSS:")[1].split()[0])


class Soak:
    """Breaks things, and watches."""

    def __init__(self, rig: Rig, recorder: Recorder, link: list[bool], seed: int) -> None:
        self.result = Result()
        self._rig = rig
        self._recorder = recorder
        self._random = random.Random(seed)
        self._mend: Callable[[], None] | None = None
        self._mend_s = 0.0
        self._next_s = 5.0
        self._due = 0  # rounds for which a stop has been asked for while the throttle was on
        self._was_stopped = False
        self._link = link
        self._faults: dict[str, Callable[[], Callable[[], None]]] = {
            "raises": self._raise,
            "nonsense": lambda: self._set(self._part(), "fault", lambda: 42),
            "hangs": self._hang,
            "reports failure": self._report,
            "sensors raise": lambda: self._set(rig.senses, "fault", _raise),
            "sensors silent": lambda: self._set(rig.senses, "fault", lambda: None),
            "sensors nonsense": lambda: self._set(rig.senses, "fault", lambda: [1, 2]),
            "sensors NaN": lambda: self._set(rig.senses, "fault", self._nan),
            "link lost": self._cut_link,
            "loop pauses": self._pause,
            "sink raises": lambda: self._set(rig.sink, "fault", _raise),
            "disk full": self._fill_disk,
        }

    def watch(self, done: Round) -> None:
        """Once a round."""
        t_s = self._rig.t_s
        self._check(done)
        if self.result.rounds % 10 == 0:
            self._recorder.pump()
        if self._mend is not None and t_s >= self._mend_s:
            self._mend()
            self._mend = None
            self._next_s = t_s + self._random.uniform(1.0, 12.0)
        elif self._mend is None and t_s >= self._next_s:
            name = self._random.choice(list(self._faults))
            self.result.injected[name] += 1
            self._mend_s = t_s + self._random.choice((0.02, 0.2, 1.0, 3.0))
            self._mend = self._faults[name]()

    def _check(self, done: Round) -> None:
        rig, result = self._rig, self.result
        result.rounds += 1
        result.powered += done.sent.throttle != 0.0
        result.driven_m += abs(rig.rover.plant.truth().speed_mps) * rig.loop.pace.period_s
        result.stops += bool(done.stopped_by) and not self._was_stopped
        self._was_stopped = bool(done.stopped_by)
        wanted = done.stopped_by or any(f.kind == "link_lost" for f in done.sent.findings)
        silent = rig.clock() - rig.throttle.written_s > SILENT_S
        on = rig.throttle.command["throttle"] != 0.0 and not silent
        own = "throttle" in done.failed  # then its hardware's time-out must do
        self._due = self._due + 1 if wanted and on and not own else 0
        if self._due > GRACE_ROUNDS:
            result.violations.append(f"{rig.t_s:.2f} s: throttle on, {done.stopped_by}")
        if not all(0.0 <= b <= 1.0 for b in done.sent.brakes):
            result.violations.append(f"{rig.t_s:.2f} s: brakes {done.sent.brakes}")

    def _part(self) -> Any:
        rig = self._rig
        return self._random.choice((rig.throttle, rig.front, rig.rear))

    @staticmethod
    def _set(part: Any, name: str, value: object) -> Callable[[], None]:
        before = getattr(part, name)
        setattr(part, name, value)
        return lambda: setattr(part, name, before)

    def _raise(self) -> Callable[[], None]:
        return self._set(self._part(), "fault", _raise)

    def _hang(self) -> Callable[[], None]:
        part, hang = self._part(), Hang()
        mend = self._set(part, "fault", hang)

        def release() -> None:
            mend()
            hang.release.set()

        return release

    def _report(self) -> Callable[[], None]:
        part = self._part()
        return self._set(part, "reported", Health(failed=part.channels[:1], message="stalled"))

    def _nan(self) -> Reading:
        bad = (math.nan,) * 3
        return Reading(t_s=self._rig.clock(), accel_mps2=bad, gyro_radps=bad)

    def _cut_link(self) -> Callable[[], None]:
        self._link[0] = False
        return lambda: self._link.__setitem__(0, True)

    def _pause(self) -> Callable[[], None]:
        self._rig.clock.advance(self._random.choice((0.05, 0.3, 1.0)))
        return lambda: None

    def _fill_disk(self) -> Callable[[], None]:
        Disk.full = True
        return lambda: setattr(Disk, "full", False)


def _raise() -> object:
    raise OSError("the wire is off")


def soak(minutes: float, seed: int = 1, replay: bool = False) -> Result:
    """Drive for so long (of virtual time)."""
    with tempfile.TemporaryDirectory() as folder:
        link = [True]
        clock = VirtualClock(100.0, speed=10.0 if replay else None)
        recorder = Recorder(folder, "counts", file_mb=8.0, clock=clock, make_file=Disk)
        scenario = level(operator=operator, link=lambda t_s: link[0])
        rover = ReplayedRover(clock, link) if replay else None
        rig = Rig(scenario, threads=True, recorder=recorder, clock=clock, rover=rover)
        for part in (rig.throttle, rig.front, rig.rear, rig.senses):
            part.deadline_s = PLUGIN_DEADLINE_S
        rig.keep_rounds = False
        rig.alerts = deque(maxlen=100)  # type: ignore[assignment]
        rig.sink.messages = deque(maxlen=100)  # type: ignore[assignment]
        chaos = Soak(rig, recorder, link, seed)
        rig.loop.watchers.append(chaos.watch)
        result = chaos.result
        with rig:
            rig.drive(1.0)
            threads = threading.active_count()
            every = minutes * 60.0 / 100
            while rig.t_s < minutes * 60.0:
                rig.drive(rig.t_s + every)
                gc.collect()
                result.memory_kib.append(resident_kib())
            result.threads = threading.active_count() - threads
        recorder.close()
    return result


def main() -> None:
    """Soak and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("minutes", type=float, nargs="?", default=60.0)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("--replay", action="store_true", help="replay the demo drives")
    asked = parser.parse_args()
    result = soak(asked.minutes, asked.seed, asked.replay)
    print(f"{result.rounds} rounds, the motor driving in {result.powered}")
    print(f"{result.driven_m:.0f} m driven, {result.stops} stops")
    print(f"faults {dict(result.injected)}")
    print(f"memory {result.memory_kib[::10]} KiB, growth {result.growth_kib} KiB")
    print(f"threads more than at the start: {result.threads}")
    print(f"violations: {result.violations[:10] or 'none'}")


if __name__ == "__main__":
    main()
