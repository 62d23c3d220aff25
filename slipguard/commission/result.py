"""What became of one item."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

State = Literal["passed", "failed", "skipped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One item, judged.

    Attributes
    ----------
    key : str
        Of the item.
    state : str
        ``'passed'``, ``'failed'`` or ``'skipped'``.
    value : float or None
        The number that was compared; None when there was none to compare.
    low, high : float or None
        Its limits; None: no limit on that side.
    unit : str
    seen : str
        What was seen, in words.
    cause, remedy : str
        Of a failure: what is likely wrong, and what to do; why, of one that was skipped.
    """

    key: str
    state: State
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    seen: str = ""
    cause: str = ""
    remedy: str = ""

    @property
    def limits(self) -> str:
        """E.g. ``0.85 to 1.15 turns``, ``at most 0.05 turns``."""
        if self.low is not None and self.high is not None:
            return f"{self.low:g} to {self.high:g} {self.unit}"
        if self.low is not None:
            return f"at least {self.low:g} {self.unit}"
        return f"at most {self.high:g} {self.unit}" if self.high is not None else ""
