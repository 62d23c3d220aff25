"""Yardsticks beside the guard: the same detection and response, fed with the truth.

Nobody (no help at all) and a rover with locked differentials need no code: ``run`` without a
helper, and ``drive: locked`` in the rover file.
"""

from __future__ import annotations

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.detect.detectors import Detectors
from slipguard.estimate import Estimate
from slipguard.fuse.intake import Intake
from slipguard.fuse.slip import slip_ratio
from slipguard.reading import Reading, quad
from slipguard.respond.respond import Responder
from slipguard.settings import GRAVITY_MPS2
from slipguard.simulate.plant import Plant
from slipguard.simulate.truth import Truth

SD_MPS = 0.001
SLIP_MPS = 0.05
REST_MPS = 0.002
REST_S = 0.1


class TrueGuard:
    """A guard whose estimate is the truth: what no estimator can better.

    Give ``watch`` to ``run``, so that it sees the plant before each step.
    """

    def __init__(self, config: Config) -> None:
        self._intake = Intake(config)
        self._detectors = Detectors(config)
        self._responder = Responder(config)
        self._truth: Truth | None = None
        self._excess = [0.0] * 4
        self._travel = [0.0] * 4
        self._distance = 0.0
        self._rest_s = 0.0

    def watch(self, plant: Plant) -> None:
        """Look at the plant."""
        self._truth = plant.truth()

    def step(self, reading: Reading) -> Decision:
        """Decide from the truth last watched; the reading gives time and command alone."""
        if self._truth is None:
            raise RuntimeError("TrueGuard: give its watch to run(), it has seen no truth yet")
        frame = self._intake.take(reading)
        estimate = self._estimate(self._truth, frame.dt_s)
        findings = self._detectors.step(frame, estimate, self._responder.brakes)
        return self._responder.step(frame, estimate, findings)

    def _estimate(self, truth: Truth, dt_s: float) -> Estimate:
        self._distance += truth.speed_mps * dt_s
        self._rest_s = self._rest_s + dt_s if abs(truth.speed_mps) < REST_MPS else 0.0
        for i in range(4):
            slip = truth.slip_mps[i]
            self._excess[i] = self._excess[i] + slip * dt_s if abs(slip) > SLIP_MPS else 0.0
            self._travel[i] += truth.rim_mps[i] * dt_s
        ratios = [slip_ratio(r, g) for r, g in zip(truth.rim_mps, truth.ground_mps, strict=True)]
        return Estimate(
            t_s=truth.t_s,
            speed_mps=truth.speed_mps,
            speed_sd_mps=SD_MPS,
            accel_mps2=truth.accel_mps2,
            distance_m=self._distance,
            yaw_rate_radps=truth.yaw_rate_radps,
            grade_rad=truth.grade_rad,
            grade_sd_rad=SD_MPS,
            wheel_speed_mps=truth.rim_mps,
            slip_mps=truth.slip_mps,
            slip_sd_mps=(SD_MPS,) * 4,
            slip_ratio=quad(ratios),
            excess_travel_m=quad(self._excess),
            excess_sd_m=(SD_MPS * 0.1,) * 4,
            wheel_travel_m=quad(self._travel),
            side_slope_rad=truth.roll_rad,
            lateral_mps2=0.0,
            vertical_mps2=GRAVITY_MPS2,
            at_rest=self._rest_s > REST_S,
            coasting=all(abs(s) > SLIP_MPS for s in truth.slip_mps),
            accel_doubted_s=0.0,
        )
