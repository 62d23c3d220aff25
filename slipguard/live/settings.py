"""The section ``live`` of a rover file: how ``slipguard run`` drives the rover."""

from __future__ import annotations

from dataclasses import dataclass

from slipguard.config import Config
from slipguard.engines import COMPILED_NEEDS, can_compile
from slipguard.guard import Engine
from slipguard.reading import WHEELS
from slipguard.section import Section
from slipguard.settings import setting

FAULTS = ("imu", "encoder", "clock")


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveSettings:
    """Settings of the live loop."""

    rate_hz: float | None = setting(
        None, unit="Hz", low=10, high=1000, doc="rounds a second; none: imu.rate_hz"
    )
    engine: Engine = setting(
        "filterpy",
        choices=("filterpy", "compiled"),
        doc="compiled: the same decisions in less time, for a small computer; needs numba",
    )
    command: str = setting(
        "udp:127.0.0.1:18700",
        doc="where the operator's commands arrive: udp:ADDRESS:PORT or unix:PATH",
    )
    key_file: str | None = setting(
        None, doc="file with the key that signs commands; a must for other than loopback addresses"
    )
    fail_safe: str | None = setting(
        None,
        doc="the hardware watchdog or fail-safe fitted, in words, where the throttle's own "
        "hardware holds its last pulse",
    )
    without_brake: tuple[str, ...] = setting(
        (), choices=WHEELS, doc="wheels that have no brake, on purpose"
    )
    stop_on_faults: tuple[str, ...] = setting(
        FAULTS, choices=FAULTS, doc="sensors whose fault, when it begins, stops the rover once"
    )
    stall_s: float = setting(
        0.25, unit="s", low=0.02, high=5, doc="a loop that pauses for so long stops the rover"
    )
    arm_within_s: float = setting(
        3.0, unit="s", above=0, high=60, doc="how long sensors and plugins have to come up"
    )
    stop_within_s: float = setting(
        8.0, unit="s", low=0, high=60, doc="longest gentle stop when the program is asked to end"
    )
    record: str | None = setting(
        None, doc="folder in which every run is recorded; none: not recorded"
    )
    record_file_mb: float = setting(
        64.0, unit="MB", low=0.1, doc="size at which a recording goes on in a new file"
    )
    record_file_minutes: float = setting(
        30.0, unit="min", low=0.1, doc="time after which a recording goes on in a new file"
    )
    heartbeat_file: str | None = setting(
        None, doc="file touched while the loop is alive; in a file system in memory"
    )

    def __post_init__(self) -> None:
        if self.engine == "compiled" and not can_compile():
            raise ValueError(f"engine: found 'compiled', which {COMPILED_NEEDS}")
        if self.fail_safe is not None and len(self.fail_safe.strip()) < 5:
            raise ValueError(
                f"fail_safe: found {self.fail_safe!r}, expected what is fitted, e.g. receiver "
                "with fail-safe, cuts the motor after 0.5 s"
            )

    @classmethod
    def of(cls, config: Config) -> LiveSettings:
        """The section of a rover file; without one, the defaults.

        Raises
        ------
        ConfigError
            File, line and key.
        """
        live = config.live
        section = live if isinstance(live, Section) else Section(live, path="live")
        return section.read(cls)
