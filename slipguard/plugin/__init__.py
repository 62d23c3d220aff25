"""What a plugin author needs: the hook marker, the base classes and the settings declaration.

The host side (``discover``, ``host``) is imported from its own modules.
"""

from slipguard.plugin.contract import (
    BRAKES,
    CHANNELS,
    DRIVER,
    HEALTHY,
    MEASURES,
    THROTTLE,
    Actuator,
    AlertSink,
    Health,
    SensorSource,
    WhenSilent,
)
from slipguard.plugin.hookspec import hookimpl
from slipguard.plugin.register import Register
from slipguard.settings import setting

__all__ = [
    "BRAKES",
    "CHANNELS",
    "DRIVER",
    "HEALTHY",
    "MEASURES",
    "THROTTLE",
    "Actuator",
    "AlertSink",
    "Health",
    "Register",
    "SensorSource",
    "WhenSilent",
    "hookimpl",
    "setting",
]
