"""Frame in, estimate out, compiled."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import njit

from slipguard import fuse, reading
from slipguard.compiled.mirror import compile_functions, part, record_of
from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.fuse import geometry, model, slip
from slipguard.fuse.fusion import Motion, as_estimate
from slipguard.fuse.written_out import WrittenOut
from slipguard.reading import Quad

_kernel: Callable[..., Any] | None = None


class CompiledFusion:
    """As ``Fusion``, with estimates equal to 1e-9. Compiled when built, or taken from the cache."""

    def __init__(self, config: Config) -> None:
        self._motion = record_of(Motion(config, WrittenOut))
        frame = Frame()
        self._frame = record_of(frame)
        self._pack = _packer(self._frame.dtype)
        self._bytes = self._frame.view("u1").data
        self._step = _compiled()
        # Compile for these arguments now, on a copy: nothing is compiled once it drives.
        self._fill(frame)
        self._step(self._motion.copy(), self._frame, (0.0, 0.0, 0.0, 0.0))

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


def _compiled() -> Callable[..., Any]:
    """The compiled step, made once in a process."""
    global _kernel
    if _kernel is None:
        for module in (geometry, model, slip, reading):
            compile_functions(module)
        _kernel = _build(_fingerprint())
    return _kernel


def _fingerprint() -> int:
    """A number that changes with the code that is compiled.

    numba looks at the file of the compiled function alone to see whether what it has in its cache
    is still true; what it calls is in other files.
    """
    digest = hashlib.sha256()
    for folder in (Path(fuse.__path__[0]), Path(__file__).parent):
        for path in sorted(folder.glob("*.py")):
            digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:7])


def _build(fingerprint: int) -> Callable[..., Any]:
    @njit(cache=True)
    def step(motion, frame, brakes):  # type: ignore[no-untyped-def]
        _ = fingerprint  # a part of what the cache is asked for
        return part(motion[0]).step(part(frame[0]), brakes)

    return step  # type: ignore[no-any-return]
