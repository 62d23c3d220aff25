"""For plugin authors: a mock actuator, made-up decisions, a clock that tests move by hand, a fake
I2C bus.

The conformance kit is ``slipguard.testing.kit``; it needs pytest.
"""

from slipguard.testing.clock import ManualClock
from slipguard.testing.i2c import serve_i2c
from slipguard.testing.made_up import (
    make_alert,
    make_config,
    make_decision,
    make_estimate,
    make_plugin,
)
from slipguard.testing.mock_actuator import MockActuator, MockSettings

__all__ = [
    "ManualClock",
    "MockActuator",
    "MockSettings",
    "make_alert",
    "make_config",
    "make_decision",
    "make_estimate",
    "make_plugin",
    "serve_i2c",
]
