"""Wheel encoders on pins: the conformance kit, and edges against counts."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml
from gpiod import EdgeEvent
from gpiod.line import Value
from hypothesis import given
from hypothesis import strategies as st
from slipguard_quadrature_gpio import (
    KERNEL_EVENTS,
    Encoder,
    QuadratureGpio,
    Settings,
    request_lines,
)
from slipguard_quadrature_gpio.decoder import STEP, QuadratureDecoder

from slipguard import ConfigError
from slipguard.plugin.host import Host
from slipguard.testing import ManualClock, make_config
from slipguard.testing.kit import SensorSourceContract

WHEELS = {
    "fl": Encoder(a=5, b=6),
    "fr": Encoder(a=12, b=13, reverse=True),
    "rl": Encoder(a=16),
}
RISING, FALLING = 1, 2
CYCLE = ((0, 0), (1, 0), (1, 1), (0, 1))
"""(A, B) of a wheel turning forward: 90 degrees apart, A first."""


class FakeLines:
    """The kernel's side: levels, edges with number and time stamp, a buffer that overflows."""

    def __init__(self, lines):
        self.levels = dict.fromkeys(lines, 0)
        self.numbers = dict.fromkeys(lines, 0)
        self.events = []
        self.now_ns = 1_000_000_000
        self.broken = False
        self.released = False
        self.phase = {}

    # -- the wheels -----------------------------------------------------------------------

    def set(self, line, level, after_us=500):
        """A line changes; the kernel notes the edge."""
        self.now_ns += round(after_us * 1000)
        if self.levels[line] == level:
            return
        self.levels[line] = level
        self.numbers[line] += 1
        kind = RISING if level else FALLING
        self.events.append(EdgeEvent(kind, self.now_ns, line, 0, self.numbers[line]))
        if len(self.events) > KERNEL_EVENTS:
            self.events.pop(0)  # the kernel drops the oldest

    def turn(self, encoder, quarters):
        """Turn a wheel by quarters of a cycle, forward or back."""
        for _ in range(abs(quarters)):
            phase = self.phase.get(encoder.a, 0) + (1 if quarters > 0 else -1)
            self.phase[encoder.a] = phase
            a, b = CYCLE[phase % 4]
            self.set(encoder.a, a)
            self.set(encoder.b, b)

    # -- gpiod ----------------------------------------------------------------------------

    def get_values(self, offsets):
        return [Value.ACTIVE if self.levels[o] else Value.INACTIVE for o in offsets]

    def wait_edge_events(self, timeout):
        assert timeout == 0
        if self.broken:
            raise OSError(19, "No such device")
        return bool(self.events)

    def read_edge_events(self, max_events):
        taken, self.events = self.events[:max_events], self.events[max_events:]
        return taken

    def release(self):
        self.released = True


@pytest.fixture
def lines():
    return FakeLines([5, 6, 12, 13, 16])


@pytest.fixture
def encoders(lines):
    return QuadratureGpio(Settings(wheels=WHEELS), lambda settings: lines, ManualClock())


class TestQuadratureGpio(SensorSourceContract):
    """The whole kit on fake lines."""

    section = "quadrature-gpio: {wheels: {fl: {a: 5, b: 6}}}"

    @pytest.fixture
    def source(self, encoders):
        return encoders

    @pytest.fixture
    def feed(self, lines):
        return lambda: lines.turn(WHEELS["fl"], 3)

    @pytest.fixture
    def break_hardware(self, lines):
        return lambda broken: setattr(lines, "broken", broken)


@given(st.lists(st.tuples(st.sampled_from(["fl", "fr"]), st.integers(-9, 9)), max_size=30))
def test_every_quarter_of_every_cycle_is_one_count(turns):
    """Back and forth, on both wheels, read at any moments: never a count more or less."""
    lines = FakeLines([5, 6, 12, 13, 16])
    expected = {"fl": 0, "fr": 0}
    with QuadratureGpio(Settings(wheels=WHEELS), lambda s: lines) as encoders:
        for wheel, quarters in turns:
            lines.turn(WHEELS[wheel], quarters)
            expected[wheel] += quarters
            counts = encoders.read().counts
            assert counts == (expected["fl"], -expected["fr"], 0, None)
        assert set(encoders.health().counts.values()) == {0}


def test_one_turn_of_the_wheel_in_the_readme(lines, encoders):
    """24 cycles a turn are 96 counts."""
    with encoders:
        lines.turn(WHEELS["fl"], 24 * 4)
        assert encoders.read().counts[0] == 96


def test_the_table_is_the_gray_code():
    """Every transition changes one bit, back is forward reversed, and 8 of 16 exist."""
    assert len(STEP) == 8
    for (a, b, c, d), step in STEP.items():
        assert abs(a - c) + abs(b - d) == 1
        assert STEP[(c, d, a, b)] == -step
    forward = [CYCLE[i] + CYCLE[(i + 1) % 4] for i in range(4)]
    assert [STEP[f] for f in forward] == [1, 1, 1, 1]


def test_one_channel_counts_every_edge_up(lines, encoders):
    """Without channel B there is no direction; two counts a pulse."""
    with encoders:
        for _ in range(10):
            lines.set(16, 1)
            lines.set(16, 0)
        assert encoders.read().counts[2] == 20


def test_levels_at_the_start_are_not_edges(lines, encoders):
    """A wheel that stands on a high level begins at count 0, and its next edge counts."""
    lines.levels[5] = 1
    lines.phase[5] = 1
    with encoders:
        assert encoders.read().counts[0] == 0
        lines.turn(WHEELS["fl"], 1)
        assert encoders.read().counts[0] == 1


def test_an_edge_that_cannot_be_is_counted_as_a_fault(lines, encoders):
    """A lost edge leaves a trace, and counting goes on."""
    with encoders:
        lines.turn(WHEELS["fl"], 8)
        encoders.read()
        lines.turn(WHEELS["fl"], 4)
        del lines.events[1]
        encoders.read()
        counts = encoders.health().counts
        assert counts["invalid_transitions"] == 1
        assert counts["lost_edges"] == 1
        before = encoders.read().counts[0]
        lines.turn(WHEELS["fl"], 40)
        assert encoders.read().counts[0] == before + 40


def test_a_buffer_that_overflowed_is_told_by_how_much(lines, encoders):
    """The kernel's numbers say how many edges are missing."""
    with encoders:
        lines.turn(WHEELS["fl"], 4)
        encoders.read()
        lines.turn(WHEELS["fl"], KERNEL_EVENTS + 100)
        encoders.read()
        assert encoders.health().counts["lost_edges"] == 100


def test_noise_is_suspicious_by_its_time_stamps(lines, encoders):
    """Edges a few microseconds apart are no wheel."""
    with encoders:
        for _ in range(5):
            lines.set(5, 1, after_us=400)
            lines.set(5, 0, after_us=3)
        encoders.read()
        assert encoders.health().counts["suspicious_edges"] == 5
        assert encoders.read().counts[0] == 0


def test_a_line_that_oscillates_does_not_hold_up_the_loop(lines, encoders):
    """One reading takes a limited number of edges, whatever comes."""
    with encoders:
        lines.wait_edge_events = lambda timeout: True
        endless = [EdgeEvent(RISING, 0, 5, 0, 1)] * KERNEL_EVENTS
        lines.read_edge_events = lambda most: endless
        encoders.read()


def test_standing_wheels_are_news(encoders):
    """Equal counts are reported again: None would mean that nothing is known."""
    with encoders:
        assert encoders.read().counts == encoders.read().counts == (0, 0, 0, None)


def test_a_chip_that_is_not_there_is_an_error_of_the_system():
    """The real library is asked with settings it takes; only the device is missing here."""
    with pytest.raises(FileNotFoundError):
        request_lines(Settings(wheels=WHEELS, chip="/dev/no-such-gpiochip"))


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 1)), max_size=100))
def test_any_edges_at_all_are_survived(edges):
    """Rubbish moves the count by at most one an edge and is counted."""
    decoder = QuadratureDecoder(0, 0)
    for channel, level in edges:
        before = decoder.count, decoder.invalid
        decoder.edge(channel, level)
        moved, marked = abs(decoder.count - before[0]), decoder.invalid - before[1]
        assert moved + marked == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("wheels: {}", "wheels: found none"),
        ("wheels: {fl: {a: 5, b: 5}}", "wheels: fl.a and fl.b are on one line, 5"),
        ("wheels: {fl: {a: 5, reverse: true}}", "wheels.fl.reverse: found true, expected channel"),
        ("bias: up\n  wheels: {fl: {a: 5}}", "bias: found 'up', expected one of as_is, disabled"),
    ],
)
def test_wrong_settings_are_told_with_their_place(text, said):
    """Every mistake in the file, down to one encoder, names line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"quadrature-gpio:\n  {text}"))
    assert str(caught.value).startswith(f"rover.yaml:7: plugins.quadrature-gpio.{said}")


def test_the_readme_example_works():
    """What the worked scenario says is what the plugin takes."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    Host(make_config(yaml.safe_dump(yaml.safe_load(example)["plugins"])))
