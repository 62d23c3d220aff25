"""Rover YAML -> validated, frozen settings. Every error names file, line and key."""

from __future__ import annotations

import difflib
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_type_hints

import yaml

from slipguard import settings
from slipguard.errors import ConfigError


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All settings of one rover, validated. Build it with ``Config.load``.

    ``plugins`` and ``sim`` are carried along unread: each plugin, and the simulator,
    validates its own section.
    """

    rover: settings.Rover
    encoders: settings.Encoders
    imu: settings.Imu
    brakes: settings.Brakes = field(default_factory=settings.Brakes)
    motor: settings.Motor = field(default_factory=settings.Motor)
    plugins: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    sim: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Config:
        """Read and validate a rover YAML file.

        Raises
        ------
        ConfigError
            File, line and key; what was found and what was expected.
        """
        path = Path(path)
        try:
            text = path.read_text(encoding="utf-8")
        except OSError as err:
            raise ConfigError(f"{path}: cannot read the rover file: {err.strerror}") from err
        except UnicodeDecodeError as err:
            raise ConfigError(f"{path}: not a UTF-8 text file (byte {err.start})") from err
        return cls.parse(text, source=str(path))

    @classmethod
    def parse(cls, text: str, source: str = "<text>") -> Config:
        """Validate a rover YAML text; ``source`` names it in errors."""
        return _Loader(source).config(text)

    def with_changes(self, **changes: Any) -> Config:
        """A copy with dotted settings replaced, validated again.

        >>> config.with_changes(spin__excess_travel_mm=5.0)     # doctest: +SKIP
        """
        sections: dict[str, Any] = {}
        for name, value in changes.items():
            section, _, key = name.partition("__")
            current = sections.get(section, getattr(self, section))
            sections[section] = replace(current, **{key: value})
        config = replace(self, **sections)
        for section in sections:
            _check_section(getattr(config, section), section)
        return config


@dataclass(frozen=True, slots=True)
class SettingDoc:
    """One row of the settings table."""

    section: str
    key: str
    unit: str
    default: Any
    doc: str
    choices: tuple[str, ...] | None
    low: float | None
    high: float | None


def settings_table() -> Iterator[SettingDoc]:
    """Every setting with its unit, default and meaning. ``default`` is MISSING where required."""
    for section, kind in _section_types().items():
        for f in fields(kind):
            meta = f.metadata
            yield SettingDoc(
                section=section,
                key=f.name,
                unit=meta["unit"],
                default=f.default,
                doc=meta["doc"],
                choices=meta["choices"],
                low=meta["low"] if meta["low"] is not None else meta["above"],
                high=meta["high"],
            )


def _section_types() -> dict[str, Any]:
    hints = get_type_hints(Config)
    return {f.name: hints[f.name] for f in fields(Config) if f.name not in ("plugins", "sim")}


class _Problem(Exception):
    """What is wrong with one value, before file and line are known."""


def _check_section(section: Any, name: str) -> None:
    for f in fields(section):
        try:
            _check_value(getattr(section, f.name), f, get_type_hints(type(section))[f.name])
        except _Problem as err:
            raise ConfigError(f"{name}.{f.name}: {err}") from None


def _check_value(value: Any, f: Field[Any], hint: Any) -> Any:
    meta = f.metadata
    if hint in (float, float | None):
        if value is None and hint != float:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise _Problem(f"found {value!r}, expected {_expected(meta)}")
        if not math.isfinite(value) or not _inside(value, meta):
            raise _Problem(f"found {value!r}, expected {_expected(meta)}")
        return float(value)
    if hint == settings.Triple:
        good = isinstance(value, list | tuple) and len(value) == 3
        if not good or not all(
            isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)
            for v in value
        ):
            raise _Problem(f"found {value!r}, expected three numbers, e.g. [0, 0, 0] {meta['unit']}")
        return tuple(float(v) for v in value)
    if hint is str:
        if value not in meta["choices"]:
            near = difflib.get_close_matches(str(value), meta["choices"], 1)
            hint_text = f"; did you mean {near[0]!r}?" if near else ""
            raise _Problem(
                f"found {value!r}, expected one of {', '.join(meta['choices'])}{hint_text}"
            )
        return value
    if hint is bool:
        if not isinstance(value, bool):
            raise _Problem(f"found {value!r}, expected true or false")
        return value
    raise AssertionError(f"no rule for settings of type {hint}")  # pragma: no cover


def _inside(value: float, meta: Mapping[str, Any]) -> bool:
    return (
        (meta["low"] is None or value >= meta["low"])
        and (meta["high"] is None or value <= meta["high"])
        and (meta["above"] is None or value > meta["above"])
    )


def _expected(meta: Mapping[str, Any]) -> str:
    unit = f" {meta['unit']}" if meta["unit"] else ""
    if meta["low"] is not None and meta["high"] is not None:
        return f"a number from {meta['low']:g} to {meta['high']:g}{unit}"
    if meta["low"] is not None:
        return f"a number of at least {meta['low']:g}{unit}"
    if meta["above"] is not None:
        limit = f" up to {meta['high']:g}" if meta["high"] is not None else ""
        return f"a number above {meta['above']:g}{limit}{unit}"
    return f"a number{unit}"


class _Loader:
    """One pass over the YAML node tree, so that every error knows its line."""

    def __init__(self, source: str) -> None:
        self.source = source

    def fail(self, node: yaml.Node | None, key: str, problem: str) -> ConfigError:
        line = f":{node.start_mark.line + 1}" if node is not None else ""
        what = f" {key}:" if key else ""
        return ConfigError(f"{self.source}{line}:{what} {problem}")

    def config(self, text: str) -> Config:
        try:
            root = yaml.compose(text, Loader=yaml.SafeLoader)
        except yaml.MarkedYAMLError as err:
            mark = err.problem_mark or err.context_mark
            line = f":{mark.line + 1}" if mark else ""
            raise ConfigError(f"{self.source}{line}: not valid YAML: {err.problem}") from err
        except yaml.YAMLError as err:
            raise ConfigError(f"{self.source}: not valid YAML: {err}") from err
        if root is None:
            raise ConfigError(f"{self.source}: empty; expected sections rover, encoders and imu")
        types = _section_types()
        nodes = self.mapping(root, "", [*types, "plugins", "sim"])
        values: dict[str, Any] = {}
        for name, kind in types.items():
            if name in nodes:
                values[name] = self.section(nodes[name], name, kind)
            elif any(f.default is MISSING for f in fields(kind)):
                raise self.fail(None, name, "missing; this section must be given")
        for name in ("plugins", "sim"):
            if name in nodes:
                self.mapping(nodes[name], name, None)
                values[name] = MappingProxyType(self.plain(nodes[name]))
        config = Config(**values)
        encoders = config.encoders
        if encoders.kind == "counts" and encoders.counts_per_rev is None:
            raise self.fail(
                nodes["encoders"],
                "encoders.counts_per_rev",
                "missing; expected counts per wheel revolution, e.g. 96 (or kind: speed)",
            )
        return config

    def mapping(
        self, node: yaml.Node, prefix: str, known: list[str] | None
    ) -> dict[str, yaml.Node]:
        where = prefix or "top level"
        if not isinstance(node, yaml.MappingNode):
            raise self.fail(node, where, "expected a section of keys, e.g. {key: value}")
        found: dict[str, yaml.Node] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value)
            name = f"{prefix}.{key}" if prefix else key
            if known is not None and key not in known:
                near = difflib.get_close_matches(key, known, 1, cutoff=0.5)
                hint = f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(known)}"
                raise self.fail(key_node, name, f"unknown key{hint}")
            if key in found:
                raise self.fail(key_node, name, "given twice")
            found[key] = value_node
        return found

    def section(self, node: yaml.Node, name: str, kind: Any) -> Any:
        nodes = self.mapping(node, name, [f.name for f in fields(kind)])
        hints = get_type_hints(kind)
        values: dict[str, Any] = {}
        for f in fields(kind):
            if f.name in nodes:
                value_node = nodes[f.name]
                try:
                    values[f.name] = _check_value(self.plain(value_node), f, hints[f.name])
                except _Problem as err:
                    raise self.fail(value_node, f"{name}.{f.name}", str(err)) from None
            elif f.default is MISSING:
                raise self.fail(
                    node, f"{name}.{f.name}", f"missing; {f.metadata['doc']} must be given"
                )
        return kind(**values)

    def plain(self, node: yaml.Node) -> Any:
        """The node as plain Python values."""
        loader = yaml.SafeLoader("")
        try:
            return loader.construct_object(node, deep=True)  # type: ignore[no-untyped-call]
        except yaml.YAMLError as err:
            raise self.fail(node, "", f"cannot read this value: {err}") from err
        finally:
            loader.dispose()  # type: ignore[no-untyped-call]
