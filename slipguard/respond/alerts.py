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


class Alerts:
    """Compares this step with the one before."""

    def __init__(self, config: Config) -> None:
        self._long_hold_s = config.hold.long_hold_s
        self._known: Sequence[tuple[str, str | None, str | None]] = []
        self._phase: Hold | None = None
        self._said: set[str] = set()

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
        if now == self._known and phase is self._phase and states.keys() == self._said:
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
            if kind in ("sensor_fault", "link_lost"):
                what = " ".join(p for p in (sensor or kind.replace("_", " "), wheel) if p)
                out.append(
                    Alert(t_s=t_s, level="info", topic=kind, wheel=wheel, message=f"{what}: over")
                )
        self._known = now
        if phase is not self._phase:
            if self._phase is not None or phase is Hold.HOLDING:
                out.append(
                    Alert(t_s=t_s, level="info", topic="hold", wheel=None, message=PHASES[phase])
                )
            self._phase = phase
        self._said.intersection_update(states)
        for topic, (level, message) in states.items():
            if topic not in self._said:
                self._said.add(topic)
                out.append(Alert(t_s=t_s, level=level, topic=topic, wheel=None, message=message))
        return tuple(out)
