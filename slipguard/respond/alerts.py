"""What the driver is told, once, when it changes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from slipguard.config import Config
from slipguard.decision import Alert, Hold
from slipguard.finding import Finding

Level = Literal["info", "warning", "critical"]

LEVELS: dict[str, Level] = {
    "wheel_spin": "info",
    "wheel_lock": "info",
    "rolling": "critical",
    "sliding": "critical",
    "sensor_fault": "warning",
    "link_lost": "critical",
    "overspeed": "warning",
    "tip_over_risk": "critical",
}
PHASES: dict[Hold, str] = {
    Hold.HOLDING: "brakes hold the rover",
    Hold.STOPPING: "stopping the rover",
    Hold.RELEASING: "brakes let go for drive-off",
    Hold.OFF: "brakes are off",
}

ENDED: dict[str, str] = {
    "sensor_fault": "{sensor} works again",
    "link_lost": "the link is back",
    "rolling": "no longer rolling",
}
"""What is said of a finding that is over; of others nothing is."""


class Alerts:
    """Compares this step with the one before."""

    def __init__(self, config: Config) -> None:
        self._long_hold_s = config.hold.long_hold_s
        self._known: Sequence[tuple[str, str | None, str | None]] = []
        self._phase: Hold | None = None
        self._said: dict[str, str] = {}  # topics that are true, and what was said of each

    def step(
        self,
        t_s: float,
        findings: tuple[Finding, ...],
        phase: Hold,
        states: dict[str, tuple[Level, str]],
        held_s: float,
    ) -> tuple[Alert, ...]:
        """Alerts of this step. ``states``: further topics that are true now, with what to say."""
        now = [(f.kind, f.wheel, f.sensor) for f in findings]
        if phase is Hold.HOLDING and held_s > self._long_hold_s:
            states["long_hold"] = (
                "warning",
                f"held for more than {self._long_hold_s:g} s: chock the wheels or set a parking "
                "device, servo brakes are not made to hold for long",
            )
        if now == self._known and phase is self._phase and not states and not self._said:
            return ()  # most of the time
        out: list[Alert] = []
        for f in findings:
            if (f.kind, f.wheel, f.sensor) not in self._known:
                out.append(
                    Alert(
                        t_s=t_s, level=LEVELS[f.kind], topic=f.kind, wheel=f.wheel, message=f.reason
                    )
                )
        for kind, wheel, sensor in sorted(
            set(self._known).difference(now), key=lambda k: (k[0], k[1] or "", k[2] or "")
        ):
            message = ENDED.get(kind)
            if message:
                who = " ".join(p for p in (sensor, wheel) if p)
                message = message.format(sensor=who)
                out.append(Alert(t_s=t_s, level="info", topic=kind, wheel=wheel, message=message))
        self._known = now
        if phase is not self._phase:
            if self._phase is not None or phase is Hold.HOLDING:
                out.append(
                    Alert(t_s=t_s, level="info", topic="hold", wheel=None, message=PHASES[phase])
                )
            self._phase = phase
        for topic, (level, message) in states.items():
            if self._said.get(topic) != message:
                out.append(Alert(t_s=t_s, level=level, topic=topic, wheel=None, message=message))
        self._said = {topic: message for topic, (_, message) in states.items()}
        return tuple(out)
