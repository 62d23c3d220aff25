"""Reading in, decision out, compiled; and whole drives of readings in one call."""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from slipguard.compiled.core import (
    BRAKES,
    FOUND,
    HELD,
    HOT,
    LIMIT,
    N_OUT,
    OUT_ROW,
    PHASE,
    PLAIN_ROW,
    REFUSED,
    THROTTLE,
    UNWATCHED,
    WORKING,
    Core,
)
from slipguard.compiled.kernel import kernel, ready
from slipguard.compiled.mirror import record_of
from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.detect.words import Wording
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.fuse.fusion import as_estimate
from slipguard.fuse.plain import N_PLAIN, plain_bytes, plain_row
from slipguard.reading import Reading
from slipguard.respond.telling import Telling

Array = NDArray[np.float64]

_ROW = struct.Struct(f"={N_OUT}d")
_WIDTHS = (1,) * 8 + (4,) * 7 + (1,) * 6 + (4,)
"""How many numbers each field of an ``Estimate`` is."""


class CompiledDrive:
    """Takes a drive, in one piece or in blocks that follow one another in flat memory.

    Compiled when built, or taken from the cache. What comes out is what
    ``Guard(config, engine="compiled")`` makes of it step by step, to the last bit. A call lets
    other threads run.
    """

    def __init__(self, config: Config) -> None:
        self._counted = config.encoders.kind == "counts"
        self._core = record_of(Core(config))
        self._run = kernel()
        ready(self._run, self._core, np.empty(0, PLAIN_ROW), np.empty(0, OUT_ROW))

    def plain(self, readings: Iterable[Reading]) -> Array:
        """The numbers of readings, (n, ``N_PLAIN``), as ``run`` takes them."""
        rows = [plain_row(r, self._counted) for r in readings]
        return np.array(rows, dtype=np.float64).reshape(-1, N_PLAIN)

    def run(self, plain: Array) -> Array:
        """Take the readings that come next. Returns what follows, (n, ``N_OUT``).

        Parameters
        ----------
        plain : (n, N_PLAIN) array
            See ``slipguard.fuse.plain``. The columns of the result: see
            ``slipguard.compiled.core``.

        Raises
        ------
        ValueError
            An array of another shape.
        """
        plain = np.ascontiguousarray(plain, dtype=np.float64)
        if plain.shape != (len(plain), N_PLAIN):
            raise ValueError(f"plain {plain.shape}; expected (n, {N_PLAIN})")
        out = np.empty((len(plain), N_OUT))
        self._run(self._core, plain.reshape(-1).view(PLAIN_ROW), out.reshape(-1).view(OUT_ROW))
        return out


class CompiledGuard:
    """As ``Guard``, with estimates equal to 1e-9. One call of compiled code a step."""

    def __init__(self, config: Config) -> None:
        self._counted = config.encoders.kind == "counts"
        self._core = record_of(Core(config))
        self._plain, self._out = np.zeros(1, PLAIN_ROW), np.zeros(1, OUT_ROW)
        # Their bytes: read and written as a whole, where numpy would take number by number.
        self._plain_bytes = self._plain.view("u1").data
        self._out_bytes = self._out.view("u1").data
        found = self._core["watch"]["found"]
        # The attributes of Found: a code, a time, a value and a threshold for each place.
        numbers = np.frombuffer(found[0].data, "u1").reshape(4, -1)
        self._codes = numbers[0].data.cast("q")
        self._found = [row.data.cast("d") for row in numbers[1:]]
        self._wording = Wording(inferred=config.encoders.one_channel)
        self._telling = Telling(config)
        self._run = kernel()
        # Compiled for these arguments now, or loaded: nothing is compiled once it drives.
        ready(self._run, self._core, self._plain[:0], self._out[:0])

    def step(self, reading: Reading) -> Decision:
        """Take one reading and decide."""
        self._plain_bytes[:] = plain_bytes(reading, self._counted)
        self._run(self._core, self._plain, self._out)
        row = _ROW.unpack(self._out_bytes)
        found: tuple[Finding, ...] = ()
        if row[FOUND]:
            found = self._wording.findings(self._codes.tolist(), *self._found)
        return self._telling.decision(
            row[0],
            estimate_of(row),
            found,
            row[THROTTLE],
            row[LIMIT],
            row[BRAKES:PHASE],
            int(row[PHASE]),
            row[HELD],
            row[REFUSED] != 0.0,
            row[HOT:WORKING],
            row[WORKING],
            row[UNWATCHED] != 0.0,
        )


def estimate_of(row: tuple[float, ...]) -> Estimate:
    """The ``Estimate`` in a row of output."""
    return as_estimate(
        (
            *row[:8],
            row[8:12],
            row[12:16],
            row[16:20],
            row[20:24],
            row[24:28],
            row[28:32],
            row[32:36],
            *row[36:39],
            row[39] != 0.0,
            row[40] != 0.0,
            row[41],
            row[42:46],
        )
    )


def by_field(out: Array) -> dict[str, Array]:
    """Columns of estimates in rows of output, by names of ``Estimate``: (n,), of wheels (n, 4)."""
    columns, at = {}, 0
    for field, width in zip(fields(Estimate), _WIDTHS, strict=True):
        part = out[:, at : at + width]
        columns[field.name] = part[:, 0] if width == 1 else part
        at += width
    return columns
