"""Recorded drives, read one row at a time: memory stays flat however long the drive.

A power cut in mid-write is normal in the field: a last line without its line end, or a
``.gz`` without its end, is left out and said in ``Recording.truncated``. Anything else that
is wrong raises a RecordingError with file, line and column.
"""

from __future__ import annotations

import csv
import gzip
import os
import zlib
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from importlib.util import find_spec
from itertools import islice, pairwise
from operator import itemgetter
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

from slipguard.errors import RecordingError
from slipguard.reading import Reading
from slipguard.recording import columns as col
from slipguard.recording.labels import Labels, labels_path, load_labels
from slipguard.section import DECIMAL_COMMA

Fail = Callable[[int, str, str], NoReturn]

PARQUET = ".parquet"
LONG_BYTES, GZIP_SHARE = 5_000_000, 4
"""From so many bytes on a drive is long, and what packing leaves of them."""

_BOOLS = {
    "": None,
    **dict.fromkeys(("0", "0.0", "false", "False"), False),
    **dict.fromkeys(("1", "1.0", "true", "True"), True),
}


FIRST_ROWS = 20
SLOW_S = 1.0
"""Rows so far apart are no drive: the guard looks ten times a second at least."""


class Row:
    """One line of a recorded drive.

    Attributes
    ----------
    line : int
        Its line in the file; 1 is the header.
    reading : Reading
        A blank cell is None: no new value.
    marker : str or None
        A note made at this moment, without the blanks around it.
    """

    __slots__ = ("_cells", "_extra", "_fail", "line", "marker", "reading")

    def __init__(
        self,
        line: int,
        reading: Reading,
        marker: str | None,
        cells: list[str] | bytes,
        extra: Mapping[str, int],
        fail: Fail,
    ) -> None:
        self.line = line
        self.reading = reading
        self.marker = marker
        self._cells = cells
        self._extra = extra
        self._fail = fail

    @property
    def extra(self) -> dict[str, float]:
        """Columns slipguard does not know, truth (``true_*``) among them, where they hold a number.

        Parsed when asked for, since a replay without truth never does.

        Raises
        ------
        RecordingError
            A truth column holds something else than a number.
        """
        values = ((name, self.number(name)) for name in self._extra)
        return {name: value for name, value in values if value is not None}

    def number(self, column: str) -> float | None:
        """One value of ``extra``, without parsing the others; None where there is none."""
        index = self._extra.get(column)
        if isinstance(self._cells, bytes):  # the line as it stands, of a row read in a block
            self._cells = self._cells.decode().split(",")
        cell = self._cells[index].strip() if index is not None else ""
        try:
            return float(cell)
        except ValueError:
            if cell and column.startswith("true_"):
                self._fail(self.line, column, _found(cell, "a number or a blank cell"))
            return None


class Recording:
    """A recorded drive; iterate over it, as often as wanted, for its rows.

    Attributes
    ----------
    path : Path
    columns : tuple of str
        The header, in the order of the file.
    truncated : str or None
        Once an iteration has reached the end: what was left out because it was cut off.

    Raises
    ------
    RecordingError
        While opening or iterating: file, line, column, what was found and expected.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self.truncated: str | None = None
        self._file: BinaryIO | None = None
        self._labels: Labels | None = None
        self.columns = self._header()
        self._extra = {n: k for k, n in enumerate(self.columns) if n not in col.KNOWN}
        self._parse = _row_parser(self.columns, self._extra, self._fail)

    @property
    def labels(self) -> Labels:
        """What the ``NAME.yaml`` beside the drive says; unlabelled where there is none."""
        if self._labels is None:
            path = labels_path(self.path)
            self._labels = load_labels(path) if path.exists() else Labels()
        return self._labels

    @property
    def progress(self) -> float:
        """Part of the file that the newest iteration has read, 0..1."""
        if self._file is None or self._file.closed:
            return 1.0
        return self._file.tell() / max(1, os.fstat(self._file.fileno()).st_size)

    def __iter__(self) -> Iterator[Row]:
        done = 0
        if self._pays():
            from slipguard.recording.typed import NotTypedError, typed_rows

            self.truncated = None
            try:
                with self.path.open("rb") as self._file:
                    rows = typed_rows(self.path, self._file, self.columns, _BOOLS)
                    for line, reading, marker, text in rows:
                        done += 1
                        yield Row(line, reading, marker, text, self._extra, self._fail)
                return
            except (NotTypedError, OSError):
                pass  # the rest cell by cell
        parse = self._parse
        for line, cells in islice(self.cells(), done, None):
            yield parse(line, cells)

    def doubts(self) -> list[str]:
        """What can be read but is hardly meant: file, line, column, and what to do."""
        meant = list(col.misspelt(self.columns))
        found = [
            f"{self.path}:1: {name}: not a column slipguard knows, left aside; if {near!r} is "
            f"meant, {do}"
            for name, near, do in meant
        ]
        named = {near for _, near, _ in meant}
        for absent, given in col.incomplete(self.columns):
            if left := [name for name in absent if name not in named]:
                found.append(
                    f"{self.path}:1: {', '.join(left)}: missing, though {', '.join(given)} "
                    f"{'is' if len(given) == 1 else 'are'} there; taken as not measured"
                )
        rows = islice(self.cells(), FIRST_ROWS)
        times = [self._parse(line, cells).reading.t_s for line, cells in rows]
        steps = sorted(b - a for a, b in pairwise(times))
        step_s = steps[len(steps) // 2] if steps else 0.0
        if step_s >= SLOW_S:
            found.append(
                f"{self.path}:2: {col.TIME}: rows are {step_s:g} s apart; where it counts "
                "milliseconds, divide it by 1000"
            )
        return found

    def _pays(self) -> bool:
        """Whether reading in blocks is worth the moment that pyarrow takes to load."""
        suffix = self.path.suffix.lower()
        if suffix == PARQUET or find_spec("pyarrow") is None:
            return False
        try:
            size = self.path.stat().st_size
        except OSError:
            return False
        return size >= LONG_BYTES // (GZIP_SHARE if suffix == ".gz" else 1)

    def cells(self) -> Iterator[tuple[int, list[str]]]:
        """Rows as they are written, a text for each column, each with its line."""
        width = len(self.columns)
        table = csv.reader(self._lines(), strict=True, skipinitialspace=True)
        try:
            if next(table, None) is None:  # it was there when the drive was opened
                self._no_header()
            for cells in table:
                if len(cells) == width:
                    yield table.line_num, cells
                elif cells:
                    found = f"found {len(cells)} cell{'s' if len(cells) > 1 else ''}"
                    point = "; decimals need '.', not a comma" if len(cells) > width else ""
                    self._fail(
                        table.line_num,
                        "",
                        f"{found}, expected {width} as in the header; where a line is damaged, "
                        f"take it out{point}",
                    )
        except csv.Error as err:
            if self.truncated is None:  # else: cut inside a quoted marker
                self._fail(table.line_num, "", f"not readable as CSV: {err}")

    def _header(self) -> tuple[str, ...]:
        lines = self._lines()
        try:
            cells = next(csv.reader(lines, strict=True, skipinitialspace=True), None)
        except csv.Error as err:
            self._fail(1, "", f"header not readable as CSV: {err}")
        finally:
            lines.close()
        if cells is None:
            self._no_header()
        names = tuple(cell.strip() for cell in cells)
        problem = col.header_problem(names)
        if problem is not None:
            self._fail(1, *problem)
        return names

    def _no_header(self) -> NoReturn:
        found = self.truncated or "empty file"
        self._fail(1, "", f"{found}; expected a header row with t_s and the wheels' columns")

    def _lines(self) -> Generator[str, None, None]:
        """The whole lines of the file, decoded. The one place that touches the disk."""
        self.truncated = None
        number = 0
        try:
            with self.path.open("rb") as self._file:
                packed = self.path.suffix.lower() == ".gz"
                for raw in gzip.GzipFile(fileobj=self._file) if packed else self._file:
                    number += 1
                    if not raw.endswith(b"\n"):
                        self.truncated = (
                            f"line {number} has no line end (power cut while recording?): left out"
                        )
                        return
                    yield raw.decode("utf-8-sig" if number == 1 else "utf-8")
        except EOFError:
            self.truncated = (
                f"the compressed data breaks off after line {number} (power cut while "
                "recording?): what follows is lost"
            )
        except UnicodeDecodeError as err:
            found = f"byte 0x{err.object[err.start]:02x}"
            self._fail(number, "", f"not UTF-8 text: found {found}, expected a CSV or .csv.gz file")
        except (gzip.BadGzipFile, zlib.error) as err:
            self._fail(number + 1, "", f"damaged gzip file: {err}")
        except IsADirectoryError as err:
            raise RecordingError(
                f"{self.path}: a folder, expected a recorded drive; name one of the drives in it"
            ) from err
        except (OSError, ValueError) as err:  # ValueError: a NUL character in the path
            reason = err.strerror if isinstance(err, OSError) else err
            raise RecordingError(f"{self.path}: cannot read the drive: {reason}") from err

    def _fail(self, line: int, column: str, problem: str) -> NoReturn:
        what = f" {column}:" if column else ""
        raise RecordingError(f"{self.path}:{line}:{what} {problem}")


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recorded drive (``.csv``, ``.csv.gz`` or ``.parquet``) and read its header.

    Raises
    ------
    RecordingError
        The file cannot be read, or its header is wrong; or it is Parquet and the extra
        ``parquet`` is not installed.
    """
    if Path(path).suffix.lower() == PARQUET:
        from slipguard.recording.parquet import ParquetRecording

        return ParquetRecording(path)
    return Recording(path)


def _row_parser(
    names: Sequence[str], extra: Mapping[str, int], fail: Fail
) -> Callable[[int, list[str]], Row]:
    """A function from cells to a Row, made once for a header: the hot path of a replay."""
    # One blank cell is put at the end of every row: the place of every absent column.
    place = {name: index for index, name in enumerate(names)}
    sources = {
        field: [place.get(name, -1) for name in columns] for field, columns in col.VECTORS.items()
    }
    speeds = sources["wheel_speed_radps"]
    if min(speeds[:2]) >= 0 and max(speeds[2:]) < 0:
        speeds[2:] = speeds[:2]  # skid steering: one speed a side, front and rear turn together
    pick = {field: itemgetter(*indices) for field, indices in sources.items()}
    counts, wheel_speed, accel, gyro, brake_position = (pick[field] for field in col.VECTORS)
    t_s = place[col.TIME]
    enabled = place.get(col.MOTOR_ENABLED, -1)
    marker = place.get(col.MARKER, -1)
    numbers = itemgetter(*(place.get(name, -1) for name in col.NUMBERS))

    def convert(line: int, cells: list[str]) -> Row:
        throttle, steer, age, current, motor_speed, battery = numbers(cells)
        reading = Reading(
            t_s=float(cells[t_s]),
            counts=_counts(counts(cells)),
            wheel_speed_radps=_vector(wheel_speed(cells)),
            accel_mps2=_vector(accel(cells)),
            gyro_radps=_vector(gyro(cells)),
            throttle=float(throttle) if throttle else None,
            steer=float(steer) if steer else None,
            motor_enabled=_BOOLS[cells[enabled]],
            command_age_s=float(age) if age else None,
            motor_current_a=float(current) if current else None,
            motor_speed_radps=float(motor_speed) if motor_speed else None,
            battery_v=float(battery) if battery else None,
            brake_position=_vector(brake_position(cells)),
        )
        return Row(line, reading, cells[marker].strip() or None, cells, extra, fail)

    def parse(line: int, cells: list[str]) -> Row:
        cells.append("")
        try:
            return convert(line, cells)
        except (ValueError, KeyError):  # a blank of spaces, TRUE, or something really wrong
            cells = [cell.strip() for cell in cells]
            if enabled >= 0:
                cells[enabled] = cells[enabled].lower()
            _check_cells(line, names, cells, fail)
            return convert(line, cells)

    return parse


def _vector(cells: tuple[str, ...]) -> Any:
    if "" not in cells:
        return tuple(map(float, cells))
    if not any(cells):
        return None
    return tuple([float(cell) if cell else None for cell in cells])


def _counts(cells: tuple[str, ...]) -> Any:
    try:
        return tuple(map(int, cells))
    except ValueError:
        if not any(cells):
            return None
        return tuple([_count(cell) if cell else None for cell in cells])


def _count(cell: str) -> float:
    try:
        return int(cell)
    except ValueError:
        return float(cell)  # 12.0, or nan from a sensor


def _check_cells(line: int, names: Sequence[str], cells: Sequence[str], fail: Fail) -> None:
    """Refuse the first cell that cannot be what its column says, by name."""
    for name, cell in zip(names, cells, strict=False):
        if name == col.MOTOR_ENABLED:
            if cell not in _BOOLS:
                fail(line, name, _found(cell, "0, 1, true, false or a blank cell"))
        elif name == col.TIME and not cell:
            fail(line, name, "found a blank cell, expected seconds")
        elif name in col.KNOWN and name != col.MARKER and cell:
            try:
                float(cell)
            except ValueError:
                point = " ('.' as decimal mark)" if DECIMAL_COMMA.fullmatch(cell) else ""
                fail(line, name, _found(cell, f"a number{point} or a blank cell"))


def _found(cell: str, expected: str) -> str:
    shown = cell if len(cell) <= 40 else cell[:37] + "..."
    return f"found {shown!r}, expected {expected}"
