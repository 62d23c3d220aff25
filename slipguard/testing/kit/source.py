"""What every sensor source must do."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import pytest

from slipguard.errors import PluginError
from slipguard.plugin.contract import MEASURES, Health, SensorSource
from slipguard.reading import Reading
from slipguard.testing.kit.common import PluginContract, need, slept_s


class SensorSourceContract(PluginContract):
    """Inherit, set ``section``, give the fixture ``source``."""

    @pytest.fixture
    def source(self) -> SensorSource:
        """REQUIRED: the source, built on fake hardware and not yet opened."""
        pytest.fail(f"give {type(self).__name__} a fixture 'source'")

    @pytest.fixture
    def feed(self, source: SensorSource) -> Callable[[], None] | None:
        """A function that lets the fake hardware measure something new. None: cannot."""
        return None

    @pytest.fixture
    def break_hardware(self, source: SensorSource) -> Callable[[bool], None] | None:
        """A function that breaks the fake hardware (True) or mends it (False). None: cannot."""
        return None

    @pytest.fixture
    def opened(self, source: SensorSource) -> Iterator[SensorSource]:
        """The source, open; closed afterwards."""
        source.open()
        yield source
        source.close()

    def test_declares_what_it_provides(self, source: SensorSource) -> None:
        """The host can tell who measures what, before anything is opened."""
        assert source.provides
        assert set(source.provides) <= set(MEASURES)

    def test_refuses_to_read_before_it_is_open(self, source: SensorSource) -> None:
        """A closed source does not look like a sensor at rest."""
        with pytest.raises(PluginError):
            source.read()

    def test_reads_without_waiting_when_nothing_is_new(self, opened: SensorSource) -> None:
        """A quiet sensor does not stop the loop."""
        for _ in range(100):
            asked_s = slept_s(opened.read)
            assert asked_s < opened.deadline_s, (
                f"read sleeps {asked_s:g} s, its deadline is {opened.deadline_s:g} s: read in a "
                "thread of your own, or only what is there"
            )

    def test_reads_what_it_provides(
        self, opened: SensorSource, feed: Callable[[], None] | None
    ) -> None:
        """Every field it provides is filled within a hundred measurements, all finite."""
        measure = need(feed, "feed")
        filled = set()
        for _ in range(100):
            measure()
            reading = opened.read()
            if reading is None:
                continue
            assert math.isfinite(reading.t_s)
            for name in opened.provides:
                value = getattr(reading, name)
                if value is not None:
                    filled.add(name)
                    numbers = value if isinstance(value, tuple | list) else (value,)
                    assert all(number is None or math.isfinite(number) for number in numbers)
        assert filled == set(opened.provides)

    def test_time_does_not_go_back(
        self, opened: SensorSource, feed: Callable[[], None] | None
    ) -> None:
        """Readings come in order."""
        measure = need(feed, "feed")
        last_s = -math.inf
        for _ in range(50):
            measure()
            reading = opened.read()
            if reading is not None:
                assert reading.t_s >= last_s
                last_s = reading.t_s

    def test_a_hardware_fault_is_told_and_overcome(
        self,
        opened: SensorSource,
        feed: Callable[[], None] | None,
        break_hardware: Callable[[bool], None] | None,
    ) -> None:
        """A dead sensor raises, reports itself as failed, or counts; mended, it reads again."""
        measure = need(feed, "feed")
        breaks = need(break_hardware, "break_hardware")
        measure()
        opened.read()
        counted = dict(opened.health().counts)
        breaks(True)
        told = False
        for _ in range(50):
            try:
                measure()
                opened.read()
                health = opened.health()
                told = told or bool(health.failed) or dict(health.counts) != counted
            except Exception:
                told = True
        breaks(False)
        assert told, "fifty readings of broken hardware, and no complaint"
        readings: list[Reading | None] = []
        for _ in range(50):
            measure()
            readings.append(opened.read())
        assert any(reading is not None for reading in readings)

    def test_health_can_always_be_asked(self, opened: SensorSource) -> None:
        """Before and after the first reading."""
        assert isinstance(opened.health(), Health)
        opened.read()
        assert isinstance(opened.health(), Health)

    def test_close_twice_is_fine_and_then_it_refuses(self, opened: SensorSource) -> None:
        """A closed source says so."""
        opened.close()
        opened.close()
        with pytest.raises(PluginError):
            opened.read()
