"""All that ``Guard`` does in numbers, in one class that runs compiled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from slipguard.config import Config
from slipguard.detect.detectors import Watch
from slipguard.detect.found import ENCODER, IMU, LINK, ROLLING, SLIP, Found
from slipguard.detect.wheels import SPIN
from slipguard.frame import Frame
from slipguard.fuse.cleaning import Cleaning
from slipguard.fuse.fusion import Motion
from slipguard.fuse.plain import N_PLAIN
from slipguard.fuse.written_out import WrittenOut
from slipguard.respond.response import Response
from slipguard.respond.signs import Signs

# An estimate's 46 first: 8, seven times one of each wheel, 6, and one more of each wheel.
DT, ASKED, BROKEN, MAY_LOCK, THROTTLE, LIMIT, BRAKES = 46, 47, 48, 52, 56, 57, 58
PHASE, HELD, REFUSED, HOT, WORKING, UNWATCHED, FOUND = 62, 63, 64, 65, 69, 70, 71
N_OUT = 72
"""Where in a row of output the numbers are that follow the estimate's. ``FOUND``: how many places
of ``Found`` are not empty."""
PLAIN_ROW = np.dtype([("numbers", np.float64, (N_PLAIN,))])
OUT_ROW = np.dtype([("numbers", np.float64, (N_OUT,))])
"""A row as a record. One of an array is counted each time it is handed on, for nothing."""


class Belief:
    """An ``Estimate`` that is filled anew with each step.

    The detectors and the response are handed this: a record goes on by its place, where a tuple
    would be copied, number by number, with each call.
    """

    def __init__(self) -> None:
        self.t_s = self.speed_mps = self.speed_sd_mps = self.accel_mps2 = self.distance_m = 0.0
        self.yaw_rate_radps = self.grade_rad = self.grade_sd_rad = self.side_slope_rad = 0.0
        self.lateral_mps2 = self.vertical_mps2 = self.accel_doubted_s = 0.0
        self.at_rest = self.coasting = False
        self.wheel_speed_mps, self.slip_mps = [0.0] * 4, [0.0] * 4
        self.slip_sd_mps, self.slip_ratio = [0.0] * 4, [0.0] * 4
        self.excess_travel_m, self.excess_sd_m = [0.0] * 4, [0.0] * 4
        self.wheel_travel_m, self.rim_jump_sd = [0.0] * 4, [0.0] * 4

    def take(self, e: Any) -> None:
        """Take ``Values``."""
        self.t_s, self.speed_mps, self.speed_sd_mps = e.t_s, e.speed_mps, e.speed_sd_mps
        self.accel_mps2, self.distance_m = e.accel_mps2, e.distance_m
        self.yaw_rate_radps, self.grade_rad = e.yaw_rate_radps, e.grade_rad
        self.grade_sd_rad, self.side_slope_rad = e.grade_sd_rad, e.side_slope_rad
        self.lateral_mps2, self.vertical_mps2 = e.lateral_mps2, e.vertical_mps2
        self.at_rest, self.coasting = e.at_rest, e.coasting
        self.accel_doubted_s = e.accel_doubted_s
        for i in range(4):
            self.wheel_speed_mps[i], self.slip_mps[i] = e.wheel_speed_mps[i], e.slip_mps[i]
            self.slip_sd_mps[i], self.slip_ratio[i] = e.slip_sd_mps[i], e.slip_ratio[i]
            self.excess_travel_m[i] = e.excess_travel_m[i]
            self.excess_sd_m[i] = e.excess_sd_m[i]
            self.wheel_travel_m[i], self.rim_jump_sd[i] = e.wheel_travel_m[i], e.rim_jump_sd[i]


class Core:
    """Plain numbers in, a row of output out: what a compiled guard decides."""

    def __init__(self, config: Config) -> None:
        self.cleaning = Cleaning(config)
        self.frame = Frame()
        self.motion = Motion(config, WrittenOut)
        self.belief: Any = Belief()  # an Estimate, to those it is handed to
        self.watch = Watch(config)
        self.signs = Signs()
        self.response = Response(config)

    def step(self, plain: Sequence[float], out: Any) -> None:
        """Take one reading. ``plain`` (``N_PLAIN``,); ``out`` (``N_OUT``,) is written."""
        frame, watch, response = self.frame, self.watch, self.response
        self.cleaning.take(plain, frame)
        estimate = self.belief
        estimate.take(self.motion.step(frame, response.brakes, watch.broken))
        watch.step(frame, estimate, response.brakes)
        self._read(watch.found)
        response.step(frame, estimate, self.signs)
        self._write_estimate(estimate, out)
        self._write_rest(out)

    def _read(self, found: Found) -> None:
        """The signs in what was found, as ``signs_of`` reads them from findings."""
        signs, code = self.signs, found.code
        for i in range(4):
            signs.spinning[i] = code[SLIP + i] == SPIN
            signs.broken[i] = code[ENCODER + i] != 0
        signs.rolling = code[ROLLING] != 0
        signs.link_lost = code[LINK] != 0
        signs.imu_fault = code[IMU] != 0

    def _write_estimate(self, e: Any, out: Any) -> None:
        out[0], out[1], out[2], out[3] = e.t_s, e.speed_mps, e.speed_sd_mps, e.accel_mps2
        out[4], out[5] = e.distance_m, e.yaw_rate_radps
        out[6], out[7] = e.grade_rad, e.grade_sd_rad
        for i in range(4):
            out[8 + i], out[12 + i] = e.wheel_speed_mps[i], e.slip_mps[i]
            out[16 + i], out[20 + i] = e.slip_sd_mps[i], e.slip_ratio[i]
            out[24 + i], out[28 + i] = e.excess_travel_m[i], e.excess_sd_m[i]
            out[32 + i], out[42 + i] = e.wheel_travel_m[i], e.rim_jump_sd[i]
        out[36], out[37], out[38] = e.side_slope_rad, e.lateral_mps2, e.vertical_mps2
        out[39], out[40], out[41] = e.at_rest, e.coasting, e.accel_doubted_s

    def _write_rest(self, out: Any) -> None:
        watch, response = self.watch, self.response
        out[DT] = self.frame.dt_s
        out[ASKED] = watch.motion_asked
        out[THROTTLE], out[LIMIT] = response.throttle, response.limit
        out[PHASE], out[HELD] = response.hold.phase, response.hold.held_s
        out[REFUSED], out[WORKING] = response.refused, response.working
        out[UNWATCHED] = response.unwatched
        for i in range(4):
            out[BROKEN + i], out[MAY_LOCK + i] = watch.broken[i], watch.may_lock[i]
            out[BRAKES + i], out[HOT + i] = response.brakes[i], response.traction.hot[i]
        found = 0
        for code in watch.found.code:
            if code:
                found += 1
        out[FOUND] = found
