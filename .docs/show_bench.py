"""Puts the table of ``slipguard bench`` into the README: ``python .docs/show_bench.py``.

Numbers of the machine it runs on; close what else uses the processor. Takes a minute or two.
"""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

from slipguard.cli import main

HOME = Path(__file__).parent.parent
README = HOME / "README.md"
DRIVE = HOME / "replay" / "wet_clay_uphill.csv.gz"
BLOCK = re.compile(r"(?<=<!-- bench: python \.docs/show_bench\.py -->\n).*?(?=<!-- end -->)", re.S)


def measured() -> str:
    """What the command prints."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        code = main(["bench", str(DRIVE)])
    if code:
        raise SystemExit(code)
    return printed.getvalue().strip() + "\n"


if __name__ == "__main__":
    text = README.read_text(encoding="utf-8")
    after, count = BLOCK.subn(lambda _: measured(), text)
    if count != 1:
        raise SystemExit(f"README.md: {count} places for the table, expected one")
    README.write_text(after, encoding="utf-8", newline="\n")
