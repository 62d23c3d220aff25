"""Puts the output of the README's first command into the README: ``python .docs/show_replay.py``.

Shortened: without the lines about the vehicle, the hill hold and the alerts. To be run when a
change of slipguard changes that output; tests/test_docs.py says so.
"""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

from slipguard.cli import main

HOME = Path(__file__).parent.parent
README = HOME / "README.md"
DRIVE = "wet_clay_uphill.csv.gz"
LEFT_OUT = r"""(?mx)
    ^[ ]{2}(?:survey[ ]rover|simulated:).*\n     # vehicle and source
    | ^(?:Hill[ ]hold|Stopped).*\n(?:(?!Throttle).*\n)*  # when it held and stopped
    | ^Engine:.*\n                          # which one
    | ^Alerts(?:.*\n)*?(?=Against)                # what the driver was told
"""


def excerpt() -> str:
    """The output of the replay, shortened."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        code = main(["replay", str(HOME / "replay" / DRIVE)])
    if code:
        raise SystemExit(code)
    text = "\n".join(line.rstrip() for line in printed.getvalue().splitlines()) + "\n"
    text = re.sub(LEFT_OUT, "", text)
    text = re.sub(r"^(Findings|Brakes|Against the labels)\n\n", r"\1\n", text, flags=re.M)
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


if __name__ == "__main__":
    before = README.read_text(encoding="utf-8")
    block = re.compile(rf"(?<=^```text\n){re.escape(DRIVE)}\n.*?(?=^```$)", re.S | re.M)
    after, count = block.subn(excerpt().replace("\\", r"\\"), before)
    if count != 1:
        raise SystemExit(f"README.md: {count} blocks of output of {DRIVE}, expected one")
    README.write_text(after, encoding="utf-8", newline="\n")
