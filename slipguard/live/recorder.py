"""Every live run on disk, in the recording format, without the loop ever waiting for the disk.

The loop puts rows into a bounded queue; a thread writes them, and twice a second pushes them to
the disk itself (fsync), so that a power cut costs about that much. A disk that is slow costs the
oldest rows; one that is full costs the recording, until there is room again. Both are told, and
neither stops the rover.

A run is one folder: ``rover.yaml``, ``drive-000.csv``, ``drive-001.csv``, ... A replay of the
files in that order with one guard decides as the rover did, bit for bit.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, Self

from slipguard.decision import Decision
from slipguard.errors import RecordingError, unwritable
from slipguard.live.clock import Clock
from slipguard.reading import WHEELS, Reading
from slipguard.recording import Labels, Writer, labels_path, save_labels
from slipguard.recording import columns as col

WRITE_EVERY_S = 0.05
"""Few rows at a time: formatting many in one go would hold up the loop's thread."""
SYNC_EVERY_S = 0.5
QUEUE_ROWS = 4000
"""Twenty seconds at 200 Hz: longer than a memory card pauses to tidy up. Judgement."""
RETRY_S = 10.0
CLOSE_WITHIN_S = 3.0

OUTPUTS = (col.SENT_THROTTLE, *(f"out_{wheel}_brake" for wheel in WHEELS), "est_speed_mps")
"""Further columns: what was sent to the actuators, and the speed that was estimated."""


class File(Protocol):
    """What the recorder needs of a file."""

    def write(self, row: Row) -> None: ...
    def push(self) -> int: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Row:
    """One round: what was read, what was sent, and what the driver was told."""

    reading: Reading
    sent: Decision
    note: str | None


class DriveFile:
    """One file of a run."""

    def __init__(self, path: Path, kind: str) -> None:
        wheels = col.COUNTS if kind == "counts" else col.WHEEL_SPEEDS
        columns = (
            col.TIME,
            *wheels,
            *col.ACCEL,
            *col.GYRO,
            *("throttle", "steer", col.MOTOR_ENABLED, "command_age_s"),
            *("motor_current_a", "motor_speed_radps", "battery_v"),
            *col.BRAKE_POSITIONS,
            *OUTPUTS,
            col.MARKER,
        )
        self._writer = Writer(path, columns)
        self._file = os.open(path, os.O_RDONLY)

    def write(self, row: Row) -> None:
        """Append a row; it may stay in memory."""
        sent = row.sent
        values = (sent.throttle, *sent.brakes, sent.estimate.speed_mps)
        self._writer.write(row.reading, dict(zip(OUTPUTS, values, strict=True)), row.note)

    def push(self) -> int:
        """Everything so far onto the disk; the size of the file, bytes."""
        self._writer.flush()
        os.fsync(self._file)
        return os.fstat(self._file).st_size

    def close(self) -> None:
        """Finish the file."""
        try:
            self._writer.close()
        finally:
            os.close(self._file)


class Recorder:
    """Records one run.

    ``put`` and ``news`` are the loop's side and never wait; ``pump`` is the disk's, called by a
    thread (``start``), or by a test.

    Parameters
    ----------
    folder : path
        Where runs are kept; each gets a folder of its own in it.
    kind : str
        What the wheels report: ``'counts'`` or ``'speed'``, as ``encoders.kind``.
    rover : path, optional
        The rover file, copied beside the recording.
    file_mb, file_minutes : float
        A larger or longer file is finished, and the next one begun.
    clock : callable, optional
        Monotonic seconds, for the length of files and for retries.
    make_file : callable, optional
        Instead of ``DriveFile``, for tests.

    Raises
    ------
    RecordingError
        The folder cannot be made or written.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        kind: str,
        *,
        rover: str | os.PathLike[str] | None = None,
        file_mb: float = 64.0,
        file_minutes: float = 30.0,
        clock: Clock | Callable[[], float] = time.monotonic,
        make_file: Callable[[Path, str], File] = DriveFile,
    ) -> None:
        self.written = 0
        self.lost = 0
        self.problem = ""
        self._kind = kind
        self._most_bytes = file_mb * 1e6
        self._most_s = 60.0 * file_minutes
        self._clock = clock
        self._make_file = make_file
        self._rows: deque[Row] = deque(maxlen=QUEUE_ROWS)
        self._file: File | None = None
        self._file_since_s = 0.0
        self._number = 0
        self._retry_s = float("-inf")
        self._pushed_s = float("-inf")
        self._news: deque[str] = deque(maxlen=8)
        self._lost_told = 0
        self._wake = threading.Event()
        self._ending = False
        self._thread: threading.Thread | None = None
        self.folder = _run_folder(Path(folder))
        if rover is not None:
            try:
                shutil.copyfile(rover, self.folder / "rover.yaml")
            except OSError as err:
                raise unwritable(self.folder, err) from err
        try:
            self._next_file()
        except Exception as err:
            self._drop_file()
            if isinstance(err, OSError):
                raise unwritable(self.folder, err) from err
            raise

    def put(self, reading: Reading, sent: Decision, note: str | None = None) -> None:
        """Queue one round. When the disk does not keep up, the oldest row is lost."""
        self.lost += len(self._rows) == QUEUE_ROWS
        self._rows.append(Row(reading, sent, note))

    def news(self) -> str | None:
        """Something the driver should be told, once."""
        return self._news.popleft() if self._news else None

    def start(self) -> Self:
        """Write from a thread."""
        self._thread = threading.Thread(target=self._serve, name="slipguard recorder", daemon=True)
        self._thread.start()
        return self

    def pump(self) -> None:
        """Write what waits, push it onto the disk when due; what cannot be written is lost."""
        if self._file is None:
            if self._clock() < self._retry_s:
                self._lose()
                return
            self._try(self._next_file)
        if self._file is not None:
            self._try(self._write_all)

    def close(self) -> None:
        """Write what is left and finish; a disk that hangs is left behind."""
        self._ending = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join(CLOSE_WITHIN_S)
            if self._thread.is_alive():
                self.problem = f"the disk did not answer within {CLOSE_WITHIN_S:g} s"
                return
        self._retry_s = float("-inf")
        self.pump()
        if self._file is not None:
            self._try(self._finish_file)

    def _serve(self) -> None:
        while not self._ending:
            self._wake.wait(WRITE_EVERY_S)
            self.pump()

    def _write_all(self) -> None:
        assert self._file is not None
        if self.lost > self._lost_told:
            self._tell(f"{self.lost - self._lost_told} rows lost: the disk does not keep up")
            self._lost_told = self.lost
        for _ in range(len(self._rows)):  # those that are there now
            row = self._rows.popleft()
            try:
                self._file.write(row)
            except Exception:
                self.lost += 1
                raise
            self.written += 1
        now_s = self._clock()
        if now_s - self._pushed_s < SYNC_EVERY_S and not self._ending:
            return
        size = self._file.push()
        self._pushed_s = now_s
        if self.problem:
            self.problem = ""
            self._tell("recording again")
        if size > self._most_bytes or now_s - self._file_since_s > self._most_s:
            self._finish_file()
            self._next_file()

    def _next_file(self) -> None:
        path = self.folder / f"drive-{self._number:03}.csv"
        self._number += 1
        self._file = self._make_file(path, self._kind)
        self._file_since_s = self._clock()
        save_labels(
            Labels(
                source="recorded by slipguard run",
                notes=f"Part {self._number} of a run; the guard's state goes on from part to part.",
            ),
            labels_path(path),
        )
        self._file.push()
        _sync_folder(self.folder)

    def _finish_file(self) -> None:
        file, self._file = self._file, None
        assert file is not None
        file.close()

    def _drop_file(self) -> None:
        """Let go of a file that failed; what it still held is lost."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(Exception):
                file.close()

    def _try(self, work: Callable[[], None]) -> None:
        """Do it; a disk that refuses ends this file, and is tried again later with a new one.

        So does any other error: a thread that dies of it would record nothing more and tell nobody.
        """
        try:
            work()
        except Exception as err:
            known = isinstance(err, OSError | RecordingError | ValueError)
            named = f"{type(err).__name__}: {err}".rstrip(": ")
            problem = (known and str(err)) or named
            if not self.problem:
                self._tell(f"recording stopped, the rover drives on: {problem}")
            self.problem = problem
            self._retry_s = self._clock() + RETRY_S
            self._lose()
            self._drop_file()

    def _lose(self) -> None:
        """Drop what waits: while nothing can be written, memory must not hold on to it."""
        self.lost += len(self._rows)
        self._lost_told = self.lost  # that the recording stopped was told
        self._rows.clear()

    def _tell(self, message: str) -> None:
        self._news.append(message)


def _run_folder(parent: Path) -> Path:
    """A new folder named by the date, which is only as right as the computer's clock."""
    name = time.strftime("run-%Y%m%d-%H%M%S")
    try:
        parent.mkdir(parents=True, exist_ok=True)
        for number in range(1000):
            folder = parent / (f"{name}-{number}" if number else name)
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            _sync_folder(parent)
            return folder
    except OSError as err:
        raise unwritable(parent, err) from err
    raise RecordingError(f"{parent}: holds a thousand runs of this second")


def _sync_folder(folder: Path) -> None:
    """Names of new files are only safe once their folder is on the disk, see fsync(2)."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
