"""Draws the README's pictures with slipguard itself: ``python .docs/draw_pictures.py``.

Needs the extra ``report``, matplotlib, and Chromium or Chrome. Look at them afterwards.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from slipguard.cli import main

HOME = Path(__file__).parent.parent
REPLAY = HOME / "replay"
PICTURES = {
    "roll_back.png": ("budget", str(REPLAY / "rover.yaml"), "--picture"),
    "report.png": ("report", str(REPLAY / "root_ridges.csv.gz"), "--png"),
}
"""What is run for each; the picture's name follows."""


def draw(folder: Path) -> None:
    """All of them, into a folder, in place of what is there."""
    with tempfile.TemporaryDirectory() as made:
        for name, words in PICTURES.items():
            new = Path(made) / name
            page = ("-o", str(Path(made) / "page.html")) if words[0] == "report" else ()
            if code := main([*words, str(new), *page]):
                raise SystemExit(code)
            (folder / name).write_bytes(new.read_bytes())


if __name__ == "__main__":
    draw(HOME / ".docs")
