"""Drives out of MCAP logs, by a mapping file that says which field of which topic is a column.

    columns:
      fl_count: {topic: /wheels, field: counts[0]}
      fr_count: {topic: /wheels, field: counts[1], sign: -1}   # mounted the other way round
      ax_mps2: {topic: /imu, field: linear_acceleration.x, unit: g}
      throttle: {topic: /command, field: throttle}
    rows: /imu      # optional, see below
    time: log       # or publish

Every message becomes a row at its own time, with a blank cell for each column it says nothing
about: nothing is resampled. With ``rows`` only the messages of that topic do; the other columns
hold the newest value since the row before, and what is dropped or late by that is told. Messages
are JSON, or ROS 2 messages (CDR). Needs mcap and mcap-ros2-support.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slipguard.errors import RecordingError
from slipguard.recording import columns as col
from slipguard.recording.convert import check_target, write_drive
from slipguard.recording.reader import open_recording
from slipguard.recording.whole import part_of
from slipguard.recording.writer import TableWriter
from slipguard.section import load_section, read_text, show
from slipguard.settings import GRAVITY_MPS2, setting

try:
    from mcap.exceptions import McapError
    from mcap.reader import make_reader
except ModuleNotFoundError as err:
    if (err.name or "").split(".")[0] != "mcap":
        raise
    raise RecordingError(
        "MCAP logs need mcap and mcap-ros2-support; install them, in slipguard's folder, with: "
        "pip install '.[mcap]'"
    ) from err

FACTORS = {
    "m/s2": {"m/s2": 1.0, "g": GRAVITY_MPS2},
    "rad/s": {"rad/s": 1.0, "deg/s": math.pi / 180.0, "rpm": 2.0 * math.pi / 60.0},
    "s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    "A": {"A": 1.0, "mA": 1e-3},
    "V": {"V": 1.0, "mV": 1e-3},
    "-": {"-": 1.0, "%": 1e-2},
    "counts": {"counts": 1.0},
}
"""For each unit of a column, the units a log may have it in, and how many of the first one is."""

UNIT_OF = {
    **dict.fromkeys(col.COUNTS, "counts"),
    **dict.fromkeys(col.ACCEL, "m/s2"),
    **dict.fromkeys((*col.WHEEL_SPEEDS, *col.GYRO, "motor_speed_radps"), "rad/s"),
    **dict.fromkeys((*col.BRAKE_POSITIONS, "throttle", "steer", col.MOTOR_ENABLED), "-"),
    "command_age_s": "s",
    "motor_current_a": "A",
    "battery_v": "V",
}
CLOCKS = ("log", "publish")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a column comes from."""

    topic: str = setting(doc="the topic of its messages")
    field: str = setting(doc="the field, e.g. linear_acceleration.x or counts[0]")
    unit: str | None = setting(None, doc="unit in the log, where it is not the column's own")
    sign: int = setting(1, low=-1, high=1, doc="-1: the sensor counts the other way round")

    def __post_init__(self) -> None:
        if self.sign == 0:
            raise ValueError("sign: found 0, expected 1 or -1")


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicMap:
    """A mapping file, read. ``rows``: the topic whose messages are the rows; None: all."""

    columns: Mapping[str, Source]
    rows: str | None
    clock: str

    @property
    def topics(self) -> list[str]:
        """Those that are read, each once."""
        return list(dict.fromkeys(source.topic for source in self.columns.values()))


def load_mapping(path: str | os.PathLike[str]) -> TopicMap:
    """Read a mapping file.

    Raises
    ------
    RecordingError
        File, line and key; what was found and what was expected.
    """
    text = read_text(path, "mapping file", RecordingError)
    top = load_section(text, str(path), RecordingError)
    top.check_keys(("columns", "rows", "time"))
    columns: dict[str, Source] = {}
    section = top.section("columns")
    for name in section:
        source = section.section(name).read(Source)
        if name == col.TIME:
            raise section.error(name, "comes from the time of the messages; leave it out")
        if source.unit is not None:
            own = UNIT_OF.get(name)
            known = FACTORS[own] if own is not None else {}
            if source.unit not in known:
                expected = ", ".join(known) or "no unit: what this column holds is not known"
                found = f"unit: found {show(source.unit)}, expected {expected}"
                raise section.error(name, found)
        columns[name] = source
    problem = col.header_problem((col.TIME, *columns))
    if problem is not None:
        raise top.error("columns", f"{problem[0]}: {problem[1]}")
    clock = top.get("time", "log")
    if clock not in CLOCKS:
        raise top.error("time", f"found {show(clock)}, expected one of {', '.join(CLOCKS)}")
    mapping = TopicMap(columns=columns, rows=top.get("rows"), clock=clock)
    if mapping.rows is not None and mapping.rows not in mapping.topics:
        raise top.error(
            "rows", f"found {show(mapping.rows)}, expected one of {', '.join(mapping.topics)}"
        )
    return mapping


def convert_mcap(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    mapping: str | os.PathLike[str],
) -> tuple[int, list[str]]:
    """Write a drive from a log: how many rows it has, and what to know about it, in words.

    Raises
    ------
    RecordingError
        The log or the mapping cannot be read, a topic or field is not there, or the target is
        there already or cannot be written.
    """
    source, target = Path(source), Path(target)
    check_target(target)
    wanted = load_mapping(mapping)
    rows = _Rows(wanted)
    count = 0
    with part_of(target) as part:
        with TableWriter(part, (col.TIME, *wanted.columns)) as table:
            for row in rows.of(_messages(source, wanted)):
                table.write_cells(row)
                count += 1
        if not count:
            raise RecordingError(f"{source}: no message of {', '.join(wanted.topics)}")
        try:
            for _ in (drive := open_recording(part)):
                pass  # what cannot be replayed is found here, not on the day it is needed
        except RecordingError as err:
            raise RecordingError(str(err).replace(str(part), str(source))) from err
        write_drive(drive, target)
    return count, rows.notes(count)


Message = tuple[int, str, dict[str, Any]]
"""Time in ns, topic, and the value of each column it is about."""


def _messages(path: Path, wanted: TopicMap) -> Iterator[Message]:
    """The messages of the mapping's topics in the order of the log's time."""
    picks: dict[str, list[tuple[str, Source, tuple[str | int, ...]]]] = {}
    for name, source in wanted.columns.items():
        picks.setdefault(source.topic, []).append((name, source, _steps(source.field)))
    try:
        with path.open("rb") as file:
            reader = make_reader(file, decoder_factories=_decoders())
            _check_topics(path, reader.get_summary(), wanted)
            for _, channel, message, decoded in reader.iter_decoded_messages(wanted.topics):
                t_ns = message.log_time if wanted.clock == "log" else message.publish_time
                values = {
                    name: _value(path, name, source, _pick(path, source, decoded, steps))
                    for name, source, steps in picks[channel.topic]
                }
                yield t_ns, channel.topic, values
    except RecordingError:
        raise
    except OSError as err:
        raise RecordingError(f"{path}: cannot read the log: {err.strerror or err}") from err
    except Exception as err:  # what the decoders of a damaged file raise is not documented
        kind = "" if isinstance(err, McapError) else f"{type(err).__name__} "
        raise RecordingError(
            f"{path}: not readable as MCAP, damaged or cut off while it was written "
            f"({kind}{err}); copy it again, or repair it with a tool for MCAP"
        ) from err


def _decoders() -> list[Any]:
    from mcap.decoder import DecoderFactory
    from mcap_ros2.decoder import DecoderFactory as Ros2

    class Json(DecoderFactory):
        def decoder_for(self, message_encoding: str, schema: Any) -> Any:
            return json.loads if message_encoding == "json" else None

    return [Json(), Ros2()]


def _check_topics(path: Path, summary: Any, wanted: TopicMap) -> None:
    if summary is None:
        return
    found = {channel.topic: channel for channel in summary.channels.values()}
    counts = summary.statistics.channel_message_counts if summary.statistics else {}
    for topic in wanted.topics:
        if topic not in found:
            listed = ", ".join(
                f"{name} ({counts.get(channel.id, 0)} messages, {channel.message_encoding})"
                for name, channel in sorted(found.items())
            )
            raise RecordingError(f"{path}: no topic {topic}; found {listed or 'none'}")
        encoding = found[topic].message_encoding
        if encoding not in ("json", "cdr"):
            raise RecordingError(
                f"{path}: topic {topic}: found messages in {encoding or 'no encoding'}, expected "
                "json or cdr (ROS 2)"
            )


def _steps(field: str) -> tuple[str | int, ...]:
    """``a.b[0]`` -> ``('a', 'b', 0)``."""
    parts = re.findall(r"[^.\[\]]+|\[\d+\]", field)
    return tuple(int(p[1:-1]) if p.startswith("[") else p for p in parts)


def _pick(path: Path, source: Source, decoded: Any, steps: Sequence[str | int]) -> Any:
    value = decoded
    for step in steps:
        try:
            if isinstance(step, int) or isinstance(value, Mapping):
                value = value[step]
            else:
                value = getattr(value, step)
        except (KeyError, IndexError, TypeError, AttributeError):
            names = value if isinstance(value, Mapping) else getattr(value, "__slots__", ())
            known = ", ".join(n for n in map(str, names) if not n.startswith("_"))
            if not known:
                known = f"{len(value)} values" if hasattr(value, "__len__") else "a single value"
            raise RecordingError(
                f"{path}: topic {source.topic}: no field {source.field}; at "
                f"{show(step)} found {known}"
            ) from None
    return value


def _value(path: Path, name: str, source: Source, value: Any) -> Any:
    """A cell: unit and sign of the column."""
    if value is None or (name == col.MARKER and isinstance(value, str)):
        return value
    if isinstance(value, bool):
        value = int(value)
    if not isinstance(value, int | float):
        raise RecordingError(
            f"{path}: topic {source.topic}: {source.field} for {name}: found {show(value)}, "
            "expected a number"
        )
    own = UNIT_OF.get(name, "")
    factor = FACTORS[own][source.unit] if source.unit is not None else 1.0
    # A factor of one would make floats of counts, which may be too large for that.
    return source.sign * (value if factor == 1.0 else value * factor)


class _Rows:
    """Messages to rows, and what happened to them on the way."""

    def __init__(self, wanted: TopicMap) -> None:
        self._wanted = wanted
        self._names = tuple(wanted.columns)
        self._seen: dict[str, int] = {}
        self._dropped: dict[str, int] = {}
        self._latest_s: dict[str, float] = {}
        self._first_ns: int | None = None

    def of(self, messages: Iterator[Message]) -> Iterator[list[Any]]:
        """Cells of each row: seconds since the first one, then the columns of the mapping."""
        waiting: dict[str, Any] = {}
        came_ns: dict[str, int] = {}
        row_ns: int | None = None
        clock = self._wanted.rows
        for t_ns, topic, values in messages:
            self._seen[topic] = self._seen.get(topic, 0) + 1
            if clock is None:
                if row_ns is not None and (t_ns != row_ns or topic in came_ns):
                    yield self._row(row_ns, waiting)
                    waiting, came_ns = {}, {}
                row_ns = t_ns
            elif topic in came_ns and topic != clock:
                self._dropped[topic] = self._dropped.get(topic, 0) + 1
            waiting |= values
            came_ns[topic] = t_ns
            if topic == clock:
                for other, then_ns in came_ns.items():
                    late_s = (t_ns - then_ns) * 1e-9
                    self._latest_s[other] = max(self._latest_s.get(other, 0.0), late_s)
                yield self._row(t_ns, waiting)
                waiting, came_ns = {}, {}
        if clock is None and row_ns is not None:
            yield self._row(row_ns, waiting)
        for topic in came_ns if clock is not None else ():
            self._dropped[topic] = self._dropped.get(topic, 0) + 1  # after the last row

    def _row(self, t_ns: int, values: Mapping[str, Any]) -> list[Any]:
        if self._first_ns is None:
            self._first_ns = t_ns
        return [(t_ns - self._first_ns) / 1e9, *(values.get(name) for name in self._names)]

    def notes(self, rows: int) -> list[str]:
        """What to know about the drive."""
        clock = self._wanted.rows
        first = f"t_s 0 is {self._wanted.clock} time {self._first_ns} ns"
        if clock is None:
            all_of_it = sum(self._seen.values())
            return [first, f"nothing resampled: {all_of_it} messages in {rows} rows"]
        notes = [first, f"resampled to the {rows} messages of {clock}:"]
        for topic in self._wanted.topics:
            if topic != clock:
                late_ms = 1e3 * self._latest_s.get(topic, 0.0)
                notes.append(
                    f"  {topic}: {self._dropped.get(topic, 0)} of {self._seen.get(topic, 0)} "
                    f"messages dropped, the others up to {late_ms:.1f} ms late"
                )
        return notes
