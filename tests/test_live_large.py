"""What takes minutes: an hour of driving with faults. (What a round costs is measured, not tested:
`python tests/live_load.py`.)"""

from __future__ import annotations

import pytest
from live_soak import soak

pytestmark = pytest.mark.large


@pytest.mark.parametrize(
    ("replay", "minutes"), [(True, 60.0), (False, 20.0)], ids=["replayed", "simulated"]
)
def test_an_hour_of_driving_with_faults_at_random(replay, minutes):
    """No missed safe state, no leak of memory or threads, and the rover gets going again.

    An hour on recorded drives at ten times their speed; twenty minutes in closed loop.
    """
    share = minutes / 60.0
    result = soak(minutes, seed=1, replay=replay)
    assert result.violations == []
    assert result.growth_kib <= 1024
    assert result.threads == 0
    assert result.powered > 0.1 * result.rounds
    assert result.driven_m > 600.0 * share
    assert sum(result.injected.values()) > 200 * share
    assert result.stops > 100 * share
