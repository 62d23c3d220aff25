"""What takes minutes: long driving with faults. (What a round costs is measured, not tested:
`python tests/live_load.py`.)"""

from __future__ import annotations

import pytest
from live_soak import soak

pytestmark = pytest.mark.large


@pytest.mark.parametrize(
    ("replay", "minutes"), [(True, 10.0), (False, 5.0)], ids=["replayed", "simulated"]
)
def test_long_driving_with_faults_at_random(replay, minutes):
    """No missed safe state, no leak of memory or threads, and the rover gets going again.

    On recorded drives, and in closed loop. `python tests/live_soak.py` drives for an hour.
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
