"""One item of commissioning after the other, through the loop that will drive the rover.

    with loop:
        session = Session(loop)
        loop.arm()
        for item in items(loop.config):
            result = session.try_out(item, done)

Sensors, commands, actuators and recording are the loop's own; only what is sent differs while an
item needs single brakes, or wheels that turn in the air. A recording of it can be judged again:
``judge_recording``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from slipguard.commission import Collector, Item, Result, judge
from slipguard.commission.items import FREE, FULL
from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.fuse.plain import finite
from slipguard.guard import Guard
from slipguard.live.loop import Loop, Round
from slipguard.reading import WHEELS, Reading
from slipguard.recording import Row

MARK = "commission begins:"
END = "commission ends"
SIMULATED_MARK = "(simulated)"
"""In the recording of a simulated bench, so that nobody signs it for a real one."""
MOST_THROTTLE = 0.3
"""Of the stick, wheels in the air; they need little. Judgement."""
MOST_S = 300.0
"""An item that takes longer is judged as it is."""


class Session:
    """Tries items with a loop that is open and armed.

    Parameters
    ----------
    loop : Loop
    simulated : bool
        Say so in the recording.
    """

    def __init__(self, loop: Loop, *, simulated: bool = False) -> None:
        self.loop = loop
        self._note = f" {SIMULATED_MARK}" if simulated else ""
        self._collector = Collector(loop.config)
        self._neutral_seen = False
        self._collecting = False
        loop.watchers.append(self._watch)

    def try_out(self, item: Item, done: Callable[[], bool]) -> Result:
        """Run the loop until ``done()``, then judge. Brakes are the guard's again afterwards."""
        self._collector.begin()
        self._neutral_seen = False
        self._collecting = True
        begin_s = self.loop.clock()
        self.loop.adjust = lambda reading, decision: self._sent(item, reading, decision)
        self.loop.tell("info", f"{MARK} {item.key}{self._note}")
        try:
            while not done() and not self.loop.stopping and self.loop.clock() < begin_s + MOST_S:
                self.loop.round()
        finally:
            self.loop.adjust = lambda reading, decision: decision
            self._collecting = False
            self.loop.tell("info", END)
        return judge(item, self._collector.samples, self.loop.config)

    def idle(self, done: Callable[[], bool]) -> None:
        """Run the loop, motor off and brakes on, while somebody reads or thinks."""
        self.loop.adjust = lambda reading, decision: replace(decision, throttle=0.0, brakes=FULL)
        try:
            while not done() and not self.loop.stopping:
                self.loop.round()
        finally:
            self.loop.adjust = lambda reading, decision: decision

    def _sent(self, item: Item, reading: Reading, decision: Decision) -> Decision:
        brakes = item.brakes if item.brakes is not None else decision.brakes
        if item.motor == "guarded":
            return decision
        if item.motor == "off":
            return replace(decision, throttle=0.0, brakes=brakes)
        limits = self.loop.config.limits
        asked = reading.throttle
        age_s = reading.command_age_s
        if age_s is None or not age_s <= limits.link_timeout_s:
            return decision  # what the guard makes of a lost link is what is tried
        if asked is None or not finite(asked):
            return replace(decision, throttle=0.0, brakes=FREE)
        self._neutral_seen |= abs(asked) <= limits.throttle_dead_band
        go = self._neutral_seen and reading.motor_enabled is not False
        throttle = max(-MOST_THROTTLE, min(MOST_THROTTLE, asked)) if go else 0.0
        return replace(decision, throttle=throttle, brakes=FREE)

    def _watch(self, done: Round) -> None:
        if self._collecting:
            sent = done.sent
            self._collector.take(
                done.reading, done.decision, sent=sent.throttle, brakes=sent.brakes
            )


def judge_recording(rows: Iterable[Row], config: Config, items: Iterable[Item]) -> Iterator[Result]:
    """Judge a recorded session again; of an item tried several times the last counts.

    Items the recording does not hold are skipped.
    """
    known = {item.key: item for item in items}
    guard, collector = Guard(config), Collector(config)
    found: dict[str, Result] = {}
    key = ""
    for row in rows:
        decision = guard.step(row.reading)
        marker = row.marker or ""
        if END in marker or MARK in marker:
            if key in known:
                found[key] = judge(known[key], collector.samples, config)
            words = marker.partition(MARK)[2].replace(";", " ").split()
            key = words[0] if words else ""
            collector.begin()
        sent = row.number("out_throttle")
        brakes = [row.number(f"out_{wheel}_brake") or 0.0 for wheel in WHEELS]
        collector.take(row.reading, decision, sent=sent or 0.0, brakes=brakes)
    if key in known:
        found[key] = judge(known[key], collector.samples, config)
    for item in known.values():
        missing = Result(key=item.key, state="skipped", cause="not in the recording")
        yield found.get(item.key, missing)
