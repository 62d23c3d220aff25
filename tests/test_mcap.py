"""Drives out of MCAP logs: unit, sign and time kept, nothing resampled in silence."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from mcap.writer import Writer
from mcap_ros2.writer import Writer as Ros2Writer

from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.recording import open_recording

MAPPING: dict[str, Any] = {
    "columns": {
        "fl_count": {"topic": "/wheels", "field": "counts[0]"},
        "fr_count": {"topic": "/wheels", "field": "counts[1]", "sign": -1},
        "ax_mps2": {"topic": "/imu", "field": "accel.x", "unit": "g"},
        "gz_radps": {"topic": "/imu", "field": "gyro.z", "unit": "deg/s", "sign": -1},
        "throttle": {"topic": "/command", "field": "throttle", "unit": "%"},
        "motor_enabled": {"topic": "/command", "field": "on"},
    }
}
START_NS = 1_700_000_000_123_456_789


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """IMU at 200 Hz, wheels at 100 Hz with the same stamps, commands at 400 Hz in between."""
    path = tmp_path / "log.mcap"
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        channels = {
            topic: writer.register_channel(topic=topic, message_encoding=encoding, schema_id=0)
            for topic, encoding in (
                ("/imu", "json"), ("/wheels", "json"), ("/command", "json"), ("/lidar", "protobuf"),
            )
        }  # fmt: skip

        def add(topic: str, t_ms: float, message: object) -> None:
            t_ns = START_NS + round(t_ms * 1e6)
            data = json.dumps(message).encode()
            writer.add_message(channels[topic], log_time=t_ns, publish_time=t_ns + 7, data=data)

        for k in range(10):
            add("/imu", 5 * k, {"accel": {"x": 0.5}, "gyro": {"z": 90.0}})
            if k % 2 == 0:
                add("/wheels", 5 * k, {"counts": [2**60 + k, k]})
            for late_ms in (1.0, 3.5):
                add("/command", 5 * k + late_ms, {"throttle": 40.0 + k, "on": True})
        add("/lidar", 0, {})
        writer.finish()
    return path


def converted(log: Path, mapping: dict[str, Any], name: str = "drive.csv") -> int:
    path = log.with_name("map.yaml")
    path.write_text(yaml.safe_dump(mapping), encoding="utf-8")
    return main(["convert", str(log), str(log.with_name(name)), "--map", str(path)])


def test_every_message_is_a_row(log, capsys):
    """Times, units and signs as they were; what a message is not about stays blank."""
    assert converted(log, MAPPING) == Exit.DONE
    assert "nothing resampled: 35 messages in 30 rows" in capsys.readouterr().out
    rows = list(open_recording(log.with_name("drive.csv")))
    assert [row.reading.t_s for row in rows[:4]] == [0.0, 0.001, 0.0035, 0.005]
    first, command, _, second = (row.reading for row in rows[:4])
    assert first.counts == (2**60, 0, None, None)
    assert first.accel_mps2[0] == pytest.approx(0.5 * 9.80665)
    assert first.gyro_radps[2] == pytest.approx(-math.pi / 2)
    assert (first.throttle, first.motor_enabled) == (None, None)
    assert (command.throttle, command.motor_enabled) == (pytest.approx(0.4), True)
    assert (command.counts, command.accel_mps2) == (None, None)
    assert second.counts is None
    assert rows[6].reading.counts == (2**60 + 2, -2, None, None)


def test_resampling_says_what_it_drops(log, capsys):
    """Two commands fall between two rows: the newer one stays, and that is told."""
    assert converted(log, {**MAPPING, "rows": "/imu"}, "drive.parquet") == Exit.DONE
    out = capsys.readouterr().out
    assert "resampled to the 10 messages of /imu:" in out
    # In 9 gaps one of two; after the last row two more, of which none is used.
    assert "/command: 11 of 20 messages dropped, the others up to 1.5 ms late" in out
    assert "/wheels: 1 of 5 messages dropped" not in out
    rows = list(open_recording(log.with_name("drive.parquet")))
    assert [row.reading.t_s for row in rows] == [pytest.approx(0.005 * k) for k in range(10)]
    assert rows[1].reading.throttle == pytest.approx(0.4)


def test_ros_2_messages_are_read(tmp_path):
    """The encoding most robots log in."""
    path = tmp_path / "log.mcap"
    with path.open("wb") as file:
        writer = Ros2Writer(file)
        schema = writer.register_msgdef("own/Wheels", "int64[] counts\nfloat64 speed")
        for k in range(3):
            writer.write_message("/wheels", schema, {"counts": [k, 2 * k], "speed": 1.0}, k * 10**7)
        writer.finish()
    columns = {"fl_count": {"topic": "/wheels", "field": "counts[1]"}}
    assert converted(path, {"columns": columns}) == Exit.DONE
    rows = list(open_recording(tmp_path / "drive.csv"))
    assert [row.reading.counts[0] for row in rows] == [0, 2, 4]


@pytest.mark.parametrize(
    ("column", "source", "expected"),
    [
        ("fl_count", {"topic": "/wheel", "field": "x"},
         "no topic /wheel; found /command (20 messages, json), /imu (10 messages, json), /lidar"),
        ("fl_count", {"topic": "/lidar", "field": "x"}, "found messages in protobuf, expected"),
        ("fl_count", {"topic": "/wheels", "field": "count[0]"}, "no field count[0]; at 'count' "
         "found counts"),
        ("fl_count", {"topic": "/wheels", "field": "counts[7]"}, "at 7 found 2 values"),
        ("fl_count", {"topic": "/wheels", "field": "counts"}, "expected a number"),
        ("ax_mps2", {"topic": "/imu", "field": "accel.x", "unit": "lb"},
         "columns.ax_mps2: unit: found 'lb', expected m/s2, g"),
        ("ax_mps2", {"topic": "/imu", "field": "accel.x", "sign": 0}, "sign: found 0"),
        ("t_s", {"topic": "/imu", "field": "accel.x"}, "comes from the time of the messages"),
    ],
)  # fmt: skip
def test_mistakes_are_named(column, source, expected, log, capsys):
    """With what was found, so that the mapping can be put right; and nothing is left behind."""
    columns = {"fl_count": {"topic": "/wheels", "field": "counts[0]"}, column: source}
    assert converted(log, {"columns": columns}) == Exit.RECORDING
    error = capsys.readouterr().err
    assert expected in error
    assert log.parent.as_posix() in error
    assert sorted(p.name for p in log.parent.iterdir()) == ["log.mcap", "map.yaml"]


def test_a_log_cut_off_is_named(log, capsys):
    """A power cut while it was recorded."""
    log.write_bytes(log.read_bytes()[:300])
    assert converted(log, MAPPING) == Exit.RECORDING
    assert "log.mcap: not readable as MCAP, damaged or cut off" in capsys.readouterr().err
    assert main(["convert", str(log), str(log.with_name("a.csv"))]) == Exit.USAGE
    assert "needs --map FILE" in " ".join(capsys.readouterr().err.split())


def test_a_drive_that_is_there_stays(log, capsys):
    """Nothing is ever overwritten."""
    log.with_name("drive.csv").write_text("mine", encoding="utf-8")
    assert converted(log, MAPPING) == Exit.RECORDING
    assert "is there already and is not overwritten" in capsys.readouterr().err
    assert log.with_name("drive.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("name", ["drive.csv", "drive.parquet"])
def test_the_drives_of_others_stay(log, name):
    """Whatever they are called; and nothing is left beside the new drive."""
    other = log.with_name(f"part-{name}.csv")
    other.write_text("mine", encoding="utf-8")
    assert converted(log, MAPPING, name) == Exit.DONE
    assert other.read_text(encoding="utf-8") == "mine"
    assert {p.name for p in log.parent.iterdir()} == {log.name, "map.yaml", name, other.name}
