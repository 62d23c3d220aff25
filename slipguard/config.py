"""Rover YAML -> validated, frozen settings. Every error names file, line and key."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from typing import Any, get_type_hints

from slipguard import settings
from slipguard.errors import ConfigError, SlipguardError
from slipguard.section import (
    BadValueError,
    Section,
    check_value,
    load_section,
    read_text,
    suggest,
)

LEAST_STEER_DEG = 2.0
"""An axle that steers turns by more; less is an angle in radians."""
CARRIED = ("plugins", "live", "sim", "hardware", "calibration")


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All settings of one rover, validated. Build it with ``Config.load``.

    ``plugins``, ``live``, ``sim`` and ``hardware`` are carried along unread, as ``Section``
    mappings that remember their lines: each plugin, the live loop, the simulator and the budget
    validate their own with ``Section.read``. ``calibration`` says where measured settings come
    from; nothing reads it.
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
    live: Mapping[str, Any] = field(default_factory=Section)
    sim: Mapping[str, Any] = field(default_factory=Section)
    hardware: Mapping[str, Any] = field(default_factory=Section)
    calibration: Mapping[str, Any] = field(default_factory=Section)

    @property
    def count_m(self) -> float:
        """Rim travel of one count, metres; 0 where the wheels report speeds."""
        if self.encoders.kind != "counts" or self.encoders.counts_per_rev is None:
            return 0.0
        return 2.0 * math.pi * self.rover.wheel_radius_m / self.encoders.counts_per_rev

    @classmethod
    def load(cls, path: str | os.PathLike[str], *patches: str | os.PathLike[str]) -> Config:
        """Read and validate a rover file.

        Parameters
        ----------
        path : path
        *patches : path, optional
            Files with settings to lay over it (``slipguard calibrate`` writes them); a later
            one wins.

        Raises
        ------
        ConfigError
            File, line and key; what was found and what was expected; a line for each mistake.
        """
        config = cls.parse(read_text(path, "rover file"), source=str(path))
        for patch in patches:
            config = _lay_over(config, load_section(read_text(patch, "patch"), str(patch)))
        return config

    @classmethod
    def parse(cls, text: str, source: str = "<text>") -> Config:
        """Validate a rover file text; ``source`` names it in errors."""
        return _read(load_section(text, source))

    def with_changes(self, **changes: Any) -> Config:
        """A copy with settings replaced, ``section__key=value``, validated again.

        >>> config.with_changes(spin__excess_travel_mm=5.0)     # doctest: +SKIP

        Raises
        ------
        ConfigError
            The setting; what was given and what was expected.
        """
        sections = {name: getattr(self, name) for name in _section_types()}
        for name, value in changes.items():
            section, _, key = name.partition("__")
            if section not in sections:
                raise ConfigError(f"{section}: unknown section{suggest(section, sections)}")
            sections[section] = _with_value(sections[section], section, key, value)
        config = replace(self, **sections)
        problems = [f"{section}.{key}: {problem}" for section, key, problem in _clashes(config)]
        if problems:
            raise ConfigError("\n".join(problems))
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


def settings_table(kinds: Mapping[str, Any] | None = None) -> Iterator[SettingDoc]:
    """Every setting with its unit, default and meaning. ``default`` is MISSING where required.

    ``kinds``: other sections than the guard's own, name to settings dataclass.
    """
    for section, kind in (_section_types() if kinds is None else kinds).items():
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
    return {f.name: hints[f.name] for f in fields(Config) if f.name not in CARRIED}


def _with_value(section: Any, name: str, key: str, value: Any) -> Any:
    declared = {f.name: f for f in fields(section)}
    if key not in declared:
        raise ConfigError(f"{name}.{key}: unknown key{suggest(key, declared)}")
    try:
        checked = check_value(value, declared[key], get_type_hints(type(section))[key])
    except BadValueError as err:
        raise ConfigError(f"{name}.{key}: {err}") from None
    return replace(section, **{key: checked})


def _clashes(config: Config) -> Iterator[tuple[str, str, str]]:
    """Settings that are each right but wrong together: section, key, what is expected."""
    if config.encoders.kind == "counts" and config.encoders.counts_per_rev is None:
        expected = "missing; expected counts per wheel revolution, e.g. 96 (or kind: speed)"
        yield "encoders", "counts_per_rev", expected
    rover = config.rover
    if rover.steered != "skid" and rover.max_steer_deg < LEAST_STEER_DEG:
        expected = f"expected a number from {LEAST_STEER_DEG:g} to 80 deg"
        if rover.max_steer_deg == 0.0:
            problem = f"missing; {expected}: the steer angle at full stick (or steered: skid)"
        else:
            deg = math.degrees(rover.max_steer_deg)
            problem = (
                f"found {rover.max_steer_deg:g}, {expected}; {rover.max_steer_deg:g} rad would be "
                f"{deg:.3g} deg"
            )
        yield "rover", "max_steer_deg", problem
    if 2.0 * rover.wheel_radius_m > rover.wheelbase_m:
        yield (
            "rover",
            "wheel_radius_m",
            f"found {rover.wheel_radius_m:g}, expected at most half of rover.wheelbase_m, which is "
            f"{rover.wheelbase_m:g} m: front and rear wheels would overlap; metres, and the "
            "radius, not the diameter",
        )


def _lay_over(config: Config, top: Section) -> Config:
    """``config`` with the settings of a patch."""
    kinds = _section_types()
    top.check_keys([*kinds, "calibration"])
    for name in kinds:
        for key, value in top.section(name).items() if name in top else ():
            try:
                config = config.with_changes(**{f"{name}__{key}": value})
            except ConfigError as err:
                problem = str(err).removeprefix(f"{name}.{key}: ")
                raise top.section(name).error(key, problem) from None
    return config


def _read(top: Section) -> Config:
    kinds = _section_types()
    if not top:
        raise top.error(None, "empty; expected sections rover, encoders and imu")
    problems: list[SlipguardError] = []
    with top.noted(problems):
        top.check_keys([*kinds, *CARRIED])
    misspelt = bool(problems)  # perhaps what seems to be missing
    values: dict[str, Any] = {}
    for name, kind in kinds.items():
        if name in top:
            with top.noted(problems):
                values[name] = top.section(name).read(kind)
        elif any(f.default is MISSING for f in fields(kind)) and not misspelt:
            problems.append(top.error(name, "missing; this section must be given"))
    for name in CARRIED:
        if name in top:
            with top.noted(problems):
                values[name] = top.section(name)
    top.refuse(problems)
    config = Config(**values)
    top.refuse(
        top.section(section).error(key, problem) for section, key, problem in _clashes(config)
    )
    return config
