"""Wheels and estimate part: which of the two moved?

When all wheels leave the estimate together, either they all slip or the accelerometer is wrong.
Two things tell them apart. A rim that begins to slip changes its speed; where the rims ran on as
they were and the estimate left them, it was the accelerometer. And slipping tyres push the body
the way they slip, which it feels (Newton's second law along x; a slope carried by the tyres is
felt the same way).
"""

from __future__ import annotations

EVERY_S = 0.1  # between snapshots, and
SNAPSHOTS = 5  # of them: long enough for counts, short enough for a slip's start
PARTED_MPS = 0.08  # by which rims and estimate must have parted to be judged
RIM_SHARE = 0.5  # of the parting: less of it done by the rims, and it was the estimate
JUMP_MPS = 1.0  # between the rims' speeds in these intervals: motors do that, ground does not
LEAST_PUSH_MPS2 = 0.4  # all tyres slipping on ice, friction coefficient 0.1, push with 1 m/s2

DOUBT_S = 0.2
"""The accelerometer is tried again after so long a doubt."""
MISMATCH_MPS2 = 0.7
GIVE_IN_S = 1.0
STEADY_MPS2 = 1.0
MOST_FORCE_MPS2 = 6.0
"""What stays wrong for so long, by the same amount, is gravity or bias, if no more than this is
then to be explained by them: a slope of 38 degrees."""


class Parting:
    """Keeps the speed of body and rims over the last 0.4 s."""

    def __init__(self) -> None:
        self._taken = 0  # snapshots so far, at most SNAPSHOTS; the oldest comes first
        self._times_s = [0.0] * SNAPSHOTS
        self._speeds_mps = [0.0] * SNAPSHOTS
        self._travels_m = [0.0] * SNAPSHOTS
        self._clock_s = 0.0

    def note(self, dt_s: float, speed_mps: float, travel_m: float) -> None:
        """``travel_m``: mean of the four rims, as counted."""
        self._clock_s += dt_s
        taken = self._taken
        if taken > 0 and self._clock_s - self._times_s[taken - 1] < EVERY_S:
            return
        if taken == SNAPSHOTS:
            for k in range(SNAPSHOTS - 1):
                self._times_s[k] = self._times_s[k + 1]
                self._speeds_mps[k] = self._speeds_mps[k + 1]
                self._travels_m[k] = self._travels_m[k + 1]
        else:
            taken += 1
            self._taken = taken
        self._times_s[taken - 1] = self._clock_s
        self._speeds_mps[taken - 1] = speed_mps
        self._travels_m[taken - 1] = travel_m

    def estimate_left(
        self, way: float, speed_mps: float, travel_m: float, force_mps2: float
    ) -> bool:
        """Whether it was the estimate that left the wheels.

        ``way``: 1.0 if the rims seem to run forward of the ground, else -1.0. ``force_mps2``:
        specific force along x.
        """
        if self._taken < SNAPSHOTS or force_mps2 * way > LEAST_PUSH_MPS2:
            return False
        rims = self._rim_speeds(travel_m)
        moved = (speed_mps - self._speeds_mps[0]) * way
        parted = (rims[-1] - rims[0]) * way - moved
        return parted > PARTED_MPS and max(rims) - min(rims) < RIM_SHARE * parted

    def rims_jump(self, travel_m: float) -> bool:
        """Whether the rims change their speed so fast that slip is likelier than a fault."""
        if self._taken < SNAPSHOTS:
            return False
        rims = self._rim_speeds(travel_m)
        return max(rims) - min(rims) > JUMP_MPS

    def _rim_speeds(self, travel_m: float) -> list[float]:
        """Mean speed of the rims in each interval, the last up to now."""
        times, ways = self._times_s, self._travels_m
        rims = [0.0] * (SNAPSHOTS - 1)
        for k in range(SNAPSHOTS - 2):
            rims[k] = (ways[k + 1] - ways[k]) / (times[k + 1] - times[k])
        # The interval that has just begun is too short for a speed: with the one before it.
        rims[-1] = (travel_m - ways[-2]) / (self._clock_s - times[-2])
        return rims


class AccelerometerDoubt:
    """Whether the accelerometer is left out, and when to try it again."""

    def __init__(self) -> None:
        self.active = False
        self.lasted_s = 0.0
        self._window_s = 0.0
        self._felt_mps = 0.0
        self._start_mps = 0.0
        self._mismatch_mps2 = 0.0

    def begin(self, speed_mps: float) -> None:
        """Doubt from now on."""
        if not self.active:
            self.active = True
            self._open(speed_mps)

    def end(self) -> None:
        """Believe it again."""
        self.active = False
        self.lasted_s = 0.0

    def _open(self, speed_mps: float) -> None:
        self._window_s = self._felt_mps = 0.0
        self._start_mps = speed_mps

    def step(
        self, dt_s: float, felt_mps2: float, speed_mps: float, force_mps2: float
    ) -> float | None:
        """Compare what is felt with what the speed did.

        Returns by how much ``force_mps2``, gravity along x and bias as believed, is wrong when
        the doubt ends, else None.
        """
        self.lasted_s += dt_s
        self._window_s += dt_s
        self._felt_mps += felt_mps2 * dt_s
        if self._window_s < DOUBT_S:
            return None
        mismatch = (self._felt_mps - (speed_mps - self._start_mps)) / self._window_s
        steady = abs(mismatch - self._mismatch_mps2) < STEADY_MPS2
        self._mismatch_mps2 = mismatch
        self._open(speed_mps)
        if abs(mismatch) < MISMATCH_MPS2:
            self.end()
            return 0.0
        explained = abs(force_mps2 + mismatch) < MOST_FORCE_MPS2
        if self.lasted_s > GIVE_IN_S and steady and explained:
            self.end()
            return mismatch
        return None
