"""Recorded drives as Parquet: typed columns, compressed, read in parts. Needs pyarrow.

The columns are those of the CSV format. A null is a blank cell; NaN is what the sensor
delivered. A column becomes whole numbers, numbers or text: the first of these that keeps every
value of it, so that going there and back changes none.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from slipguard.errors import RecordingError
from slipguard.recording import columns as col
from slipguard.recording.reader import Recording
from slipguard.recording.whole import part_of

try:
    import pyarrow as pa
    import pyarrow.parquet as pq
except ModuleNotFoundError as err:
    if err.name != "pyarrow":
        raise
    raise RecordingError(
        "Parquet files need pyarrow; install it, in slipguard's folder, with: "
        "pip install '.[parquet]'"
    ) from err

ROWS = 65536
"""Rows written, and rows read, in one go: memory stays flat."""


class ParquetRecording(Recording):
    """A recorded drive in Parquet; see ``Recording``. Its line 2 is its first row."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._done = 1.0
        super().__init__(path)

    @property
    def progress(self) -> float:
        return self._done

    def cells(self) -> Iterator[tuple[int, list[str]]]:
        line = 1
        with self._open() as file:
            self._check_kinds(file.schema_arrow)
            rows = max(1, file.metadata.num_rows)
            try:
                for batch in file.iter_batches(batch_size=ROWS):
                    columns = [_texts(column) for column in batch.columns]
                    for cells in zip(*columns, strict=True):
                        line += 1
                        self._done = (line - 1) / rows
                        yield line, list(cells)
            except (pa.ArrowException, OSError) as err:
                raise self._damaged(err) from err

    def _header(self) -> tuple[str, ...]:
        with self._open() as file:
            names = tuple(file.schema_arrow.names)
        problem = col.header_problem(names)
        if problem is not None:
            self._fail(1, *problem)
        return names

    def _open(self) -> Any:
        try:
            return pq.ParquetFile(self.path)
        except pa.ArrowException as err:
            raise self._damaged(err) from err
        except (OSError, ValueError) as err:
            reason = getattr(err, "strerror", None) or _first_line(err)
            raise RecordingError(f"{self.path}: cannot read the drive: {reason}") from err

    def _check_kinds(self, schema: Any) -> None:
        """Refuse columns that hold neither numbers nor text, such as lists and times."""
        for field in schema:
            kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
            plain = (
                pa.types.is_boolean, pa.types.is_integer, pa.types.is_floating,
                pa.types.is_string, pa.types.is_large_string, pa.types.is_null,
            )  # fmt: skip
            if not any(is_kind(kind) for is_kind in plain):
                self._fail(1, field.name, f"found {field.type}, expected numbers or text")

    def _damaged(self, err: Exception) -> RecordingError:
        return RecordingError(
            f"{self.path}: not readable as Parquet, damaged or cut off while it was written "
            f"({_first_line(err)}); make it again from the recording it came from"
        )


def _first_line(err: Exception) -> str:
    return next(iter(str(err).splitlines()), type(err).__name__).strip()[:120]


def _texts(column: Any) -> list[str]:
    """Values as a CSV file would have them."""
    kind = column.type
    values = column.to_pylist()
    if pa.types.is_boolean(kind):
        return ["" if v is None else "1" if v else "0" for v in values]
    return ["" if v is None else v if isinstance(v, str) else repr(v) for v in values]


def write_parquet(drive: Recording, path: str | os.PathLike[str]) -> int:
    """Write a recorded drive as Parquet; how many rows it has.

    The drive is gone through twice: once to see what each column holds. A file that is there is
    replaced, and only once the new one is whole.

    Raises
    ------
    RecordingError
        The drive cannot be read, or the file cannot be written.
    """
    path = Path(path)
    kinds = _kinds(drive)
    schema = pa.schema([(n, k.type) for n, k in zip(drive.columns, kinds, strict=True)])
    rows = 0
    with part_of(path) as part:
        with pq.ParquetWriter(part, schema, compression="zstd") as writer:
            for block in _blocks(drive):
                columns = zip(*block, strict=True)
                arrays = [
                    pa.array([k.read(cell) for cell in cells], k.type)
                    for k, cells in zip(kinds, columns, strict=True)
                ]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
                rows += len(block)
        os.replace(part, path)
    return rows


class _Kind:
    """What a column is written as, and how a cell becomes it."""

    def __init__(self, kind: Any, read: Callable[[str], Any]) -> None:
        self.type = kind
        self.read = read


def _whole(cell: str) -> int | None:
    return int(cell) if cell.strip() else None


def _number(cell: str) -> float | None:
    return float(cell) if cell.strip() else None


def _text(cell: str) -> str | None:
    return cell or None


_WHOLE = _Kind(pa.int64(), _whole)
_NUMBER = _Kind(pa.float64(), _number)
_TEXT = _Kind(pa.string(), _text)


def _kinds(drive: Recording) -> list[_Kind]:
    """The narrowest kind for each column that keeps every value of it."""
    kinds = [_TEXT if name == col.MARKER else _WHOLE for name in drive.columns]
    sizes = [0] * len(kinds)
    for _, cells in drive.cells():
        for i, kind in enumerate(kinds):
            if kind is _TEXT:
                continue
            cell = cells[i].strip()
            if not cell:
                continue
            if kind is _WHOLE:
                try:
                    number = int(cell)
                except ValueError:
                    kinds[i] = kind = _NUMBER
                else:
                    if number == 0 and cell.startswith("-"):
                        kinds[i] = _TEXT  # whole numbers have no minus zero
                    sizes[i] = max(sizes[i], abs(number))
                    continue
            if kind is _NUMBER and not _is_number(cell, drive.columns[i]):
                kinds[i] = _TEXT
    for i, size in enumerate(sizes):
        # Beyond these a whole number would not be the same in the file.
        most = 2**63 - 1 if kinds[i] is _WHOLE else 2**53
        if size > most:
            kinds[i] = _TEXT
    return kinds


def _is_number(cell: str, column: str) -> bool:
    """Whether a cell is a number and stays the same as one."""
    try:
        value = float(cell)
    except ValueError:
        return False
    try:
        return int(cell) == value
    except ValueError:
        # A reading takes 12.0 for a count too, so a count of 12.0 stays what it is.
        return True
    except OverflowError:
        return False


def _blocks(drive: Recording) -> Iterator[Sequence[list[str]]]:
    block: list[list[str]] = []
    for _, cells in drive.cells():
        block.append(cells)
        if len(block) == ROWS:
            yield block
            block = []
    if block:
        yield block
