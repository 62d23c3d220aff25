"""From a rover file to plugin objects: everything that can be checked before hardware moves."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

from slipguard.config import Config
from slipguard.errors import PluginError
from slipguard.plugin.contract import Actuator, SensorSource, check_object
from slipguard.plugin.discover import Plugin, discover, installed_names, one_line
from slipguard.plugin.register import BASES, Offer
from slipguard.section import Section, show, suggest

KIND = "plugin"
"""Key of a plugin's section that names the installed plugin, where the section is called
otherwise: one plugin can then be used several times.
"""


def kinds(plugins: Mapping[str, Any]) -> dict[str, str]:
    """The installed plugin that each section under ``plugins`` is for.

    Raises
    ------
    ConfigError
        Something that is no section, or no name: file, line and key.
    """
    wanted = _as_section(plugins)
    found: dict[str, str] = {}
    for name in wanted:
        section = wanted.section(name)
        kind = section.get(KIND, name)
        if not isinstance(kind, str):
            raise section.error(KIND, f"found {show(kind)}, expected the name of a plugin")
        found[name] = kind
    return found


def build(
    config: Config, plugins: Sequence[Plugin] | None = None
) -> tuple[tuple[Plugin, Any], ...]:
    """Build, but do not open, what the plugins named in a rover file bring.

    Parameters
    ----------
    config : Config
    plugins : sequence of Plugin, optional
        What is installed; when not given, the named ones are looked for and imported.

    Raises
    ------
    ConfigError
        A name that is not installed, or a bad setting: file, line and key.
    PluginError
        What cannot be loaded or built, and two plugins for one channel or measurement: a line
        for each, naming plugins and packages.
    """
    wanted = _as_section(config.plugins)
    uses = kinds(wanted)
    found = {p.name: p for p in (discover(uses.values()) if plugins is None else plugins)}
    known = tuple(found) if plugins is not None else ()
    made: list[tuple[Plugin, Any]] = []
    problems: list[str] = []
    for name, kind in uses.items():
        section = wanted.section(name)
        if kind not in found:
            problem = (
                f"no plugin of this name is installed{suggest(kind, known or installed_names())}"
            )
            raise section.error(KIND, problem) if KIND in section else wanted.error(name, problem)
        # Messages call it as the rover file does.
        plugin = dataclasses.replace(found[kind], name=name)
        if plugin.problem:
            problems.append(f"{plugin.label}: {plugin.problem}")
            continue
        for offer in plugin.offers:
            settings: Any = _settings(section).read(offer.settings)
            try:
                made.append((plugin, _make(plugin, offer, settings)))
            except PluginError as err:
                problems.append(f"{plugin.label}: {err}")
    problems += _conflicts(made)
    if problems:
        raise PluginError("\n".join(problems))
    return tuple(made)


def _make(plugin: Plugin, offer: Offer, settings: Any) -> Any:
    try:
        device = offer.build(settings)
    except PluginError:
        raise
    except (Exception, SystemExit) as err:
        raise PluginError(f"cannot be built: {one_line(err)}") from err
    base = BASES[offer.kind]
    if not isinstance(device, base):
        raise PluginError(f"built {device!r}, expected one derived from {base.__name__}")
    check_object(offer.kind, device)
    device.name = device.name or plugin.name
    return device


def _conflicts(made: Sequence[tuple[Plugin, Any]]) -> list[str]:
    """Two that serve one channel, or measure one thing: never a silent winner."""
    twice: dict[tuple[str, str], list[str]] = {}
    owners: dict[str, Plugin] = {}
    for plugin, device in made:
        for name in served(device):
            if name in owners:
                twice.setdefault((owners[name].label, plugin.label), []).append(name)
            owners[name] = plugin
    return [
        f"{', '.join(names)}: two plugins each: {first} and {second}; leave one out of the rover "
        "file, or give each channels of its own"
        for (first, second), names in twice.items()
    ]


def served(device: Any) -> tuple[str, ...]:
    """Channels of an actuator, fields of a sensor source; nothing for a sink."""
    if isinstance(device, Actuator):
        return device.channels
    return device.provides if isinstance(device, SensorSource) else ()


def _settings(section: Section) -> Section:
    """The section without the key that is ours."""
    if KIND not in section:
        return section
    values = {key: value for key, value in section.items() if key != KIND}
    lines = {key: line for key in values if (line := section.line_of(key)) is not None}
    return Section(values, source=section.source, path=section.path, line=section.line, lines=lines)


def _as_section(plugins: Mapping[str, Any]) -> Section:
    return plugins if isinstance(plugins, Section) else Section(plugins, path="plugins")
