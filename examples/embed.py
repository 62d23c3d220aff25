"""The guard in a control loop. Runs without hardware: a made-up rover stands in for yours.

    python examples/embed.py

It prints a line whenever the guard changes its mind. To drive a real rover, replace ``Rover`` by
something with the same four members that reads your sensors and moves your servos, and take
``t_s`` from ``time.monotonic()``. Wheels off the ground first, kill switch in hand.
"""

from __future__ import annotations

import math
import random
import signal
import sys
from collections.abc import Iterator

from slipguard import Config, Decision, Guard, Reading

ROVER = """
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075,
        max_steer_deg: 25, steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
"""


class Rover:
    """Made up: pulls away on the level, its left front wheel spins for a second, it stops.

    It does not feel the brakes, so the guard can be seen working but not succeeding.
    """

    RATE_HZ = 200

    def __init__(self) -> None:
        self.motor = 0.0
        self.brakes: tuple[float, ...] = (0.0,) * 4
        self._noise = random.Random(1)

    def readings(self) -> Iterator[Reading]:
        """Seven seconds of IMU samples, wheel counts in every second one."""
        dt_s = 1 / self.RATE_HZ
        speed_mps, travel_m = 0.0, [0.0] * 4
        for tick in range(7 * self.RATE_HZ):
            t_s = tick * dt_s
            throttle = 0.4 if 1.0 <= t_s < 4.5 else 0.0
            accel_mps2 = 0.6 if 1.0 <= t_s < 2.5 else -0.6 if 4.5 <= t_s < 6.0 else 0.0
            speed_mps += accel_mps2 * dt_s
            spin_mps = 1.2 if 3.0 <= t_s < 4.0 else 0.0
            for wheel in range(4):
                travel_m[wheel] += (speed_mps + (spin_mps if wheel == 0 else 0.0)) * dt_s
            yield Reading(
                t_s=t_s,
                counts=[self._counts(m) for m in travel_m] if tick % 2 == 0 else None,
                accel_mps2=[f + self._noise.gauss(0, 0.08) for f in (accel_mps2, 0.0, 9.81)],
                gyro_radps=[self._noise.gauss(0, 0.004) for _ in range(3)],
                throttle=throttle,
                steer=0.0,
                motor_enabled=True,
                command_age_s=0.02,
            )

    def set_motor(self, throttle: float) -> None:
        """Yours puts this on the speed controller, -1..1."""
        self.motor = throttle

    def set_brakes(self, brakes: tuple[float, ...]) -> None:
        """Yours puts this on the four brake servos: fl, fr, rl, rr, each 0 (free) to 1 (full)."""
        self.brakes = brakes

    def tell_driver(self, message: str) -> None:
        """Yours shows this on the driver's screen."""
        print(f"           driver is told: {message}")

    @staticmethod
    def _counts(travel_m: float) -> int:
        return math.floor(travel_m / (2 * math.pi * 0.075) * 96 + 0.5)


def drive(rover: Rover, guard: Guard) -> None:
    """The control loop."""
    before = ""
    try:
        for reading in rover.readings():
            decision = guard.step(reading)
            rover.set_motor(decision.throttle)  # not what the driver asked for
            rover.set_brakes(decision.brakes)
            for alert in decision.alerts:
                rover.tell_driver(f"{alert.level}: {alert.message}")
            now = in_words(decision)
            if now != before:
                print(f"{decision.t_s:6.3f} s   {now}")
                before = now
    finally:  # whatever happened: leave the rover as you decided it may be left
        rover.set_motor(0.0)
        rover.set_brakes((1.0, 1.0, 1.0, 1.0))


def in_words(decision: Decision) -> str:
    """What changes seldom enough to print."""
    found = ", ".join(f"{f.kind} {f.wheel or ''}".strip() for f in decision.findings) or "nothing"
    braked = " ".join(
        wheel
        for wheel, brake in zip(("fl", "fr", "rl", "rr"), decision.brakes, strict=True)
        if brake > 0.0
    )
    return f"found: {found:<14} brakes: {braked or 'none':<12} hold: {decision.hold}"


if __name__ == "__main__":
    # Without this `kill`, and a service that is stopped, would skip what stands below finally.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    drive(Rover(), Guard(Config.parse(ROVER, source="embed.py")))
