"""The live loop on a desk: a source that is no hardware takes the place of every plugin that is.

Plugins that only pass on alerts stay; actuators and sensors the rover file names are not even
built, so a replayed or simulated drive never moves a real servo.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.live.clock import Clock
from slipguard.plugin import BRAKES, CHANNELS, THROTTLE, Actuator, Register, WhenSilent
from slipguard.plugin.build import kinds
from slipguard.plugin.discover import Plugin, discover
from slipguard.plugin.host import Host
from slipguard.section import Section

PACKAGE = "slipguard"


class DeskActuators(Actuator):
    """Motor and brakes that are no hardware: they keep the last command."""

    channels = CHANNELS
    when_silent = WhenSilent("releases")
    deadline_s = 1.0

    def __init__(self) -> None:
        self.throttle = 0.0
        self.brakes = (0.0, 0.0, 0.0, 0.0)

    def _open(self) -> None:
        self._safe_state("opening")

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        self.throttle = command[THROTTLE]
        fl, fr, rl, rr = (command[channel] for channel in BRAKES)
        self.brakes = (fl, fr, rl, rr)

    def _safe_state(self, reason: str) -> None:
        self.throttle, self.brakes = 0.0, (1.0, 1.0, 1.0, 1.0)

    def _close(self) -> None:
        pass


def host_for(
    config: Config, name: str, register: Register, clock: Clock, *, threads: bool = True
) -> Host:
    """A host with the plugin objects of ``register`` and the rover file's alert sinks."""
    uses, section = kinds(config.plugins), config.plugins
    sinks = {
        plugin.name: plugin
        for plugin in discover(uses.values())
        if plugin.problem or all(offer.kind == "alert sink" for offer in plugin.offers)
    }
    named = {use: section[use] for use, kind in uses.items() if kind in sinks}
    source = section.source if isinstance(section, Section) else "<settings>"
    plugins = Section({**named, name: {}}, source=source, path="plugins")
    made = Plugin(name=name, package=PACKAGE, offers=tuple(register.offers))
    desk = replace(config, plugins=plugins)
    return Host(desk, plugins=(made, *sinks.values()), clock=clock, threads=threads)
