"""Is the rover at rest? Wheels still, body quiet, and no start felt by the accelerometer.

Stopped wheels are not yet a stopped rover: wheels locked on a slippery slope stand still while
the rover slides. So the speed carried on by the accelerometer must have died as well, unless
the body has been as quiet as its sensors for long (a slide that has become steady looks the
same to every sensor here).

With few counts a revolution a slow start goes uncounted for a while. The accelerometer feels
it: Page's cumulative sum (E. S. Page, Biometrika 41, 1954) of the difference between specific
force and the gravity learnt at rest ends the rest before the first count comes. Before the first
rest that gravity is not known, and a rover that rolls as it is switched on feels like one that
stands on another slope: there every wheel must have had the time to count.
"""

from __future__ import annotations

import math

STILL_S = 0.12  # wheels that have not counted for so long stand; fine encoders count sooner
CREEP_MPS = 0.1
"""Wheels that turn slower than this may go uncounted for the time of a count and a half."""
LEAST_ROLL_MPS2 = 0.25
"""What rolls as it is switched on speeds up at least so fast; on fainter slopes tyres stick."""
QUIET_S = 0.5  # so long a quiet body rests, whatever speed is believed
SLOW_MPS = 0.05  # below which, and so many sd of it, a speed is as good as none
SLOW_SD = 2.5
TURN_RADPS = 0.05  # a body that turns faster does not rest
START_DRIFT = 0.5  # of the cumulative sum, in sd of a sample, and
START_LIMIT = 10.0
JOLT_SD = 6.0  # of one sample; two such in a row are a start
CONTRADICTED_S = 1.0  # quiet, still and yet not at rest for so long: the estimate is wrong


class RestWatch:
    """Decides on rest, one IMU sample after the other."""

    def __init__(self, count_m: float, accel_noise_mps2: float, gyro_noise_radps: float) -> None:
        self._later_still_s = max(STILL_S, 1.5 * count_m / CREEP_MPS)
        # s = a t^2 / 2, until a count is through.
        self._first_still_s = max(self._later_still_s, math.sqrt(2.0 * count_m / LEAST_ROLL_MPS2))
        self._still_s = self._first_still_s
        self._accel_var = accel_noise_mps2**2
        self._gyro_limit = 5.0 * gyro_noise_radps + 0.01 + TURN_RADPS
        self._sums = [0.0, 0.0]
        self._jolts = 0
        self._quiet_s = 0.0
        self._moved_s = 0.0  # since the last sign of motion
        self._calm_s = 0.0  # wheels still and body quiet, and yet not at rest
        self.at_rest = False

    @property
    def contradicted(self) -> bool:
        """Wheels still and body quiet for long, and yet no rest: what is believed is wrong."""
        return self._calm_s > CONTRADICTED_S

    def forget(self) -> None:
        """Begin to watch anew."""
        self._sums[0] = self._sums[1] = 0.0
        self._jolts = 0
        self._quiet_s = self._moved_s = self._calm_s = 0.0
        self._still_s = self._first_still_s
        self.at_rest = False

    def step(
        self,
        dt_s: float,
        still_s: float,
        speed_mps: float,
        speed_sd_mps: float,
        force_mps2: float,
        force_sd_mps2: float,
        turn_radps: float,
        turn_sd_radps: float,
        vibration_var: float,
    ) -> bool:
        """Whether the rover rests.

        ``still_s``: time since any wheel counted. ``force_mps2``: specific force along x less
        gravity, and how well that gravity is known. ``turn_radps``: largest turn rate.
        """
        self._feel_start(force_mps2, force_sd_mps2)
        calm = still_s >= self._still_s and vibration_var < 2.0 * self._accel_var
        self._calm_s = self._calm_s + dt_s if calm and not self.at_rest else 0.0
        turning = turn_radps > self._gyro_limit + (0.0 if self.at_rest else 3.0 * turn_sd_radps)
        if turning or self._jolts >= 2 or max(self._sums) > START_LIMIT:
            if max(self._sums) > START_LIMIT:  # perhaps a slow roll: leave it the time to count
                self._still_s = self._first_still_s
            self._sums[0] = self._sums[1] = 0.0
            self._moved_s = 0.0
            self._quiet_s = 0.0
            self.at_rest = False
            return False
        self._moved_s += dt_s
        still = min(still_s, self._moved_s) >= self._still_s
        self._quiet_s = self._quiet_s + dt_s if still and calm else 0.0
        slow = abs(speed_mps) < SLOW_MPS + SLOW_SD * speed_sd_mps
        self.at_rest = still and (slow or self._quiet_s > QUIET_S)
        if self.at_rest:
            self._still_s = self._later_still_s
        if not still:
            self._sums[0] = self._sums[1] = 0.0
        return self.at_rest

    def _feel_start(self, force_mps2: float, force_sd_mps2: float) -> None:
        z = force_mps2 / (self._accel_var + force_sd_mps2**2) ** 0.5
        if not self.at_rest:
            self._jolts = 0
            return
        self._sums[0] = max(0.0, self._sums[0] + z - START_DRIFT)
        self._sums[1] = max(0.0, self._sums[1] - z - START_DRIFT)
        self._jolts = self._jolts + 1 if abs(z) > JOLT_SD else 0
