"""Settings of the whole suite."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from hypothesis import settings

# No test is timed: a busy machine must not fail one.
settings.register_profile("slipguard", deadline=None)
settings.load_profile("slipguard")

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
OPTIONS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    """A real Chromium, without a window."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="needs playwright: pip install '.[test]'"
    )
    if CHROMIUM is None:
        pytest.skip("needs Chromium on the path: apt-get install chromium")
    with playwright.sync_playwright() as player:
        opened = player.chromium.launch(executable_path=CHROMIUM, args=OPTIONS)
        yield opened
        opened.close()
