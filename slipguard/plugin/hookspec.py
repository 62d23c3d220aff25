"""The one hook: how a plugin hands over what it brings."""

from __future__ import annotations

import pluggy

from slipguard.plugin.register import Register

PROJECT = "slipguard"
GROUP = "slipguard.plugins"
"""Entry-point group in which an installed package names its plugins."""

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def slipguard_register(register: Register) -> None:
    """Say what this plugin brings. Called once, before anything is built; must do no I/O.

    ``register.actuator(make, Settings)``, ``register.alert_sink(make, Settings)`` and
    ``register.sensor_source(make, Settings)`` take a class (or a function) that builds the
    object from its validated settings. The object is built once, when a rover file names the
    plugin under ``plugins:``; from then on the host calls its methods, never this hook.
    """
