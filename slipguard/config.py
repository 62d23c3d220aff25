"""Rover YAML -> validated, frozen settings. Every error names file, line and key."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, get_type_hints

from slipguard import settings
from slipguard.errors import ConfigError
from slipguard.section import BadValueError, Section, check_value, load_section


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All settings of one rover, validated. Build it with ``Config.load``.

    ``plugins`` and ``sim`` are carried along unread, as ``Section`` mappings that remember
    their lines: each plugin, and the simulator, validates its own with ``Section.read``.
    """

    rover: settings.Rover
    encoders: settings.Encoders
    imu: settings.Imu
    brakes: settings.Brakes = field(default_factory=settings.Brakes)
    motor: settings.Motor = field(default_factory=settings.Motor)
    spin: settings.Spin = field(default_factory=settings.Spin)
    rolling: settings.Rolling = field(default_factory=settings.Rolling)
    hold: settings.HoldSettings = field(default_factory=settings.HoldSettings)
    limits: settings.Limits = field(default_factory=settings.Limits)
    plugins: Mapping[str, Any] = field(default_factory=Section)
    sim: Mapping[str, Any] = field(default_factory=Section)

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
        return _read(load_section(text, source))

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


def _check_section(section: Any, name: str) -> None:
    for f in fields(section):
        try:
            check_value(getattr(section, f.name), f, get_type_hints(type(section))[f.name])
        except BadValueError as err:
            raise ConfigError(f"{name}.{f.name}: {err}") from None


def _read(top: Section) -> Config:
    kinds = _section_types()
    if not top:
        raise top.error(None, "empty; expected sections rover, encoders and imu")
    top.check_keys([*kinds, "plugins", "sim"])
    values: dict[str, Any] = {}
    for name, kind in kinds.items():
        if name in top:
            values[name] = top.section(name).read(kind)
        elif any(f.default is MISSING for f in fields(kind)):
            raise top.error(name, "missing; this section must be given")
    for name in ("plugins", "sim"):
        if name in top:
            values[name] = top.section(name)
    config = Config(**values)
    if config.encoders.kind == "counts" and config.encoders.counts_per_rev is None:
        raise top.section("encoders").error(
            "counts_per_rev",
            "missing; expected counts per wheel revolution, e.g. 96 (or kind: speed)",
        )
    return config
