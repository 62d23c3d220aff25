"""The conformance kit: what every actuator plugin must do, as tests an author inherits.

    class TestMyBrake(ActuatorContract):
        section = "my-brake: {pin: 17}"          # how a rover file names it, with good settings

        @pytest.fixture
        def actuator(self):
            return MyBrake(Settings(pin=17))     # built on fake hardware, not opened

That is enough. Fixtures with a default (``outputs``, ``break_hardware``) say more about the fake
hardware and switch on the tests that need it; without them those tests are skipped and say so.
"""

import pytest

# So that a failing assert in the kit shows the values it compared.
pytest.register_assert_rewrite(
    "slipguard.testing.kit.actuator",
    "slipguard.testing.kit.common",
    "slipguard.testing.kit.sink",
    "slipguard.testing.kit.source",
)

from slipguard.testing.kit.actuator import ActuatorContract  # noqa: E402
from slipguard.testing.kit.sink import AlertSinkContract  # noqa: E402
from slipguard.testing.kit.source import SensorSourceContract  # noqa: E402

__all__ = ["ActuatorContract", "AlertSinkContract", "SensorSourceContract"]
