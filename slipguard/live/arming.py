"""What must be right before the motor may turn."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from slipguard.errors import ArmingError
from slipguard.live.settings import LiveSettings
from slipguard.plugin import BRAKES, THROTTLE
from slipguard.plugin.host import Host
from slipguard.reading import WHEELS, Reading

FRESH_S = 0.5
"""A sensor that delivered within this time delivers."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was looked at. ``problem`` is empty when it is in order."""

    name: str
    problem: str = ""


def fitted(host: Host, settings: LiveSettings) -> tuple[Check, ...]:
    """What can be told from the rover file and the plugins alone."""
    wanted = [b for b, wheel in zip(BRAKES, WHEELS, strict=True)
              if wheel not in settings.without_brake]  # fmt: skip
    unserved = [channel for channel in wanted if channel in host.unserved]
    brakes = ""
    if unserved:
        brakes = (
            f"no plugin serves {', '.join(unserved)}; name one under plugins:, or say which wheels "
            "have no brake: live.without_brake"
        )
    return (
        Check("brakes", brakes),
        Check("throttle", _throttle_problem(host, settings)),
        Check("sensors", _sensors_problem(host)),
    )


def _sensors_problem(host: Host) -> str:
    wanted = [("counts", "wheel_speed_radps"), ("accel_mps2",), ("gyro_radps",)]
    missing = [" or ".join(names) for names in wanted if not host.servers.keys() & set(names)]
    return f"no plugin measures {', '.join(missing)}; name one under plugins:" if missing else ""


def _throttle_problem(host: Host, settings: LiveSettings) -> str:
    if THROTTLE in host.unserved:
        return "no plugin serves throttle: this program could not stop the motor"
    plugin, device = host.servers[THROTTLE]
    if device.when_silent.does == "releases" or settings.fail_safe:
        return ""
    return (
        f"when commands stop, the hardware of {plugin.label} {device.when_silent}: after kill -9 "
        "or a dead computer the motor would run on. Fit a hardware watchdog or a receiver with "
        "fail-safe, try it, and name it in live.fail_safe"
    )


class Deliveries:
    """Which sensors deliver."""

    def __init__(self, counts: bool) -> None:
        self._wheels = "counts" if counts else "wheel_speed_radps"
        self._seen_s: dict[str, float] = {}

    def take(self, reading: Reading) -> None:
        """Note what is in a reading."""
        for wheel, value in zip(WHEELS, getattr(reading, self._wheels) or (), strict=False):
            if value is not None:
                self._seen_s[f"{self._wheels} {wheel}"] = reading.t_s
        for name in ("accel_mps2", "gyro_radps"):
            if getattr(reading, name) is not None:
                self._seen_s[name] = reading.t_s

    def missing(self, now_s: float) -> list[str]:
        """What did not deliver lately."""
        wanted = [*(f"{self._wheels} {wheel}" for wheel in WHEELS), "accel_mps2", "gyro_radps"]
        late_s = now_s - FRESH_S
        return [name for name in wanted if not self._seen_s.get(name, late_s - 1.0) >= late_s]


def running(
    host: Host, deliveries: Deliveries, now_s: float, recorder_problem: str
) -> tuple[Check, ...]:
    """What only shows when everything is open and the loop runs."""
    missing = deliveries.missing(now_s)
    return (
        Check("sensors", f"nothing comes from {', '.join(missing)}" if missing else ""),
        Check("plugins", "; ".join(sorted(set(host.failed.values())))),
        Check("recorder", recorder_problem),
    )


def refuse(checks: Iterable[Check]) -> None:
    """Raise when a check failed.

    Raises
    ------
    ArmingError
        Every check that failed, a line each.
    """
    failed = [f"{check.name}: {check.problem}" for check in checks if check.problem]
    if failed:
        raise ArmingError("not armed\n  " + "\n  ".join(failed))
