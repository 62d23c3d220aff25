"""Frames in, estimates out: predict with the IMU, correct with the wheels that grip.

When no wheel is believed, the accelerometer alone carries the speed, and the standard deviation
says so.
"""

from __future__ import annotations

import math

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.fuse.body import Body
from slipguard.fuse.slip import slip_ratio
from slipguard.fuse.trust import Wheels
from slipguard.reading import Quad, quad
from slipguard.settings import GRAVITY_MPS2

IMU_LOST_S = 0.1
MOST_FORCE_MPS2 = 0.99 * GRAVITY_MPS2


class Fusion:
    """Owns the body's filter and the four wheels."""

    def __init__(self, config: Config) -> None:
        self._config = config
        self.body = Body(config)
        self.wheels = Wheels(config)

    def step(self, frame: Frame, brakes: Quad) -> Estimate:
        """Take one frame and say what is believed after it.

        ``brakes`` (4,): brake commands of the step before, which tell what slip there can be.
        """
        body, wheels = self.body, self.wheels
        wheels.watch_torque(frame, brakes, backward=body.speed_mps < 0.0)
        if frame.gap:
            body.forget_speed()
            wheels.forget(body)
        if frame.imu_new:
            body.take_imu(frame)
        blind = body.is_blind(frame, IMU_LOST_S)
        if frame.dt_s > 0.0:
            body.predict(frame, blind)
            wheels.predict(frame.dt_s, body.accel_mps2)
        if any(frame.wheel_new):
            counted = zip(frame.wheel_new, frame.wheel_step, strict=True)
            if body.at_rest and any(new and step for new, step in counted):
                wheels.forget_phase(body)
            wheels.correct(frame, body, blind)
        if body.watch_rest(frame, wheels.still_s, blind):
            wheels.forget_phase(body)
        if body.is_wrong:
            body.forget(frame)
            wheels.forget(body)
        return self._estimate(frame)

    def _estimate(self, frame: Frame) -> Estimate:
        body, wheels = self.body, self.wheels
        v = body.speed_mps
        missed = body.body_turn_mps
        rim, slip, ratio = [0.0] * 4, [0.0] * 4, [0.0] * 4
        for i, track in enumerate(wheels.tracks):
            hub, _ = body.hub_speed(i, v, body.yaw_radps)
            if wheels.grips(i):
                rim[i] = hub
            else:
                # The encoders speak of a moment ago: carry the rim on with the body.
                rim[i] = track.rim_mps + missed + body.accel_mps2 * body.late_s
                slip[i] = rim[i] - hub
                ratio[i] = slip_ratio(rim[i], hub)
        # The IMU's samples are from a moment ago: carry the speed on to now.
        speed = v + body.accel_mps2 * self._config.imu.delay_s
        speed_var = body.speed_var + (body.scale_sd * v) ** 2 + wheels.doubt_mps**2
        bias_sd = self._config.imu.accel_bias_sd_mps2
        force = max(-MOST_FORCE_MPS2, min(MOST_FORCE_MPS2, body.force_mps2))
        return Estimate(
            t_s=frame.t_s,
            speed_mps=speed,
            speed_sd_mps=math.sqrt(speed_var),
            accel_mps2=body.accel_mps2,
            distance_m=body.distance_m,
            yaw_rate_radps=body.yaw_radps,
            grade_rad=math.asin(force / GRAVITY_MPS2),
            grade_sd_rad=math.sqrt(body.force_var + bias_sd**2) / GRAVITY_MPS2,
            wheel_speed_mps=quad(rim),
            slip_mps=quad(slip),
            slip_sd_mps=quad(
                [math.hypot(math.sqrt(body.speed_var), w.rim_sd_mps) for w in wheels.tracks]
            ),
            slip_ratio=quad(ratio),
            excess_travel_m=quad(wheels.excess_m),
            excess_sd_m=quad(wheels.excess_sd_m),
            wheel_travel_m=quad([w.travel_m for w in wheels.tracks]),
            side_slope_rad=body.side_slope_rad,
            lateral_mps2=body.accel_smooth[1],
            vertical_mps2=body.accel_smooth[2],
            at_rest=body.at_rest,
            coasting=not wheels.any_grip,
            accel_doubted_s=body.doubt.lasted_s,
        )
