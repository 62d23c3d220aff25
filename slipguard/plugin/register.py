"""What a plugin says it brings: makers of objects, and the settings each needs."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal

from slipguard.errors import PluginError
from slipguard.plugin.contract import Actuator, AlertSink, SensorSource

OfferKind = Literal["actuator", "alert sink", "sensor source"]
BASES = {"actuator": Actuator, "alert sink": AlertSink, "sensor source": SensorSource}


@dataclass(frozen=True, slots=True, kw_only=True)
class NoSettings:
    """Settings of a plugin that has none: its section in the rover file is empty."""


@dataclass(frozen=True, slots=True)
class Offer:
    """One thing a plugin brings: its kind, how to build it and the settings it is built from."""

    kind: OfferKind
    make: Callable[..., Any]
    settings: type

    def build(self, settings: Any) -> Any:
        """The object; ``settings`` is an instance of what was registered."""
        return self.make() if self.settings is NoSettings else self.make(settings)


class Register:
    """Handed to ``slipguard_register``; notes what the plugin brings.

    Every ``make`` is called with one argument, an instance of the dataclass ``settings`` (with
    none when no settings are registered), and must not touch hardware: that is for ``open()`` of
    what it returns.
    """

    def __init__(self) -> None:
        self.offers: list[Offer] = []

    def actuator(self, make: Callable[..., Actuator], settings: type | None = None) -> None:
        """Something that moves: brakes, throttle."""
        self._add("actuator", make, settings)

    def alert_sink(self, make: Callable[..., AlertSink], settings: type | None = None) -> None:
        """Somewhere alerts go: a screen, a network."""
        self._add("alert sink", make, settings)

    def sensor_source(
        self, make: Callable[..., SensorSource], settings: type | None = None
    ) -> None:
        """Something that measures: wheels, motion."""
        self._add("sensor source", make, settings)

    def _add(self, kind: OfferKind, make: Callable[..., Any], settings: type | None) -> None:
        if settings is not None:
            _check_settings(kind, settings)
        _check_make(kind, make, settings)
        self.offers.append(Offer(kind, make, settings or NoSettings))


def _check_make(kind: OfferKind, make: Any, settings: type | None) -> None:
    if not callable(make):
        raise PluginError(
            f"registers {make!r} as {kind}; expected a class or function that builds one"
        )
    if inspect.isabstract(make):
        missing = ", ".join(sorted(make.__abstractmethods__))
        raise PluginError(f"{make.__name__} lacks {missing}")
    if inspect.isclass(make) and not issubclass(make, BASES[kind]):
        base = BASES[kind].__name__
        raise PluginError(
            f"{make.__name__} is registered as {kind} but does not derive from {base}"
        )
    arguments = () if settings is None else (object(),)
    try:
        inspect.signature(make).bind(*arguments)
    except TypeError:
        takes = (
            "no argument: no settings are registered"
            if settings is None
            else (f"one argument: its {settings.__name__}")
        )
        raise PluginError(f"{_name(make)}{inspect.signature(make)} must take {takes}") from None
    except ValueError:  # a builtin without a signature
        pass


def _check_settings(kind: OfferKind, settings: Any) -> None:
    if not (isinstance(settings, type) and is_dataclass(settings)):
        raise PluginError(f"registers {settings!r} as settings of its {kind}; expected a dataclass")
    for f in fields(settings):
        if f.name == "plugin":
            raise PluginError(
                f"{settings.__name__}.plugin: slipguard itself uses this key; choose another name"
            )
        if "doc" not in f.metadata:
            raise PluginError(f"{settings.__name__}.{f.name} is not declared with setting(...)")


def _name(make: Any) -> str:
    return getattr(make, "__name__", repr(make))
