"""Where commands print: at most 100 columns, the same text on a terminal and in a file."""

from __future__ import annotations

import os
import sys

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

WIDTH = 100


class _Console(Console):
    """Takes a closed pipe (``| head``) as: enough, thank you."""

    def on_broken_pipe(self) -> None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0)


def console() -> Console:
    """A console on standard output, no wider than ``WIDTH``."""
    width = min(WIDTH, Console().width) if sys.stdout.isatty() else WIDTH
    return _Console(width=width, highlight=False, markup=False)


def table(title: str, *columns: str) -> Table:
    """An empty table. A column whose name starts with ``>`` is aligned to the right."""
    result = Table(
        title=Text(title, style="bold"), title_justify="left", box=SIMPLE_HEAD, pad_edge=False
    )
    for name in columns:
        right = name.startswith(">")
        result.add_column(name.removeprefix(">"), justify="right" if right else "left")
    return result
