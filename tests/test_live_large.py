"""What takes minutes: an hour of driving with faults, and the loop's load with every plugin."""

from __future__ import annotations

import pytest
from live_soak import soak

pytestmark = pytest.mark.large


def test_an_hour_of_driving_with_faults_at_random():
    """No missed safe state, no leak of memory or threads, and the rover gets going again."""
    result = soak(60.0, seed=1)
    assert result.violations == []
    assert result.growth_kib <= 1024
    assert result.threads == 0
    assert result.driven_m > 600.0
    assert sum(result.injected.values()) > 200
    assert result.stops > 100


def test_a_round_takes_a_fifth_of_its_period_at_most():
    """All plugins on mock hardware at 100 Hz: processor time of the loop's own thread."""
    pytest.importorskip("slipguard_servo_brake", reason="install the plugin packages for this")
    from live_load import RATE_HZ, measure

    found = measure(60.0)
    assert found["own_p999_s"] <= 0.2 / RATE_HZ
    assert found["driven"] > 4000
