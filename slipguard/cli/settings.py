"""``slipguard settings``: every setting with unit, default and meaning."""

from __future__ import annotations

from dataclasses import MISSING
from itertools import chain, groupby
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from slipguard.budget import Hardware
from slipguard.cli.console import console, table
from slipguard.config import Config, SettingDoc, settings_table
from slipguard.live.settings import LiveSettings

OTHERS: dict[str, Any] = {"live": LiveSettings, "hardware": Hardware}


def settings(
    rover: Annotated[
        Path | None, typer.Option(help="Also show the values of this rover file.")
    ] = None,
) -> None:
    """List every setting of a rover file: unit, default, meaning."""
    config = Config.load(rover) if rover is not None else None
    out = console()
    every = chain(settings_table(), settings_table(OTHERS))
    for section, rows in groupby(every, key=lambda row: row.section):
        names = ["setting", "unit", "default", *(["this rover"] if config else []), "meaning"]
        shown = table(section, *names)
        for row in rows:
            cells = [Text(row.key), Text(row.unit), Text(_value(row.default))]
            if config is not None:
                other = OTHERS.get(section)
                owner = getattr(config, section) if other is None else other.of(config)
                value = getattr(owner, row.key)
                cells.append(Text(_value(value), style="" if value == row.default else "bold"))
            shown.add_row(*cells, Text(_meaning(row)))
        out.print(shown)
    out.print(
        "A setting without a default must be given. plugins and sim: see their own documents."
    )


def _value(value: Any) -> str:
    if value is MISSING:
        return "must be given"
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return f"[{', '.join(_value(v) for v in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _meaning(row: SettingDoc) -> str:
    if row.choices:
        return f"{row.doc} ({', '.join(row.choices)})"
    return row.doc
