"""slipguard: slip, roll-away and hill-hold decisions for remotely driven rovers."""

from slipguard.config import Config
from slipguard.decision import Alert, Decision, Hold
from slipguard.errors import ConfigError, PluginError, RecordingError, SlipguardError
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.guard import Guard
from slipguard.plugin.hookspec import hookimpl
from slipguard.reading import WHEELS, Reading

__all__ = [
    "WHEELS",
    "Alert",
    "Config",
    "ConfigError",
    "Decision",
    "Estimate",
    "Finding",
    "Guard",
    "Hold",
    "PluginError",
    "Reading",
    "RecordingError",
    "SlipguardError",
    "hookimpl",
]
