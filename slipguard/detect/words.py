"""Found numbers -> findings in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from slipguard.detect.faults import (
    CONTRADICTED,
    COUNTS_JUMP,
    COUNTS_TOO_MUCH,
    JITTER,
    NO_ACCEL_SAMPLE,
    NO_COUNT,
    NO_DATA,
    NO_GYRO_SAMPLE,
    NO_SAMPLE,
    UPSIDE_DOWN,
    WRONG_GRAVITY,
)
from slipguard.detect.found import (
    CLOCK,
    COMMAND,
    ENCODER,
    IMU,
    LINK,
    OVERSPEED,
    ROLLING,
    SLIDING,
    SLIP,
    TIP_OVER,
)
from slipguard.detect.motion import AGAINST, FORWARD, ROLLS
from slipguard.detect.wheels import LOCK, SPIN
from slipguard.finding import Finding, Kind
from slipguard.frame import (
    ACCEL_SATURATED,
    AHEAD,
    BACKWARD,
    FROZEN,
    GYRO_SATURATED,
    NO_ACCEL,
    NO_GYRO,
    NO_TIME,
    STANDS,
)
from slipguard.frozen import quick
from slipguard.reading import WHEELS

Words = tuple[Kind, str | None, str, str, str | None]
"""Kind, wheel, unit, detail, sensor."""
_made: Callable[..., Finding] = quick(Finding)


class Wording:
    """The words for each place and code. ``inferred``: the direction of motion is."""

    def __init__(self, inferred: bool) -> None:
        self._words = _words(", direction inferred from grade and command" if inferred else "")

    def findings(
        self,
        codes: Sequence[int],
        since_s: Sequence[float],
        values: Sequence[float],
        thresholds: Sequence[float],
    ) -> tuple[Finding, ...]:
        """The findings with these numbers, which are those of ``Found``."""
        if not any(codes):
            return ()  # most of the time
        found = []
        for place, code in enumerate(codes):
            if code:
                kind, wheel, unit, detail, sensor = self._words[place, code]
                since, value, threshold = since_s[place], values[place], thresholds[place]
                found.append(_made(kind, wheel, since, value, threshold, unit, detail, sensor))
        return tuple(found)


def _words(inferred: str) -> dict[tuple[int, int], Words]:
    words: dict[tuple[int, int], Words] = {}
    for i, wheel in enumerate(WHEELS):
        faster, slower = "rim runs faster than the ground", "rim runs slower than the ground"
        words[SLIP + i, SPIN] = ("wheel_spin", wheel, "m/s", faster, None)
        words[SLIP + i, LOCK] = ("wheel_lock", wheel, "m/s", slower, None)
        for code, unit, what in (
            (COUNTS_JUMP, "", "counts jump"),
            (NO_DATA, "s", "no wheel data"),
            (NO_COUNT, "m", "no count while the rover moves"),
            (COUNTS_TOO_MUCH, "%", "counts more than the others"),
            (JITTER, "sigma", "counts back and forth as no wheel turns"),
        ):
            detail = f"encoder {wheel}: {what}"
            words[ENCODER + i, code] = ("sensor_fault", wheel, unit, detail, "encoder")
    for way, forward in (("forward", FORWARD), ("backward", 0)):
        for how, against in (("against the command", AGAINST), ("without a command", 0)):
            detail = f"moves {way} {how}{inferred}"
            words[ROLLING, ROLLS + forward + against] = ("rolling", None, "mm", detail, None)
    words[SLIDING, 1] = ("sliding", None, "m/s", "moves on stopped wheels", None)
    for place, sensor, code, unit, what in (
        (CLOCK, "clock", NO_TIME, "", "time is no number"),
        (CLOCK, "clock", BACKWARD, "s", "time goes back"),
        (CLOCK, "clock", AHEAD, "s", "time jumps ahead"),
        (CLOCK, "clock", STANDS, "", "time stands still"),
        (IMU, "imu", NO_ACCEL, "", "accelerometer gives no number"),
        (IMU, "imu", ACCEL_SATURATED, "", "accelerometer is saturated"),
        (IMU, "imu", NO_GYRO, "", "gyro gives no number"),
        (IMU, "imu", GYRO_SATURATED, "", "gyro is saturated"),
        (IMU, "imu", FROZEN, "", "IMU is frozen"),
        (IMU, "imu", NO_SAMPLE, "s", "no IMU sample"),
        (IMU, "imu", NO_ACCEL_SAMPLE, "s", "no sample of the accelerometer"),
        (IMU, "imu", NO_GYRO_SAMPLE, "s", "no sample of the gyro"),
        (IMU, "imu", WRONG_GRAVITY, "m/s2", "the accelerometer at rest is far from 9.8 m/s2: "
         "is it in g, or broken?"),
        (IMU, "imu", UPSIDE_DOWN, "m/s2", "at rest it hangs upside down: is imu.rotation_deg "
         "wrong, or the rover on its roof?"),
        (IMU, "imu", CONTRADICTED, "s", "the accelerometer contradicts all wheels, which carry the "
         "speed alone"),
        (COMMAND, "command", 1, "", "a command value is no number, or out of range"),
    ):  # fmt: skip
        words[place, code] = ("sensor_fault", None, unit, f"{sensor}: {what}", sensor)
    words[LINK, 1] = ("link_lost", None, "s", "no fresh command", None)
    words[OVERSPEED, 1] = ("overspeed", None, "m/s", "above the speed cap", None)
    words[TIP_OVER, 1] = ("tip_over_risk", None, "%", "near the tipping limit", None)
    return words
