"""Puts what ``slipguard bench`` prints into DEVELOPERS.md, and the table of its engines into
README.md: ``python .docs/show_bench.py``.

Numbers of the machine it runs on; close what else uses the processor. Takes a minute or two.
"""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

from slipguard.cli import main

HOME = Path(__file__).parent.parent
DRIVE = HOME / "replay" / "wet_clay_uphill.csv.gz"
ENGINES = re.compile(r"^\| engine \|.*?\n(?=\n)", re.S | re.M)
BLOCK = re.compile(r"(?<=<!-- bench: python \.docs/show_bench\.py -->\n).*?(?=<!-- end -->)", re.S)


def measured() -> str:
    """What the command prints."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        code = main(["bench", str(DRIVE)])
    if code:
        raise SystemExit(code)
    return printed.getvalue().strip() + "\n"


def place(table: str, path: Path) -> None:
    """Put a table between the marks of a document."""
    after, count = BLOCK.subn(lambda _: table, path.read_text(encoding="utf-8"))
    if count != 1:
        raise SystemExit(f"{path.name}: {count} places for the table, expected one")
    path.write_text(after, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    printed = measured()
    engines = ENGINES.search(printed)
    if engines is None:
        raise SystemExit("slipguard bench prints no table of its engines")
    for name, table in (("DEVELOPERS.md", printed), ("README.md", engines[0])):
        place(table, HOME / name)
