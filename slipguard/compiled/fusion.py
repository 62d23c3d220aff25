"""Frame in, estimate out, compiled."""

from __future__ import annotations

import struct
from typing import Any

from slipguard.compiled.kernel import kernel, ready
from slipguard.compiled.mirror import record_of
from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.fuse.fusion import Motion, as_estimate
from slipguard.fuse.written_out import WrittenOut
from slipguard.reading import Quad


class CompiledFusion:
    """As ``Fusion``, with estimates equal to 1e-9. Compiled when built, or taken from the cache."""

    def __init__(self, config: Config) -> None:
        self._motion = record_of(Motion(config, WrittenOut))
        frame = Frame()
        self._frame = record_of(frame)
        self._pack = _packer(self._frame.dtype)
        self._bytes = self._frame.view("u1").data
        self._step = kernel().step
        # Compile for these arguments now, on a copy: nothing is compiled once it drives.
        self._fill(frame)
        ready(self._step, self._motion.copy(), self._frame, (0.0, 0.0, 0.0, 0.0))

    def step(self, frame: Frame, brakes: Quad) -> Estimate:
        """Take one frame and say what is believed after it.

        ``brakes`` (4,): brake commands of the step before, which tell what slip there can be.
        """
        self._fill(frame)
        return as_estimate(self._step(self._motion, self._frame, brakes))

    def _fill(self, frame: Frame) -> None:
        """Write the frame into its record."""
        self._pack(
            self._bytes,
            0,
            frame.t_s,
            frame.dt_s,
            frame.gap,
            frame.clock_jump_s,
            frame.imu_new,
            frame.imu_age_s,
            *frame.accel,
            *frame.gyro,
            *frame.wheel_new,
            *frame.wheel_dt_s,
            *frame.wheel_step,
            *frame.wheel_jump,
            *frame.wheel_age_s,
            *frame.wheel_radps,
            frame.drive,
            frame.steer_rad,
            frame.motor_enabled,
            frame.command_fault,
        )


def _packer(dtype: Any) -> Any:
    """Writes all values of a record at once; numpy would take them one by one."""
    form, at = "=", 0
    for name in dtype.names:
        member, offset = dtype.fields[name][:2]
        base, shape = member.subdtype or (member, (1,))
        form += f"{offset - at}x{shape[0]}{base.char}"
        at = offset + member.itemsize
    return struct.Struct(form).pack_into
