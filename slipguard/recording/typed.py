"""Rows of a long CSV drive in blocks, their numbers read by pyarrow: the same rows in less time.

What it does not read exactly as ``Recording`` does it leaves to it, and everything after that: so
values, and what is said of a mistake, are the same.
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
from pyarrow import csv

from slipguard.reading import Reading
from slipguard.recording import columns as col

BLOCK = 1 << 20
"""Bytes read in one go: memory stays flat."""
ODD = (b'"', b"\r", b"\n\n", b"0x", b"0X")
"""Quotes may hold commas and line ends; blank lines are left out; pyarrow knows 0x10."""
Values = tuple[int, Reading, str | None, bytes]
"""Line, reading, marker and the whole line."""


class NotTypedError(Exception):
    """From here on cells have to be looked at one by one."""


def typed_rows(
    path: Path, file: BinaryIO, names: Sequence[str], bools: dict[str, Any]
) -> Iterator[Values]:
    """What is in the rows of an open CSV file, its header left out.

    ``bools``: what the texts of ``motor_enabled`` mean.

    Raises
    ------
    NotTypedError
        The rows from here on cannot be read that way, or are damaged.
    """
    stream: Any = gzip.GzipFile(fileobj=file) if path.suffix.lower() == ".gz" else file
    table = _Table(names, bools)
    try:
        rest, line = stream.readline() and b"", 2
        while data := stream.read(BLOCK):
            whole, end, rest = (rest + data).rpartition(b"\n")
            if end:
                lines = whole.split(b"\n")
                yield from table.rows(whole + end, lines, line)
                line += len(lines)
    except (pa.ArrowException, OSError, EOFError, ValueError, KeyError) as err:
        raise NotTypedError from err
    if rest:
        raise NotTypedError


class _Table:
    """Columns to readings."""

    def __init__(self, names: Sequence[str], bools: dict[str, Any]) -> None:
        self._bools = bools
        self._names = set(names)
        kinds = {name: pa.float64() for name in col.KNOWN}
        kinds.update(dict.fromkeys(col.COUNTS, pa.int64()))
        kinds.update({col.MOTOR_ENABLED: pa.string(), col.MARKER: pa.string()})
        known = [name for name in names if name in col.KNOWN]
        self._read = csv.ReadOptions(column_names=list(names), use_threads=False)
        self._parse = csv.ParseOptions(quote_char=False)
        self._convert = csv.ConvertOptions(
            column_types={name: kinds[name] for name in known},
            include_columns=known,
            null_values=[""],
            strings_can_be_null=True,
        )

    def rows(self, block: bytes, lines: list[bytes], first: int) -> Iterator[Values]:
        """What is in a block of whole lines, the first of them with that number."""
        if any(odd in block for odd in ODD) or block.startswith(b"\n"):
            raise NotTypedError
        if not block.isascii():
            block.decode()  # pyarrow leaves bytes aside that are in no column it reads
        self._read.block_size = len(block) + 1  # one kind for each column
        table = csv.read_csv(pa.BufferReader(block), self._read, self._parse, self._convert)
        n = len(lines)
        if table.num_rows != n or table.column(col.TIME).null_count:
            raise NotTypedError
        columns = {name: table.column(name).to_pylist() for name in table.column_names}
        nothing = [None] * n
        speeds = [name for name in col.WHEEL_SPEEDS if name in self._names]
        if speeds == list(col.WHEEL_SPEEDS[:2]):  # skid steering: one speed a side
            columns.update(zip(col.WHEEL_SPEEDS[2:], [columns[s] for s in speeds], strict=True))
        vectors = {
            field: _together([columns.get(name, nothing) for name in group])
            for field, group in col.VECTORS.items()
        }
        texts = columns.get(col.MOTOR_ENABLED, nothing)
        enabled = [self._bools[text or ""] for text in texts]
        numbers = [columns.get(name, nothing) for name in col.NUMBERS]
        readings = map(
            _reading, columns[col.TIME], enabled, *(vectors[f] for f in col.VECTORS), *numbers
        )
        notes = columns.get(col.MARKER, nothing)
        markers = [note and (note.strip() or None) for note in notes]
        return zip(range(first, first + n), readings, markers, lines, strict=False)


def _together(columns: list[list[Any]]) -> list[Any]:
    """Tuples of one value of each column; None where all of them are blank."""
    blank = (None,) * len(columns)
    return [None if values == blank else values for values in zip(*columns, strict=True)]


def _reading(
    t_s: float, enabled: Any, counts: Any, speeds: Any, accel: Any, gyro: Any, position: Any,
    throttle: Any, steer: Any, age: Any, current: Any, motor_speed: Any, battery: Any,
) -> Reading:  # fmt: skip
    return Reading(
        t_s=t_s,
        counts=counts,
        wheel_speed_radps=speeds,
        accel_mps2=accel,
        gyro_radps=gyro,
        throttle=throttle,
        steer=steer,
        motor_enabled=enabled,
        command_age_s=age,
        motor_current_a=current,
        motor_speed_radps=motor_speed,
        battery_v=battery,
        brake_position=position,
    )
