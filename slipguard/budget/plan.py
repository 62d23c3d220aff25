"""The whole budget of one design."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from slipguard.budget.hardware import Hardware
from slipguard.budget.holding import holding_lines
from slipguard.budget.lines import Line
from slipguard.budget.moving import moving_lines
from slipguard.budget.power import power_lines
from slipguard.budget.sensing import sensing_lines
from slipguard.budget.wishes import Wishes
from slipguard.config import Config
from slipguard.section import load_section, read_text


@dataclass(frozen=True, slots=True)
class Design:
    """A rover file, and which of its keys were written down: ``{"brakes.max_torque_nm", ...}``."""

    config: Config
    given: frozenset[str]


def load(path: str | os.PathLike[str]) -> Design:
    """Read a rover file.

    Raises
    ------
    ConfigError
        File, line and key; what was found and what was expected.
    """
    text = read_text(path, "rover file")
    config = Config.parse(text, source=str(path))
    return Design(config, frozenset(_keys(load_section(text, str(path)), "")))


def _keys(section: Mapping[str, object], path: str) -> Iterator[str]:
    for key, value in section.items():
        if isinstance(value, Mapping):
            yield from _keys(value, f"{path}{key}.")
        else:
            yield f"{path}{key}"


def budget(design: Design, wishes: Wishes | None = None) -> list[Line]:
    """Every line of the budget, in the order in which a builder chooses parts.

    Raises
    ------
    ConfigError
        The section ``hardware`` of the rover file is wrong.
    """
    wishes = Wishes() if wishes is None else wishes
    config, hardware, given = design.config, Hardware.of(design.config), design.given
    return [
        *holding_lines(config, hardware, given, wishes),
        *sensing_lines(config, hardware, given, wishes),
        *moving_lines(config, hardware, given, wishes),
        *power_lines(config, hardware, given, wishes),
    ]
