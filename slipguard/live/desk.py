"""The live loop on a desk: a source that is no hardware takes the place of every plugin that is.

Plugins that only pass on alerts stay; actuators and sensors the rover file names are not even
built, so a replayed or simulated drive never moves a real servo. Unless somebody asks for it by
name: then a brake moves on the bench as that of the simulated rover does.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.errors import ConfigError
from slipguard.live.clock import Clock
from slipguard.plugin import (
    BRAKES,
    CHANNELS,
    THROTTLE,
    Actuator,
    Register,
    SensorSource,
    WhenSilent,
)
from slipguard.plugin.build import build, kinds, served
from slipguard.plugin.discover import Plugin, discover
from slipguard.plugin.host import Host
from slipguard.section import Section

PACKAGE = "slipguard"


class DeskActuators(Actuator):
    """Motor and brakes that are no hardware: they keep the last command.

    ``channels`` become fewer when a plugin of the rover file serves some; ``follow`` then keeps
    what was sent to that one.
    """

    channels = CHANNELS
    when_silent = WhenSilent("releases")
    deadline_s = 1.0

    def __init__(self) -> None:
        self.throttle = 0.0
        self.brakes = (0.0, 0.0, 0.0, 0.0)

    def follow(self, sent: Decision) -> None:
        """Act as other plugins were told to, whatever their hardware made of it."""
        self.throttle = sent.throttle
        self.brakes = sent.brakes

    def _open(self) -> None:
        self._safe_state("opening")

    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        self.throttle = command.get(THROTTLE, self.throttle)
        fl, fr, rl, rr = (command.get(b, old) for b, old in zip(BRAKES, self.brakes, strict=True))
        self.brakes = (fl, fr, rl, rr)

    def _safe_state(self, reason: str) -> None:
        self.throttle, self.brakes = 0.0, (1.0, 1.0, 1.0, 1.0)

    def _close(self) -> None:
        pass


def host_for(
    config: Config,
    name: str,
    sensors: SensorSource,
    actuators: DeskActuators,
    clock: Clock,
    *,
    threads: bool = True,
    beside: Collection[str] = (),
) -> Host:
    """A host with these sensors and actuators, the rover file's alert sinks, and the actuators
    that ``beside`` names: they serve their channels in the place of ``actuators``.

    Raises
    ------
    ConfigError
        A name in ``beside`` that the rover file does not have, or that brings a sensor.
    PluginError
    """
    uses, section = kinds(config.plugins), config.plugins
    source = section.source if isinstance(section, Section) else "<settings>"
    for use in beside:
        if use not in uses:
            known = f"named there: {', '.join(uses)}" if uses else "none is named there"
            raise ConfigError(f"{source}: plugins.{use}: not in the rover file; {known}")
    found = {plugin.name: plugin for plugin in discover(uses.values())}

    def has_a_place(use: str, kind: str) -> bool:
        plugin = found.get(kind)
        return use in beside or (
            plugin is not None
            and (bool(plugin.problem) or all(o.kind == "alert sink" for o in plugin.offers))
        )

    named = {use: section[use] for use, kind in uses.items() if has_a_place(use, kind)}

    def rover(plugins: Mapping[str, object]) -> Config:
        return replace(config, plugins=Section(plugins, source=source, path="plugins"))

    taken: list[str] = []
    for plugin, device in build(rover({use: named[use] for use in beside}), tuple(found.values())):
        if isinstance(device, SensorSource):
            raise ConfigError(
                f"{source}: plugins.{plugin.name}: brings a sensor; beside a simulated or recorded "
                "drive only actuators can move"
            )
        taken += served(device)
    actuators.channels = tuple(channel for channel in CHANNELS if channel not in taken)
    register = Register()
    register.sensor_source(lambda: sensors)
    if actuators.channels:
        register.actuator(lambda: actuators)
    made = Plugin(name=name, package=PACKAGE, offers=tuple(register.offers))
    others = tuple(found[kind] for kind in {uses[use] for use in named} if kind in found)
    return Host(rover({**named, name: {}}), plugins=(made, *others), clock=clock, threads=threads)
