"""A whole drive fused in one call: the intake's rules and the fusion, compiled."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from slipguard.compiled.kernel import N_VALUES, kernel, ready
from slipguard.compiled.mirror import record_of
from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.fuse.cleaning import N_PLAIN, Cleaning
from slipguard.fuse.fusion import Motion
from slipguard.fuse.intake import plain_row
from slipguard.fuse.written_out import WrittenOut
from slipguard.reading import Reading

Array = NDArray[np.float64]

_WIDTHS = (1,) * 8 + (4,) * 7 + (1,) * 6


class DriveFusion:
    """Fuses a drive, in one piece or in blocks that follow one another in flat memory.

    What comes out is what ``Guard(config, engine="compiled")`` estimates step by step, to the
    last bit, given the same brakes. A call lets other threads run.
    """

    def __init__(self, config: Config) -> None:
        self._counted = config.encoders.kind == "counts"
        self._cleaning = record_of(Cleaning(config))
        self._frame = record_of(Frame())
        self._motion = record_of(Motion(config, WrittenOut))
        self._drive = kernel().drive
        nothing = (np.empty((0, N_PLAIN)), np.empty((0, 4)), np.empty((0, N_VALUES)))
        ready(self._drive, self._cleaning, self._frame, self._motion, *nothing)

    def plain(self, readings: Iterable[Reading]) -> Array:
        """The numbers of readings, (n, ``N_PLAIN``), as ``fuse`` takes them."""
        rows = [plain_row(r, self._counted) for r in readings]
        return np.array(rows, dtype=np.float64).reshape(-1, N_PLAIN)

    def fuse(self, plain: Array, brakes: Array | None = None) -> Array:
        """Take the readings that come next. Returns the estimates, (n, ``N_VALUES``).

        Parameters
        ----------
        plain : (n, N_PLAIN) array
            See ``slipguard.fuse.cleaning``.
        brakes : (n, 4) array, optional
            Brake commands of the step before each reading, 0..1; default: none were pressed.

        Raises
        ------
        ValueError
            Arrays of another shape.
        """
        plain = np.ascontiguousarray(plain, dtype=np.float64)
        n = len(plain)
        brakes = np.zeros((n, 4)) if brakes is None else np.ascontiguousarray(brakes, np.float64)
        if plain.shape != (n, N_PLAIN) or brakes.shape != (n, 4):
            raise ValueError(
                f"plain {plain.shape} and brakes {brakes.shape}; expected (n, {N_PLAIN}), (n, 4)"
            )
        out = np.empty((n, N_VALUES))
        self._drive(self._cleaning, self._frame, self._motion, plain, brakes, out)
        return out


def by_field(estimates: Array) -> dict[str, Array]:
    """Columns of fused estimates under the names of ``Estimate``: (n,), of wheels (n, 4)."""
    columns, at = {}, 0
    for field, width in zip(fields(Estimate), _WIDTHS, strict=True):
        part = estimates[:, at : at + width]
        columns[field.name] = part[:, 0] if width == 1 else part
        at += width
    return columns
