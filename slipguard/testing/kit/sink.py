"""What every alert sink must do."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from slipguard.errors import PluginError
from slipguard.plugin.contract import AlertSink
from slipguard.testing.kit.common import PluginContract
from slipguard.testing.made_up import make_alert, make_decision


class AlertSinkContract(PluginContract):
    """Inherit, set ``section``, give the fixture ``sink``."""

    @pytest.fixture
    def sink(self) -> AlertSink:
        """REQUIRED: the sink, built and not yet opened, on something that receives."""
        pytest.fail(f"give {type(self).__name__} a fixture 'sink'")

    @pytest.fixture
    def opened(self, sink: AlertSink) -> Iterator[AlertSink]:
        """The sink, open; closed afterwards."""
        sink.open()
        yield sink
        sink.close()

    def test_refuses_alerts_before_it_is_open(self, sink: AlertSink) -> None:
        """An alert that goes nowhere must not look sent."""
        with pytest.raises(PluginError):
            sink.send(make_alert())

    def test_accepts_every_level(self, opened: AlertSink) -> None:
        """Information, warnings and critical alerts, with and without a wheel."""
        for level in ("info", "warning", "critical"):
            for wheel in (None, "fl"):
                opened.send(make_alert(level=level, wheel=wheel))

    def test_accepts_any_text(self, opened: AlertSink) -> None:
        """Long, empty, foreign and with control characters: error texts are like that."""
        for text in ("", "x" * 10_000, "Räder drehen durch 🛞", "\x1b[2J\r\n\x00", "\ud800"):
            opened.send(make_alert(text))

    def test_accepts_many(self, opened: AlertSink) -> None:
        """A bad minute."""
        for i in range(200):
            opened.send(make_alert(f"alert {i}", t_s=float(i)))

    def test_shows_the_state_if_it_says_so(self, opened: AlertSink) -> None:
        """A sink with state_period_s takes decisions."""
        if opened.state_period_s is None:
            pytest.skip("state_period_s is None: this sink shows alerts alone")
        assert opened.state_period_s > 0
        for i in range(10):
            opened.update(make_decision(i * 0.1, throttle=i / 10))

    def test_close_twice_is_fine_and_then_it_refuses(self, opened: AlertSink) -> None:
        """A closed sink says so."""
        opened.close()
        opened.close()
        with pytest.raises(PluginError):
            opened.send(make_alert())
