"""What each tuned setting does when it is moved alone: as a table, and for machines."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from rich.console import Console

from slipguard.cli.console import table

if TYPE_CHECKING:
    from slipguard.tune import Sensitivity


def print_settings(
    screen: Console,
    settings: Iterable[Sensitivity[Any]],
    goals: str,
    moved: Callable[[Any, Any], str],
) -> None:
    """Values, and what each does when moved alone by a quarter.

    ``goals``: what ``moved`` tells of, in words; it is given what came of the recommended set and
    of the one in which the setting was moved.
    """
    shown = table(
        f"Settings, and what changes when one alone is a fifth lower or a quarter higher:\n{goals}",
        "setting", ">own", ">tuned", "unit", ">lower", ">higher",
    )  # fmt: skip
    for s in settings:
        t = s.threshold
        shown.add_row(
            f"{t.section}.{t.key}",
            f"{t.value:g}",
            f"{s.value:g}",
            t.unit,
            moved(s.at, s.at_lower) if s.lower != s.value else "at its limit",
            moved(s.at, s.at_higher) if s.higher != s.value else "at its limit",
        )
    screen.print(shown)


def settings_document(
    settings: Iterable[Sensitivity[Any]], numbers: Callable[[Any], dict[str, Any]]
) -> list[dict[str, Any]]:
    """The same for ``--json``; ``numbers``: by name, what came of a set."""
    return [
        {
            "setting": f"{s.threshold.section}.{s.threshold.key}",
            "value": s.value,
            "at": numbers(s.at),
            "lower": {"value": s.lower, **numbers(s.at_lower)},
            "higher": {"value": s.higher, **numbers(s.at_higher)},
        }
        for s in settings
    ]
