"""Lines from a microcontroller: the conformance kit over a pseudo-terminal, and the protocol."""

from __future__ import annotations

import fcntl
import math
import os
import re
import shutil
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from slipguard_serial_bridge import SerialBridge, Settings, Stamps, protocol
from slipguard_serial_bridge.protocol import (
    DamagedLineError,
    Line,
    crc16,
    decode,
    encode,
)
from slipguard_serial_bridge.receiver import Receiver

from slipguard import ConfigError
from slipguard.plugin.host import Host
from slipguard.testing import ManualClock, make_config
from slipguard.testing.kit import SensorSourceContract

HOME = Path(__file__).parent.parent


class Board:
    """A microcontroller on the other end of a pseudo-terminal."""

    def __init__(self):
        self.inside, outside = os.openpty()
        os.set_blocking(self.inside, False)
        self.port = os.ttyname(outside)
        self._outside = outside
        self.sequence = 0
        self.clock_us = 0

    def send(self, step_us=5000, **groups):
        self.write(encode(self.sequence, self.clock_us, groups or {"c": (1, 2, 3, 4)}))
        self.sequence += 1
        self.clock_us += step_us

    def write(self, data):
        """Write, and wait until the other end has it: the kernel hands it over on its own time."""
        waiting = self._arrived()
        os.write(self.inside, data)
        until = time.monotonic() + 1.0
        while self._arrived() < waiting + len(data) and time.monotonic() < until:
            time.sleep(0.001)

    def _arrived(self):
        count = fcntl.ioctl(self._outside, termios.FIONREAD, b"\0" * 4)
        return int.from_bytes(count, sys.byteorder)

    def close(self):
        for handle in (self.inside, self._outside):
            if handle is not None:
                os.close(handle)


@pytest.fixture
def board():
    board = Board()
    board.sequence = 100
    yield board
    board.close()


@pytest.fixture
def clock():
    return ManualClock(50.0)


@pytest.fixture
def bridge(board, clock):
    settings = Settings(port=board.port, provides=("counts", "accel_mps2", "battery_v"))
    return SerialBridge(settings, clock=clock)


def begin(bridge, board):
    """Open, and get past the line that might have been cut."""
    bridge.open()
    board.write(b"\n")
    bridge.read()


class TestSerialBridge(SensorSourceContract):
    """The whole kit, over a pseudo-terminal."""

    section = "serial-bridge: {port: /dev/ttyACM0}"

    @pytest.fixture
    def source(self, bridge):
        return bridge

    @pytest.fixture
    def feed(self, board):
        return lambda: board.send(c=(1, 2, 3, 4), a=(0, 0, 9807), v=(11800,))

    @pytest.fixture
    def break_hardware(self, bridge, clock, monkeypatch):
        def unplug(broken):
            if broken:
                bridge._port.close()
                monkeypatch.setattr(bridge, "_make_port", lambda s: os.stat("/no/such/port"))
            else:
                monkeypatch.undo()

        return unplug


def test_the_checksum_is_the_published_one():
    """CRC-16/IBM-3740 (catalogue of parametrised CRC algorithms): check value 0x29B1."""
    assert crc16(b"123456789") == 0x29B1


def test_values_come_out_in_si_units(bridge, board, clock):
    """mm/s2 and mV become m/s2 and V; what is not asked for is left out."""
    begin(bridge, board)
    board.send(c=(10, -4, None, 9), a=(120, -30, 9807), g=(1, 2, 3), v=(11800,))
    reading = bridge.read()
    assert reading.counts == (10, -4, None, 9)
    assert reading.accel_mps2 == pytest.approx((0.120, -0.030, 9.807))
    assert reading.battery_v == pytest.approx(11.8)
    assert reading.gyro_radps is None


def test_of_several_lines_the_newest_value_counts(bridge, board):
    """A loop slower than the board sees where the wheels are now."""
    begin(bridge, board)
    board.send(c=(1, 1, 1, 1), v=(12000,))
    board.send(c=(2, 2, 2, 2))
    reading = bridge.read()
    assert reading.counts == (2, 2, 2, 2)
    assert reading.battery_v == pytest.approx(12.0)


def test_nothing_new_is_none_and_long_silence_a_failure(bridge, board, clock):
    """A dead board is reported, and well again with its next line."""
    begin(bridge, board)
    board.send()
    assert bridge.read() is not None
    assert bridge.read() is None
    assert bridge.health().failed == ()
    clock.advance(0.2)
    assert bridge.health().failed == bridge.provides
    assert bridge.health().message == "no good line for 0.20 s"
    board.send()
    bridge.read()
    assert bridge.health().failed == ()


def test_faults_are_counted(bridge, board):
    """Damaged, lost, repeated, begun anew: each in its own count, and good lines still count."""
    begin(bridge, board)
    board.send()
    board.sequence += 3
    board.send()
    board.sequence -= 1
    board.send()
    board.write(b"R 104 1 c 1 2 3 4 #0000\nhello\n")
    board.sequence = 5
    board.send(c=(9, 9, 9, 9))
    assert bridge.read().counts == (9, 9, 9, 9)
    assert bridge.health().counts == {
        "damaged_lines": 2,
        "lost_lines": 3,
        "repeated_lines": 1,
        "restarts": 1,
        "late_lines": 0,
    }


def test_an_unplugged_board_is_found_again(board, clock):
    """USB out and in: the reading fails, then goes on by itself."""
    ports = [board.port]

    def make_port(settings):
        from slipguard_serial_bridge import open_port

        return open_port(Settings(port=ports[0]))

    bridge = SerialBridge(Settings(port="x"), make_port, clock)
    begin(bridge, board)
    board.send()
    assert bridge.read() is not None
    bridge._port.close()  # what the system does when the device goes
    with pytest.raises(Exception, match="not open"):
        bridge.read()
    ports[0] = "/dev/no-such-port"
    with pytest.raises(OSError, match="no-such-port"):
        bridge.read()
    other = Board()
    ports[0] = other.port
    bridge.read()
    other.write(b"half a li\n")
    other.send(c=(7, 7, 7, 7))
    assert bridge.read().counts == (7, 7, 7, 7)
    bridge.close()
    other.close()


def test_a_line_that_was_late_is_counted(bridge, board, clock):
    """The board's own clock shows that a line waited somewhere."""
    begin(bridge, board)
    for _ in range(5):
        board.send(step_us=10_000)
        bridge.read()
        clock.advance(0.01)
    clock.advance(0.2)
    board.send()
    assert bridge.read().t_s == pytest.approx(clock() - 0.2, abs=0.001)
    assert bridge.health().counts["late_lines"] == 1


def test_time_stamps_follow_a_clock_that_runs_slow():
    """50 ppm of difference do not add up over an hour."""
    stamps = Stamps()
    for i in range(3600):
        t_s = stamps.of(Line(i, round(i * 1e6 * (1 - 50e-6)) % 2**32, {}), float(i))
    assert t_s == pytest.approx(3599.0, abs=0.01)


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.floats(0, 10)), min_size=1, max_size=50))
def test_time_stamps_are_in_order_and_never_in_the_future(steps):
    """Whatever the board's clock does, a line was not written after it arrived."""
    stamps, now_s, last_s = Stamps(), 0.0, -math.inf
    for clock_us, pause_s in steps:
        now_s += pause_s
        t_s = stamps.of(Line(0, clock_us, {}), now_s)
        assert last_s <= t_s <= now_s
        last_s = t_s


numbers = st.one_of(st.none(), st.integers(-(2**31), 2**31 - 1))
groups = st.fixed_dictionaries(
    {},
    optional={
        "c": st.tuples(numbers, numbers, numbers, numbers),
        "a": st.tuples(numbers, numbers, numbers),
        "v": st.tuples(numbers),
    },
)


@given(st.integers(0, 65535), st.integers(0, 2**32 - 1), groups)
def test_what_is_written_is_what_is_read(sequence, clock_us, written):
    """Encode, decode: the same numbers in SI units."""
    line = decode(encode(sequence, clock_us, written).rstrip(b"\n"))
    assert (line.sequence, line.clock_us) == (sequence, clock_us)
    if "c" in written:
        assert line.values["counts"] == written["c"]
    if "v" in written and written["v"][0] is not None:
        assert line.values["battery_v"] == pytest.approx(written["v"][0] / 1000)
    assert len(line.values) == len(written)


@given(st.integers(0, 59), st.integers(0, 7))
def test_one_flipped_bit_never_passes(at, bit):
    """The checksum finds every single-bit fault, wherever it strikes."""
    good = encode(17, 123456789, {"c": (1000, -2000, 3000, -4000)}).rstrip(b"\n")
    line = bytearray(good)
    at %= len(line)
    line[at] ^= 1 << bit
    checksum = good.rindex(b"#")
    if at > checksum and bytes(line).upper() == good.upper():
        return  # the other case of a hexadecimal digit is the same number
    with pytest.raises(DamagedLineError):
        decode(bytes(line))


@given(st.lists(groups, max_size=8), st.lists(st.integers(1, 40), min_size=1))
def test_any_pieces_give_the_same_lines(all_groups, pieces):
    """How the bytes are cut on their way makes no difference."""
    stream = b"\n" + b"".join(encode(i, i, g) for i, g in enumerate(all_groups))
    whole = Receiver().feed(stream)
    receiver, cut = Receiver(), []
    at = 0
    while at < len(stream):
        piece = pieces[at % len(pieces)]
        cut += receiver.feed(stream[at : at + piece])
        at += piece
    assert cut == whole
    assert len(whole) == len(all_groups)


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_rubbish_is_survived(pieces):
    """Noise on the line is counted, memory stays small, and a good line afterwards is good."""
    receiver = Receiver()
    for piece in pieces:
        receiver.feed(piece)
        assert len(receiver._pending) <= 500
    receiver.feed(b"\n")
    assert receiver.feed(encode(1, 1, {"v": (1,)}))[-1].values == {"battery_v": 0.001}


@pytest.mark.parametrize(
    "body",
    [
        b"R ",
        b"R 1 ",
        b"R 70000 1 ",
        b"R 1 -1 ",
        b"R 1 1 x 3 ",
        b"R 1 1 c 1 2 3 ",
        b"R 1 1 v 1 v 2 ",
        b"R 1 1 v 1.5 ",
        b"R 1 1 v  1 ",
        b"R 1 1 v \xff ",
    ],
)
def test_a_line_with_a_good_checksum_but_wrong_content_is_damaged(body):
    """A fault of the firmware does not become a measurement."""
    with pytest.raises(DamagedLineError):
        decode(body + f"#{crc16(body):04X}".encode())


def test_the_firmware_of_the_readme_writes_these_lines(tmp_path):
    """The C of the package, compiled, gives the same bytes as the protocol here."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler here")
    source = tmp_path / "line.c"
    source.write_text(
        '#include "slipguard_line.h"\n'
        "int main(void) { char line[120]; int32_t counts[4] = {10, -4, 2147483647, -2147483647};\n"
        "fwrite(line, 1, slipguard_line(line, sizeof line, 65535, 4294967295u, counts), stdout);\n"
        "char small[20]; return slipguard_line(small, sizeof small, 1, 1, counts); }\n"
    )
    program = tmp_path / "line"
    subprocess.run(
        [compiler, "-std=c99", "-Wall", "-Werror", f"-I{HOME / 'firmware'}", "-o", str(program),
         str(source)],
        check=True,
    )  # fmt: skip
    done = subprocess.run([str(program)], capture_output=True, check=True)
    assert done.stdout == encode(65535, 2**32 - 1, {"c": (10, -4, 2**31 - 1, -(2**31) + 1)})


def test_the_line_of_the_readme_is_one():
    """The example a builder compares with has the right checksum."""
    readme = (HOME / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"`(R 17 .*?)`", readme)
    assert decode(example.encode()).values == {"counts": (10, -4, 12, 9)}
    (example,) = re.findall(r"``(R 17 .*?)``", protocol.__doc__)
    assert decode(example.encode()).values["accel_mps2"] == pytest.approx((0.12, -0.03, 9.806))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{}", "port: missing; serial device"),
        ("{port: x, provides: []}", "provides: found [], expected some"),
        ("{port: x, provides: [count]}", "provides: found 'count', expected one of counts, "),
    ],
)
def test_wrong_settings_are_told_with_their_place(text, said):
    """Every mistake in the file names line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"serial-bridge: {text}"))
    assert str(caught.value).startswith(f"rover.yaml:6: plugins.serial-bridge.{said}")


def test_the_readme_example_works():
    """What the worked scenario says is what the plugin takes."""
    readme = (HOME / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    Host(make_config(yaml.safe_dump(yaml.safe_load(example)["plugins"])))
