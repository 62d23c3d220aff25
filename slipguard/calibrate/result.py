"""What a calibration step hands back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from slipguard.calibrate.samples import Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One number and how sure it is; ``sd`` is its standard deviation."""

    name: str
    value: float
    sd: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """The outcome of one step.

    Attributes
    ----------
    step, method : str
        Which, and how it was worked out, in one sentence.
    drives : tuple of Source
        The recordings it comes from.
    values : tuple of Value
    settings : mapping of "section.key" to value
        What belongs into the rover file.
    notes : tuple of str
        What the builder should know or mend; nothing that spoils the values.
    """

    step: str
    method: str
    drives: tuple[Source, ...]
    values: tuple[Value, ...]
    settings: Mapping[str, Any]
    notes: tuple[str, ...] = field(default=())

    def value(self, name: str) -> Value:
        """The value of that name."""
        return next(value for value in self.values if value.name == name)
