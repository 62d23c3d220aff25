"""Find installed plugins and ask each what it brings. One broken package is one line."""

from __future__ import annotations

import inspect
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import metadata
from typing import Any

import pluggy

from slipguard.errors import PluginError
from slipguard.plugin import hookspec
from slipguard.plugin.register import Offer, Register
from slipguard.section import suggest

HOOK = hookspec.slipguard_register.__name__


@dataclass(frozen=True, slots=True, kw_only=True)
class Plugin:
    """One installed plugin: what it brings, or what is wrong with it.

    Attributes
    ----------
    name : str
        The name a rover file uses, from the entry point.
    package : str
        Name and version of the package that brings it.
    offers : tuple of Offer
        Empty when it could not be loaded.
    problem : str or None
        One sentence.
    """

    name: str
    package: str
    offers: tuple[Offer, ...] = ()
    problem: str | None = None

    @property
    def label(self) -> str:
        """How messages call it: name and package."""
        return f"plugin {self.name} ({self.package})"


def discover(
    names: Iterable[str] | None = None,
    entry_points: Iterable[metadata.EntryPoint] | None = None,
) -> tuple[Plugin, ...]:
    """Load the installed plugins, sorted by name; never raises on a broken one.

    Parameters
    ----------
    names : iterable of str, optional
        Import only these; the others are not even imported.
    entry_points : iterable of importlib.metadata.EntryPoint, optional
        Where to look instead of the installed packages.
    """
    by_name = defaultdict(list)
    for entry_point in _installed() if entry_points is None else entry_points:
        by_name[entry_point.name].append(entry_point)
    wanted = None if names is None else set(names)
    return tuple(
        _load(name, found)
        for name, found in sorted(by_name.items())
        if wanted is None or name in wanted
    )


def installed_names() -> tuple[str, ...]:
    """Names of the installed plugins, without importing them."""
    return tuple(sorted({entry_point.name for entry_point in _installed()}))


def _installed() -> Iterable[metadata.EntryPoint]:
    return metadata.entry_points(group=hookspec.GROUP)


def _load(name: str, found: list[metadata.EntryPoint]) -> Plugin:
    packages = sorted({_package(entry_point) for entry_point in found})
    package = " and ".join(packages)
    if len(found) > 1:
        problem = f"the name is taken {len(found)} times: by {package}; uninstall all but one"
        return Plugin(name=name, package=package, problem=problem)
    try:
        offers = _offers(found[0])
    except PluginError as err:
        return Plugin(name=name, package=package, problem=str(err))
    return Plugin(name=name, package=package, offers=offers)


def _package(entry_point: metadata.EntryPoint) -> str:
    dist = entry_point.dist
    return f"{dist.name} {dist.version}" if dist is not None else "unknown package"


def _offers(entry_point: metadata.EntryPoint) -> tuple[Offer, ...]:
    """Import the plugin and call its hook.

    Each plugin gets a manager of its own, so that what one does wrong is told of that one.
    """
    try:
        plugin = entry_point.load()
    # SystemExit and the like too: a plugin must not end the program that looks at it.
    except (Exception, SystemExit) as err:
        raise PluginError(f"cannot import {entry_point.value}: {one_line(err)}") from err
    if inspect.isclass(plugin):
        raise PluginError(f"{entry_point.value} is a class; name the module that holds {HOOK}")
    manager = pluggy.PluginManager(hookspec.PROJECT)
    manager.add_hookspecs(hookspec)
    try:
        manager.register(plugin, entry_point.name)
        manager.check_pending()
    except pluggy.PluginValidationError as err:
        raise PluginError(_why_invalid(err, plugin)) from err
    if not manager.hook.slipguard_register.get_hookimpls():
        raise PluginError(_why_no_hook(plugin, entry_point.value))
    register = Register()
    try:
        manager.hook.slipguard_register(register=register)
    except PluginError:
        raise
    except (Exception, SystemExit) as err:
        raise PluginError(f"{HOOK} raised {one_line(err)}") from err
    if not register.offers:
        raise PluginError(f"{HOOK} registered nothing")
    return tuple(register.offers)


def _why_invalid(err: pluggy.PluginValidationError, plugin: Any) -> str:
    marked = [name for name in dir(plugin) if hasattr(getattr(plugin, name), _MARK)]
    for name in marked:
        if name != HOOK:
            return f"marks unknown hook {name!r}{suggest(name, [HOOK])}"
    function = getattr(plugin, HOOK, None)
    if callable(function):
        signature = inspect.signature(function)
        return f"{HOOK}{signature} has the wrong arguments; expected {HOOK}(register)"
    return one_line(err)


def _why_no_hook(plugin: Any, value: str) -> str:
    if callable(getattr(plugin, HOOK, None)):
        return f"{HOOK} is not marked: put @hookimpl above it"
    for name in dir(plugin):
        if name.startswith("slipguard_") and callable(getattr(plugin, name)):
            return f"has no {HOOK}; was {name!r} meant? Mark it with @hookimpl"
    return f"{value} has no {HOOK} marked with @hookimpl"


_MARK = f"{hookspec.PROJECT}_impl"
"""Attribute that pluggy's marker sets on a function."""


def one_line(err: BaseException) -> str:
    """An exception as one short line: its class and what it says."""
    text = " ".join(str(err).split())
    text = text if len(text) <= 300 else text[:297] + "..."
    return f"{type(err).__name__}: {text}" if text else type(err).__name__
