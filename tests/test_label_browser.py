"""Labels edited in a real browser: drawn, dragged, saved, and not lost.

Marked ``browser``: run by .ci/run in a step of its own, or with ``python -m pytest -m browser``.
"""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from slipguard.recording import Event, load_labels

pytestmark = pytest.mark.browser
REPLAY = Path(__file__).parent.parent / "replay"


@pytest.fixture
def drive(tmp_path) -> Path:
    """Eight seconds of parking on a bank, with one label that a person wrote."""
    lines = (REPLAY / "parking_on_the_bank.csv").read_text().splitlines(keepends=True)
    (tmp_path / "bank.csv").write_text("".join(lines[:1601]))
    (tmp_path / "rover.yaml").write_bytes((REPLAY / "rover.yaml").read_bytes())
    (tmp_path / "bank.yaml").write_text(
        "# the bank\nevents:\n- {kind: wheel_spin, wheel: fl, start_s: 2.0, end_s: 4.0}\n"
    )
    return tmp_path / "bank.csv"


class Served:
    """``slipguard label --serve`` in a process of its own."""

    def __init__(self, drive: Path, port: int = 0) -> None:
        command = f"-u -m slipguard label --serve --no-truth --port {port}".split()
        self.process = subprocess.Popen(
            [sys.executable, *command, str(drive)],
            stdout=subprocess.PIPE,
            text=True,
            # Tests that a shell runs in the background inherit that Ctrl-C is ignored.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        match = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=\S+", line)
        assert match, line
        self.address, self.port = match[0], int(match[1])

    def stop(self) -> int:
        self.process.send_signal(signal.SIGINT)
        self.process.communicate(timeout=20)
        return self.process.returncode


@pytest.fixture
def served(drive) -> Iterator[Served]:
    server = Served(drive)
    yield server
    server.stop()


@pytest.fixture
def open_page(browser):
    """Open an address; what the page complains about fails the test."""
    contexts, complaints = [], []

    def open_it(address: str, width=1400, height=900, **settings):
        context = browser.new_context(viewport={"width": width, "height": height}, **settings)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console",
            lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None,
        )
        page.goto(address)
        ready(page)
        return page

    open_it.complaints = complaints
    yield open_it
    for context in contexts:
        context.close()
    assert complaints == []


def ready(page) -> None:
    page.wait_for_selector("html[data-ready=yes]")
    page.wait_for_selector(".label-track")


def x_of(page, lane: str, t_s: float) -> tuple[float, float]:
    """Where a time is in a lane."""
    box = page.locator(f'.label-track[data-lane="{lane}"]').bounding_box()
    start, end = page.evaluate("[page.view().start, page.view().end]")
    return box["x"] + (t_s - start) / (end - start) * box["width"], box["y"] + box["height"] / 2


def drag(page, lane: str, from_s: float, to_s: float, off_px: float = 0.0) -> None:
    (x, y), (to, _) = x_of(page, lane, from_s), x_of(page, lane, to_s)
    page.mouse.move(x + off_px, y)
    page.mouse.down()
    page.mouse.move(to + off_px, y, steps=5)
    page.mouse.up()


def save(page) -> None:
    page.locator("#label-save").click()
    page.wait_for_function("document.getElementById('label-state').textContent.startsWith('saved')")


def near(event: Event, start_s: float, end_s: float) -> bool:
    return (event.start_s, event.end_s) == pytest.approx((start_s, end_s), abs=0.03)


def test_edges_are_dragged_new_ones_drawn_and_saved(served, open_page, drive):
    """What stands in the file is what was drawn; its comment is still there."""
    page = open_page(served.address)
    drag(page, "spin fl", 2.0, 1.0, 3)
    drag(page, "spin fl", 4.0, 5.0, -3)
    drag(page, "spin rr", 3.0, 3.5)
    drag(page, "rolling", 6.0, 7.0)
    drag(page, "rolling", 6.5, 6.0)
    assert page.locator("#label-state").text_content() == "not saved yet"
    save(page)
    labels = load_labels(drive.with_suffix(".yaml"))
    assert [(e.kind, e.wheel) for e in labels.events] == [
        ("wheel_spin", "fl"),
        ("wheel_spin", "rr"),
        ("rolling", None),
    ]
    for event, times in zip(labels.events, [(1, 5), (3, 3.5), (5.5, 6.5)], strict=True):
        assert near(event, *times), event
    assert drive.with_suffix(".yaml").read_text().startswith("# the bank\n")
    page.reload()
    ready(page)
    assert page.locator(".label-one").count() == 3
    assert page.locator("#label-state").text_content() == "saved, confirmed"


def test_times_shown_count_from_the_first_row_and_those_saved_are_the_recordings(open_page, drive):
    """A recording by a clock that runs since the computer was started."""
    head, *rows = drive.read_text().splitlines(keepends=True)
    times = [(float(row.split(",", 1)[0]), row.split(",", 1)[1]) for row in rows]
    drive.write_text(head + "".join(f"{1962.978 + t:.6f},{rest}" for t, rest in times))
    labels = drive.with_suffix(".yaml")
    labels.write_text(labels.read_text().replace("2.0", "1964.9784").replace("4.0", "1966.978"))
    server = Served(drive)
    try:
        page = open_page(server.address)
        page.locator(".label-one").focus()
        page.keyboard.press("Enter")
        assert page.locator("#label-start").input_value() == "2.0004"
        page.locator("#label-end").fill("3.5")
        page.locator("#label-end").press("Enter")
        drag(page, "rolling", 6.0, 7.0)
        save(page)
    finally:
        server.stop()
    spin, rolling = load_labels(labels).events
    assert (spin.start_s, spin.end_s) == (1964.9784, 1966.478)
    assert near(rolling, 1962.978 + 6.0, 1962.978 + 7.0)


def test_kind_wheel_and_times_are_chosen_and_labels_deleted(served, open_page, drive):
    """Without a mouse, too: the fields take exact numbers, Delete deletes, Undo brings back."""
    page = open_page(served.address)
    page.locator(".label-one").focus()
    page.keyboard.press("Enter")
    page.locator("#label-kind").select_option("wheel_lock")
    page.locator("#label-wheel").select_option("rl")
    page.locator("#label-start").fill("2.125")
    page.locator("#label-start").press("Enter")
    page.locator("#label-end").fill("3.5")
    page.locator("#label-end").press("Enter")
    page.locator("#label-slight").check()
    page.locator("#label-new").click()
    assert not page.locator("#label-slight").is_checked()
    page.locator("#label-delete").click()
    page.locator("#label-confirmed").uncheck()
    save(page)
    labels = load_labels(drive.with_suffix(".yaml"))
    event = Event(kind="wheel_lock", wheel="rl", start_s=2.125, end_s=3.5, slight=True)
    assert labels.events == (event,)
    assert labels.proposed
    page.locator(".label-one").focus()
    page.keyboard.press("Enter")
    page.locator("#label-slight").uncheck()
    save(page)
    assert load_labels(drive.with_suffix(".yaml")).events == (replace(event, slight=False),)
    page.locator(".label-one").focus()
    page.keyboard.press("Delete")
    assert page.locator(".label-one").count() == 0
    page.locator("#label-undo").click()
    assert page.locator(".label-one").count() == 1


def test_what_is_not_saved_survives_a_reload_and_a_new_start(served, open_page, drive):
    """A browser that crashed, a computer that was shut: the work is there again."""
    page = open_page(served.address)
    drag(page, "spin rr", 3.0, 3.5)
    page.reload()
    ready(page)
    assert page.locator(".label-one").count() == 2
    assert page.locator("#label-state").text_content() == "not saved yet"
    assert served.stop() in (0, 130)
    page.locator("#label-save").click()
    page.wait_for_selector("#label-trouble:not([hidden])")
    assert "does not answer" in page.locator("#label-trouble").text_content()
    open_page.complaints.clear()  # the browser says so as well
    again = Served(drive, served.port)
    try:
        page.goto(again.address)
        ready(page)
        assert page.locator(".label-one").count() == 2
        save(page)
        assert len(load_labels(drive.with_suffix(".yaml")).events) == 2
        drag(page, "rolling", 6.0, 7.0)
        page.locator("#label-discard").click()
        page.reload()
        ready(page)
        assert page.locator(".label-one").count() == 2
    finally:
        again.stop()


def test_a_refusal_is_shown_and_nothing_is_written(served, open_page, drive):
    """Overlapping labels, and a file that was changed in an editor meanwhile."""
    page = open_page(served.address)
    before = drive.with_suffix(".yaml").read_text()
    drag(page, "spin fl", 5.0, 6.0)
    drag(page, "spin fl", 5.0, 3.0, 3)
    page.locator("#label-save").click()
    page.wait_for_selector("#label-trouble:not([hidden])")
    assert "may not overlap" in page.locator("#label-trouble").text_content()
    assert drive.with_suffix(".yaml").read_text() == before
    page.locator("#label-undo").click()
    drive.with_suffix(".yaml").write_text(before + "notes: meanwhile\n")
    page.locator("#label-save").click()
    page.wait_for_function(
        "document.getElementById('label-trouble').textContent.includes('was changed')"
    )
    open_page.complaints.clear()  # 422 and 409
    page.reload()
    ready(page)
    assert "was changed" in page.locator("#label-trouble").text_content()
    assert page.locator(".label-one").count() == 2


def test_a_drive_without_labels_starts_from_proposals(open_page, drive):
    """They are not in a file until somebody saves them."""
    drive.with_suffix(".yaml").unlink()
    lines = (REPLAY / "parking_on_the_bank.csv").read_text().splitlines(keepends=True)
    drive.write_text("".join(lines[:3601]))
    server = Served(drive)
    try:
        page = open_page(server.address)
        assert page.locator('.label-track[data-lane="rolling"] .label-one').count() == 1
        assert page.locator("#label-state").text_content() == "proposed, not saved yet"
        assert not drive.with_suffix(".yaml").exists()
        save(page)
        assert load_labels(drive.with_suffix(".yaml")).proposed
    finally:
        server.stop()


def test_lanes_stand_over_the_plots_at_any_zoom(served, open_page):
    """A label must lie over what it says."""
    page = open_page(served.address)
    for _ in range(2):
        page.locator("#in").click()
        got = page.evaluate(
            """() => {
                const panel = document.querySelector("#plots .panel [data-root-id]");
                const view = Bokeh.index.get_by_id(panel.dataset.rootId);
                const left = panel.closest(".plot").getBoundingClientRect().left;
                const bar = document.querySelector(".label-one").getBoundingClientRect();
                const s = view.frame.x_scale;
                return [[bar.left, left + s.compute(2.0)], [bar.right, left + s.compute(4.0)]];
            }"""
        )
        for bar, plot in got:
            assert bar == pytest.approx(plot, abs=2.0)


@pytest.mark.parametrize("width", [390, 1400])
def test_nothing_is_wider_than_the_screen(served, open_page, width):
    """A phone in the field."""
    page = open_page(served.address, width=width, height=844)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_finger_draws_and_drags(served, open_page):
    """On a phone there is no mouse."""
    page = open_page(served.address, width=390, height=844, has_touch=True, is_mobile=True)
    page.locator("#lanes").scroll_into_view_if_needed()
    finger = page.context.new_cdp_session(page)

    def swipe(lane, from_s, to_s, off_px=0.0):
        (x, y), (to, _) = x_of(page, lane, from_s), x_of(page, lane, to_s)
        for kind, points in (
            ("touchStart", [{"x": x + off_px, "y": y}]),
            *(("touchMove", [{"x": x + off_px + k / 8 * (to - x), "y": y}]) for k in range(1, 9)),
            ("touchEnd", []),
        ):
            finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
            page.wait_for_timeout(20)

    swipe("spin rr", 3.0, 5.0)
    swipe("spin fl", 4.0, 6.0, -3)
    got = page.evaluate("editor.events()")
    assert [(e["wheel"], e["start_s"], e["end_s"]) for e in got] == [
        ("fl", 2.0, pytest.approx(6.0, abs=0.1)),
        ("rr", pytest.approx(3.0, abs=0.1), pytest.approx(5.0, abs=0.1)),
    ]
