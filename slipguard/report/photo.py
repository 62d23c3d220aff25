"""A page as a picture, taken by a browser that shows nothing on the screen."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from slipguard.errors import RecordingError
from slipguard.report.events import events_of
from slipguard.report.figures import lanes_height_px, lanes_of
from slipguard.report.gather import Report
from slipguard.report.panels import panels_for

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
OPTIONS = (
    "--headless=new",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--hide-scrollbars",
    "--virtual-time-budget=20000",
)
LONGEST_S = 120.0
WIDTH_PX = 1000
HEAD_PX = 30
"""Height of a plot's heading with the room above it, as in page.css."""


def take_picture(report: Report, page: Path, picture: Path) -> None:
    """Write a PNG of the plots of a page that was written before.

    Raises
    ------
    RecordingError
        There is no Chromium or Chrome, or it gave no picture.
    """
    browser = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if browser is None:
        raise RecordingError(
            f"{picture}: a picture needs Chromium or Chrome, found none of {', '.join(BROWSERS)}; "
            "open the page in your browser and press PNG"
        )
    # Its sandbox does not run as root, and a page of our own needs none.
    alone = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with tempfile.TemporaryDirectory() as folder:
        taken = Path(folder) / "picture.png"
        command = [
            browser,
            *OPTIONS,
            *alone,
            f"--user-data-dir={folder}/profile",
            f"--window-size={WIDTH_PX},{_height_px(report)}",
            f"--screenshot={taken}",
            f"{page.resolve().as_uri()}#picture",
        ]
        try:
            subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=False)
            content = taken.read_bytes()
            picture.write_bytes(content)
        except (OSError, subprocess.TimeoutExpired) as err:
            raise RecordingError(f"{picture}: no picture could be taken: {err}") from err


def _height_px(report: Report) -> int:
    heights = [panel.height for panel in panels_for(report.channels)]
    lanes = lanes_of(events_of(report))
    if lanes:
        heights.append(lanes_height_px(lanes))
    return sum(heights) + HEAD_PX * (len(heights) + 1) + 20
