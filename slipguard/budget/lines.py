"""A line of the budget, and how its verdict is found."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """Whether the design does what is asked."""

    ENOUGH = "enough"
    THIN = "thin"
    NOT_ENOUGH = "not enough"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One question and its answer.

    Attributes
    ----------
    name : str
        The question, in a few words; unique in a budget.
    formula : str
        How the answer is worked out, with the numbers.
    needed, has : float or None
        What is asked for and what the design has, in ``unit``; None where there is no such
        number.
    hangs_on : str
        The number the answer depends on most: key or option, and its value.
    verdict : Verdict
    change : str
        What to change, or which key to give; empty where nothing need be.
    at_most : bool
        ``has`` may be at most ``needed``; otherwise it must be at least that.
    agree : bool
        Both are the same number by two ways, and should be near each other.
    """

    name: str
    formula: str
    needed: float | None
    has: float | None
    unit: str
    hangs_on: str
    verdict: Verdict
    change: str
    at_most: bool = False
    agree: bool = False


def most_wanted(lines: Iterable[Line]) -> list[tuple[str, int]]:
    """The keys that lines not known ask for, with how many do; those of the most lines first."""
    unknown = [line.change for line in lines if line.verdict is Verdict.NOT_KNOWN]
    # Behind these stands what would do instead, or how to measure it.
    asked = (re.split(": |, or ", words, maxsplit=1)[0] for words in unknown)
    return Counter(key for words in asked for key in re.findall(r"\w+\.\w+", words)).most_common()


def at_least(has: float, needed: float, barely: float | None = None) -> Verdict:
    """Enough from ``needed`` up, thin from ``barely`` up (default: 80 % of ``needed``)."""
    barely = 0.8 * needed if barely is None else barely
    if has >= needed:
        return Verdict.ENOUGH
    return Verdict.THIN if has >= barely else Verdict.NOT_ENOUGH


def at_most(has: float, allowed: float, barely: float | None = None) -> Verdict:
    """Enough up to ``allowed``, thin up to ``barely`` (default: 125 % of ``allowed``)."""
    barely = 1.25 * allowed if barely is None else barely
    if has <= allowed:
        return Verdict.ENOUGH
    return Verdict.THIN if has <= barely else Verdict.NOT_ENOUGH
