"""Frames in, estimates out: predict with the IMU, correct with the wheels that grip.

When no wheel is believed, the accelerometer alone carries the speed, and the standard deviation
says so.
"""

from __future__ import annotations

import math
from collections import namedtuple
from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields
from typing import Any

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import IMU_LOST_S, Frame
from slipguard.frozen import quick
from slipguard.fuse.body import Body
from slipguard.fuse.engine import Engine
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.slip import slip_ratio
from slipguard.fuse.trust import Wheels
from slipguard.reading import quad
from slipguard.settings import GRAVITY_MPS2

_made: Callable[..., Estimate] = quick(Estimate)
MOST_FORCE_MPS2 = 0.99 * GRAVITY_MPS2


Values: Any = namedtuple("Values", [f.name for f in fields(Estimate)])  # type: ignore[misc]
"""The fields of an ``Estimate``, as compiled code makes them: it knows named tuples, no classes."""


class Fusion:
    """Frame in, estimate out, on filterpy."""

    def __init__(self, config: Config) -> None:
        self.motion = Motion(config, FilterpyEngine)

    def step(self, frame: Frame, brakes: Sequence[float], broken: Sequence[bool]) -> Estimate:
        """As ``Motion.step``."""
        return as_estimate(self.motion.step(frame, brakes, broken))


class Motion:
    """Owns the body's filter and the four wheels.

    It and everything below it keeps its state in numbers, booleans and lists of them whose
    length never changes, so that ``slipguard/compiled`` can run the same code compiled.
    """

    def __init__(self, config: Config, engine: type[Engine]) -> None:
        self._imu_delay_s = config.imu.delay_s
        self._accel_bias_sd = config.imu.accel_bias_sd_mps2
        self.body = Body(config, engine)
        self.wheels = Wheels(config)

    def step(self, frame: Frame, brakes: Sequence[float], broken: Sequence[bool]) -> Any:
        """Take one frame and say what is believed after it, as ``Values``.

        Of the step before: ``brakes`` (4,), brake commands, which tell what slip there can be,
        and ``broken`` (4,), encoders that were found to be, which are left out.
        """
        body, wheels = self.body, self.wheels
        wheels.leave_out(broken)
        wheels.watch_torque(frame, brakes, body)
        if frame.gap:
            body.forget_speed()
            wheels.forget(body)
        if frame.imu_new:
            body.take_imu(frame)
        wheels.miss(frame, body)
        blind = body.is_blind(frame, IMU_LOST_S)
        if body.lead(blind):
            wheels.forget_phase(body)  # where rims are was told from a lateness that is no more
        if frame.dt_s > 0.0:
            body.predict(frame, blind)
            wheels.predict(frame.dt_s, body.accel_mps2)
        if wheels.any_news(frame):
            if body.at_rest and wheels.any_counts(frame):
                wheels.forget_phase(body)
            wheels.correct(frame, body, blind)
        if body.watch_rest(frame, wheels.still_s, blind):
            wheels.forget_phase(body)
        body.bound_lateness()
        if body.is_wrong(wheels.middle_mps):
            body.forget(frame)
            wheels.forget(body)
        return self._values(frame)

    def _values(self, frame: Frame) -> Any:
        body, wheels = self.body, self.wheels
        v, v_var = body.speed_mps, body.speed_var
        coasting = not wheels.any_grip
        fl, fr = self._wheel(0, v, v_var), self._wheel(1, v, v_var)
        rl, rr = self._wheel(2, v, v_var), self._wheel(3, v, v_var)
        # The IMU's samples are from a moment ago: carry the speed on to now.
        speed = v + body.accel_mps2 * self._imu_delay_s
        speed_var = v_var + (body.scale_sd * v) ** 2 + wheels.doubt_mps**2
        force = max(-MOST_FORCE_MPS2, min(MOST_FORCE_MPS2, body.force_mps2))
        return Values(  # type: ignore[call-arg]
            frame.t_s,
            speed,
            math.sqrt(speed_var),
            body.accel_mps2,
            body.distance_m,
            body.yaw_radps,
            math.asin(force / GRAVITY_MPS2),
            math.sqrt(body.force_var + self._accel_bias_sd**2) / GRAVITY_MPS2,
            (fl[0], fr[0], rl[0], rr[0]),
            (fl[1], fr[1], rl[1], rr[1]),
            (fl[2], fr[2], rl[2], rr[2]),
            (fl[3], fr[3], rl[3], rr[3]),
            quad(wheels.excess_m),
            quad(wheels.excess_sd_m),
            (fl[4], fr[4], rl[4], rr[4]),
            body.side_slope_rad,
            body.accel_smooth[1],
            body.accel_smooth[2],
            body.at_rest,
            coasting,
            body.doubt.lasted_s,
            wheels.rim_jump_sd,
        )

    def _wheel(self, i: int, v: float, v_var: float) -> tuple[float, float, float, float, float]:
        """Of wheel i: rim speed, slip speed and its standard deviation, slip ratio, travel."""
        body, track = self.body, self.wheels.tracks[i]
        hub, _ = body.hub_speed(i, v, body.yaw_radps)
        slip_sd = math.sqrt(v_var + track.rim_var_mps2)
        wheels = self.wheels
        told = abs(wheels.excess_m[i]) > wheels.excess_sd_m[i]
        if track.gripping and not told:  # as far as its counts can tell
            return hub, 0.0, slip_sd, 0.0, track.travel_m
        # The encoders speak of a moment ago: carry the rim on with the body, but one that stands
        # is not driven the other way by a knock.
        seen = track.rim_mps + body.body_turn_mps
        rim = seen + body.accel_mps2 * body.late_s
        if rim * seen <= 0.0:
            rim = 0.0
        return rim, rim - hub, slip_sd, slip_ratio(rim, hub), track.travel_m


def as_estimate(values: Iterable[Any]) -> Estimate:
    """The ``Estimate`` with these fields."""
    return _made(*values)
