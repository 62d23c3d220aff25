"""Write a drive so that reading it gives the same readings back."""

from __future__ import annotations

import csv
import gzip
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from slipguard.errors import RecordingError, unwritable
from slipguard.reading import Reading
from slipguard.recording import columns as col
from slipguard.recording.plain import number, plain


class TableWriter:
    """Rows of a CSV file; one that is there is replaced, as ``open(path, "w")`` does.

    Packed when its name ends in ``.gz``, unless ``packed`` says otherwise.
    The same rows give the same bytes: no time and no file name goes into the packed file.
    A None is a blank cell; a float is written so that it reads back exactly.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        columns: Sequence[str],
        *,
        packed: bool | None = None,
    ) -> None:
        self.path = Path(path)
        self.columns = tuple(columns)
        try:
            self._file = self.path.open("wb")
        except (OSError, ValueError) as err:  # ValueError: a NUL character in the path
            raise self._error(err) from err
        self._packed: gzip.GzipFile | None = None
        if self.path.suffix.lower() == ".gz" if packed is None else packed:
            self._packed = gzip.GzipFile("", "wb", 9, self._file, mtime=0)
        stream: Any = self._packed or self._file
        self._text = io.TextIOWrapper(stream, encoding="utf-8", newline="")
        self._table = csv.writer(self._text, lineterminator="\n")
        self.write_cells(self.columns)

    def write_cells(self, cells: Sequence[object]) -> None:
        """Append one row, a value for each column."""
        try:
            self._table.writerow(cells)
        except OSError as err:
            raise self._error(err) from err

    def flush(self) -> None:
        """Hand everything written so far to the operating system."""
        try:
            self._text.flush()
            self._file.flush()
        except OSError as err:
            raise self._error(err) from err

    def close(self) -> None:
        """Finish the file. Closing twice is fine."""
        try:
            self._text.close()
        except OSError as err:
            raise self._error(err) from err
        finally:
            self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _error(self, err: Exception) -> RecordingError:
        return unwritable(self.path, err)


class Writer(TableWriter):
    """Write readings, and further columns, as a recorded drive.

    Parameters
    ----------
    path : path
        ``.csv`` or ``.csv.gz``; an existing file is replaced.
    columns : sequence of str, optional
        The header; otherwise ``STANDARD_COLUMNS`` and ``marker``. Columns the Reading does not
        have are taken from ``extra``.
    decimals : mapping of str to int, optional
        Columns to round, and to how many decimals; the others are written exactly.

    Raises
    ------
    RecordingError
        The header would be refused by the reader, or the file cannot be written.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        columns: Sequence[str] = (*col.STANDARD, col.MARKER),
        *,
        decimals: Mapping[str, int] | None = None,
    ) -> None:
        problem = col.header_problem(columns)
        if problem is not None:
            raise RecordingError(f"{path}: {problem[0]}: {problem[1]}")
        self._extra = frozenset(columns) - col.KNOWN
        self._decimals = dict(decimals or {})
        super().__init__(path, columns)

    def write(
        self,
        reading: Reading,
        extra: Mapping[str, float | None] | None = None,
        marker: str | None = None,
    ) -> None:
        """Append one row; what the guard takes for no number is written as nan.

        Parameters
        ----------
        extra : mapping of str to float, optional
            Values of the columns a Reading does not have.
        marker : str, optional
            A note; white space in it becomes one space.

        Raises
        ------
        RecordingError
            ``extra`` names a column the header does not have, there is a marker and no column
            for it, or the file cannot be written.
        """
        reading = plain(reading)
        values: dict[str, Any] = {col.TIME: reading.t_s}
        for field, names in col.VECTORS.items():
            vector = getattr(reading, field)
            if vector is not None:
                values.update(zip(names, vector, strict=False))
        for name in col.NUMBERS:
            values[name] = getattr(reading, name)
        if reading.motor_enabled is not None:
            values[col.MOTOR_ENABLED] = int(reading.motor_enabled)
        if marker is not None:
            if col.MARKER not in self.columns:
                raise RecordingError(f"{self.path}: {col.MARKER}: not one of this file's columns")
            printable = "".join(c if c.isprintable() else " " for c in marker)
            values[col.MARKER] = " ".join(printable.split())
        if extra:
            unknown = extra.keys() - self._extra
            if unknown:
                raise RecordingError(
                    f"{self.path}: {min(unknown)}: not one of the further columns "
                    f"of this file ({', '.join(sorted(self._extra)) or 'none'})"
                )
            values |= {k: None if v is None else number(v) for k, v in extra.items()}
        for name, places in self._decimals.items():
            if values.get(name) is not None:
                values[name] = round(values[name], places) + 0.0  # + 0.0: no minus zero
        self.write_cells([values.get(name) for name in self.columns])
