"""All that ``Guard`` does in numbers, in one class that runs compiled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from slipguard.config import Config
from slipguard.detect.detectors import Watch
from slipguard.detect.found import ENCODER, IMU, LINK, ROLLING, SLIP, Found
from slipguard.detect.wheels import SPIN
from slipguard.frame import Frame
from slipguard.fuse.cleaning import Cleaning
from slipguard.fuse.fusion import Motion
from slipguard.fuse.written_out import WrittenOut
from slipguard.respond.response import Response
from slipguard.respond.signs import Signs

# An estimate's 46 first: 8, seven times one of each wheel, 6, and one more of each wheel.
DT, ASKED, BROKEN, MAY_LOCK, THROTTLE, LIMIT, BRAKES = 46, 47, 48, 52, 56, 57, 58
PHASE, HELD, REFUSED, HOT, WORKING, UNWATCHED, FOUND = 62, 63, 64, 65, 69, 70, 71
N_OUT = 72
"""Where in a row of output the numbers are that follow the estimate's. ``FOUND``: how many places
of ``Found`` are not empty."""


class Core:
    """Plain numbers in, a row of output out: what a compiled guard decides."""

    def __init__(self, config: Config) -> None:
        self.cleaning = Cleaning(config)
        self.frame = Frame()
        self.motion = Motion(config, WrittenOut)
        self.watch = Watch(config)
        self.signs = Signs()
        self.response = Response(config)

    def step(self, plain: Sequence[float], out: Any) -> None:
        """Take one reading. ``plain`` (``N_PLAIN``,); ``out`` (``N_OUT``,) is written."""
        frame, watch, response = self.frame, self.watch, self.response
        self.cleaning.take(plain, frame)
        estimate = self.motion.step(frame, response.brakes, watch.broken)
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
        out[0], out[1], out[2], out[3] = e[0], e[1], e[2], e[3]
        out[4], out[5], out[6], out[7] = e[4], e[5], e[6], e[7]
        for i in range(4):
            out[8 + i], out[12 + i], out[16 + i] = e[8][i], e[9][i], e[10][i]
            out[20 + i], out[24 + i], out[28 + i] = e[11][i], e[12][i], e[13][i]
            out[32 + i], out[42 + i] = e[14][i], e[21][i]
        out[36], out[37], out[38] = e[15], e[16], e[17]
        out[39], out[40], out[41] = e[18], e[19], e[20]

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
