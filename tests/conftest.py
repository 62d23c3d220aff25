"""Settings of the whole suite."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

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
def quick_replay() -> Iterator[None]:
    """Short drives are replayed compiled too, where that is installed: for tests of what is made
    of the decisions. test_compiled.py holds the engines to decide the same."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("slipguard.replay.LONG_ROWS", 1)
        yield


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


@pytest.fixture
def open_page(browser):
    """Open a page offline; whatever it complains about fails the test."""
    contexts, complaints = [], []

    def open_it(path: Path, width=1400, height=900, scheme="light", **settings):
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            offline=True,
            accept_downloads=True,
            **settings,
        )
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda r: r.url.startswith("http") and complaints.append(r.url))
        page.on(
            "console",
            lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None,
        )
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready=yes]")
        return page

    yield open_it
    for context in contexts:
        context.close()
    assert complaints == []
