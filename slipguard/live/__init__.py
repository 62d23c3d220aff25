"""The live loop on the rover: clock, sockets, threads and disk live here.

    from slipguard import Config
    from slipguard.live import Loop

    with Loop(Config.load("rover.yaml")) as loop:
        loop.run()

The same loop runs on a desk with ``slipguard.live.replayed`` and ``slipguard.live.simulated``.
"""

from slipguard.errors import ArmingError
from slipguard.live.clock import Clock, MonotonicClock, VirtualClock
from slipguard.live.command import Command, Receiver
from slipguard.live.command_input import CommandInput, Operator, read_key
from slipguard.live.loop import Loop, Round, make_recorder
from slipguard.live.pace import Timing
from slipguard.live.recorder import Recorder
from slipguard.live.settings import LiveSettings
from slipguard.live.signals import stop_on_signals
from slipguard.live.watchdog import Watchdog

__all__ = [
    "ArmingError",
    "Clock",
    "Command",
    "CommandInput",
    "LiveSettings",
    "Loop",
    "MonotonicClock",
    "Operator",
    "Receiver",
    "Recorder",
    "Round",
    "Timing",
    "VirtualClock",
    "Watchdog",
    "make_recorder",
    "read_key",
    "stop_on_signals",
]
