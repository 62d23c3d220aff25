"""The page of a drive in a real browser, without a network: it opens, zooms, tells and prints.

Marked ``browser``: run by .ci/run in a step of its own, or with ``python -m pytest -m browser``.
"""

from __future__ import annotations

import re
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from slipguard import Config
from slipguard.recording import open_recording
from slipguard.report import report_drive, take_picture, write_page
from slipguard.score import score

pytestmark = pytest.mark.browser
REPLAY = Path(__file__).parent.parent / "replay"


@pytest.fixture(scope="module")
def clay():
    return report_drive(
        open_recording(REPLAY / "wet_clay_uphill.csv.gz"), Config.load(REPLAY / "rover.yaml")
    )


@pytest.fixture(scope="module")
def clay_page(clay, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("page") / "clay.html"
    write_page(clay, path)
    return path


def view(page) -> tuple[float, float]:
    return tuple(page.evaluate("[page.view().start, page.view().end]"))


def settle(page) -> None:
    """Wait until what was asked for has been drawn."""
    page.wait_for_timeout(300)  # plots out of sight follow when it is quiet
    page.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")


def ranges(page) -> list[list[float]]:
    """Of every plot over time as it is drawn: left and right pixel, first and last second."""
    return page.evaluate(
        """[...document.querySelectorAll("#plots .panel")].map((panel) => {
            const id = panel.querySelector("[data-root-id]").dataset.rootId;
            const frame = Bokeh.index.get_by_id(id).frame;
            const scale = frame.x_scale;
            return [frame.bbox.left, frame.bbox.right, scale.invert(frame.bbox.left),
                    scale.invert(frame.bbox.right)];
        })"""
    )


def drag(page, panel: int, start: float, end: float) -> None:
    """Over a plot, from one share of its width to another."""
    box = page.locator("#plots .panel .plot").nth(panel).bounding_box()
    y = box["y"] + 40
    page.mouse.move(box["x"] + 62 + start * (box["width"] - 76), y)
    page.mouse.down()
    page.mouse.move(box["x"] + 62 + end * (box["width"] - 76), y, steps=4)
    page.mouse.up()
    settle(page)


def test_plots_stay_aligned_when_one_is_zoomed(open_page, clay_page):
    """What stands below something happened at the same moment, whatever the zoom."""
    page = open_page(clay_page)
    before = view(page)
    assert before == pytest.approx((-0.1, 20.1), abs=0.01)
    drag(page, 1, 0.25, 0.5)
    start, end = view(page)
    assert (start, end) == pytest.approx((4.95, 10.0), abs=0.15)
    drawn = ranges(page)
    assert len(drawn) == 11
    for one in drawn:
        assert one == pytest.approx(drawn[0], abs=1e-6)
        assert one[2:] == pytest.approx([start, end], abs=1e-6)
    page.locator("#whole").click()
    assert view(page) == pytest.approx(before)


def test_an_event_in_the_table_leads_to_it(open_page, clay_page, clay):
    """Mouse and keyboard."""
    page = open_page(clay_page)
    episodes = clay.summary.episodes.episodes()
    rows = page.locator("tr[data-start]")
    assert rows.count() == len(episodes)
    for index, use in ((2, lambda row: row.click()), (4, lambda row: row.press("Enter"))):
        use(rows.nth(index))
        start, end = view(page)
        episode = episodes[index]
        assert start < episode.start_s < episode.end_s < end
        assert end - start < 2 * (episode.end_s - episode.start_s) + 1.5
        assert page.locator("tr.chosen").count() == 1


def test_the_pointer_tells_the_values_of_all_plots(open_page, clay_page, clay):
    """The numbers shown are those of the drive at that moment."""
    page = open_page(clay_page)
    box = page.locator("#plots .panel .plot").nth(2).bounding_box()
    page.mouse.move(box["x"] + 62 + 0.3 * (box["width"] - 76), box["y"] + 40)
    settle(page)
    t_s = float(page.locator("#now").text_content().removesuffix(" s"))
    row = int(np.argmin(np.abs(clay.t_s - t_s)))
    assert t_s == pytest.approx(0.3 * 20.2 - 0.1, abs=0.05)
    for name, digits in (("speed", 3), ("rim_fl", 3), ("brake_rr", 2), ("request", 2)):
        shown = float(page.locator(f'output[data-channel="{name}"]').text_content())
        assert shown == pytest.approx(clay.channels[name][row], rel=1e-3, abs=0.6 * 10**-digits)
    lefts = page.eval_on_selector_all(".panel .cross", "all => all.map((c) => c.style.left)")
    assert len(set(lefts)) == 1


def test_what_is_drawn_never_hides_an_extreme(open_page, clay_page, clay):
    """The columns the page makes for the screen, against the drive itself, zoom by zoom."""
    page = open_page(clay_page)
    rng = np.random.default_rng(5)
    for _ in range(25):
        a, b = sorted(rng.integers(0, len(clay.t_s), 2).tolist())
        step = int(rng.integers(1, 60))
        drawn = page.evaluate(
            "([a, b, s]) => { const c = page.columns(a, b + 1, s, ['slip_fl', 'brake_fl']);"
            " return [[...c.slip_fl], [...c.brake_fl]] }",
            [a, b, step],
        )
        for name, values in zip(("slip_fl", "brake_fl"), drawn, strict=True):
            part = clay.channels[name][a : b + 1]
            assert max(values) == pytest.approx(part.max(), rel=1e-3, abs=1e-9)
            assert min(values) == pytest.approx(part.min(), rel=1e-3, abs=1e-9)


def test_no_line_leads_over_a_gap_of_the_recording(open_page, clay, tmp_path):
    """Nobody measured what happened there: a straight line of a hundred seconds looks as if."""
    t_s = clay.t_s + np.where(clay.t_s > 5.0, 100.0, 0.0)
    path = tmp_path / "gap.html"
    write_page(replace(clay, t_s=t_s), path)
    page = open_page(path)
    first = int(np.argmax(t_s > 50.0))
    for a, b, step in ((0, len(t_s), 1), (0, len(t_s), 7), (first - 3, first + 3, 5)):
        drawn = page.evaluate(
            "([a, b, s]) => { const c = page.columns(a, b, s, ['slip_fl']);"
            " return [[...c.t], [...c.slip_fl]].map((x) => x.map((v) => v === v ? v : null)) }",
            [a, b, step],
        )
        where, slip = drawn
        breaks = [k for k, value in enumerate(slip) if value is None]
        assert len(breaks) == 1
        assert max(t for t in where[: breaks[0]] if t is not None) < 6.0
        assert min(t for t in where[breaks[0] + 1 :] if t is not None) > 104.0
        known = [value for value in slip if value is not None]
        part = clay.channels["slip_fl"][a:b]
        assert (min(known), max(known)) == pytest.approx((part.min(), part.max()), rel=1e-3)


def test_light_and_dark_by_the_system_and_by_the_switch(open_page, clay_page):
    """The plots follow too, not the page alone."""
    colour = "Bokeh.documents[0].roots()[1].outline_line_color"
    paper = "getComputedStyle(document.body).backgroundColor"
    light, dark = open_page(clay_page), open_page(clay_page, scheme="dark")
    assert light.evaluate(paper) == "rgb(255, 255, 255)"
    assert dark.evaluate(paper) == "rgb(20, 24, 29)"
    assert light.evaluate(colour) != dark.evaluate(colour)
    for _ in range(2):
        light.locator("#theme").click()
    assert light.locator("#theme").text_content() == "Dark"
    assert light.evaluate(paper) == dark.evaluate(paper)
    assert light.evaluate(colour) == dark.evaluate(colour)


@pytest.mark.parametrize("width", [390, 1400])
def test_nothing_is_wider_than_the_screen(open_page, clay_page, width):
    """A phone in the field: no scrolling sideways."""
    page = open_page(clay_page, width=width, height=844)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    over = page.evaluate(
        """[...document.querySelectorAll(".legend, .rows, h1, nav, .plot")].filter((e) =>
            e.getBoundingClientRect().right > innerWidth || e.scrollWidth > e.clientWidth + 1
        ).map((e) => e.className || e.tagName)"""
    )
    assert over == []


@pytest.mark.parametrize("width", [360, 390, 920, 1300])
def test_the_table_of_events_needs_no_scrolling_sideways(open_page, clay, tmp_path, width):
    """Hours into a drive whose findings no label tells of: every column is still in sight."""
    scores = score(clay.summary.episodes.episodes(), ())
    write_page(replace(clay, start_s=-15000.0, scores=scores), tmp_path / "long.html")
    page = open_page(tmp_path / "long.html", width=width, height=844)
    assert page.locator("td.verdict").first.text_content() == "not labelled"
    wide, room = page.evaluate(
        "(({ scrollWidth, clientWidth }) => [scrollWidth, clientWidth])"
        "(document.querySelector('.rows'))"
    )
    assert wide <= room


def test_a_finger_moves_the_page_and_reads_values(open_page, clay_page):
    """Plots fill a phone's screen: they must not catch every swipe, and a tap tells numbers."""
    page = open_page(clay_page, width=390, height=844, has_touch=True, is_mobile=True)
    page.evaluate("document.querySelector('#plots').scrollIntoView()")
    settle(page)
    before, at_first = page.evaluate("scrollY"), view(page)
    finger = page.context.new_cdp_session(page)

    def touch(kind, *points):
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": list(points)})
        page.wait_for_timeout(20)

    touch("touchStart", {"x": 200, "y": 500})
    for y in range(480, 300, -20):
        touch("touchMove", {"x": 200, "y": y})
    touch("touchEnd")
    page.wait_for_function("before => scrollY > before + 100", arg=before)
    settle(page)
    assert view(page) == at_first
    box = page.locator("#plots .panel .plot").nth(3).bounding_box()
    page.touchscreen.tap(200, box["y"] + 40)
    page.wait_for_function("document.getElementById('now').textContent !== ''")
    assert page.locator('output[data-channel="speed"]').text_content() != ""


def test_the_button_saves_a_picture(open_page, clay_page, tmp_path):
    """All plots, in one PNG, without anything installed."""
    page = open_page(clay_page)
    with page.expect_download() as caught:
        page.locator("#png").click()
    assert caught.value.suggested_filename == "wet_clay_uphill.png"
    caught.value.save_as(tmp_path / "a.png")
    width, height = size_of(tmp_path / "a.png")
    assert width > 800
    assert height > 1500


def test_the_command_takes_a_picture(clay, clay_page, tmp_path, browser):
    """For a document: the same plots, no browser to be opened by hand."""
    take_picture(clay, clay_page, tmp_path / "a.png")
    width, height = size_of(tmp_path / "a.png")
    assert width == 1000
    assert height > 1500
    assert (tmp_path / "a.png").stat().st_size > 100_000, "the plots are not in it"


def test_it_prints_on_paper(open_page, clay_page):
    """A few pages, whatever the screen was; also from a dark one."""
    page = open_page(clay_page, scheme="dark")
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    assert printed.startswith(b"%PDF")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 4


def size_of(png: Path) -> tuple[int, int]:
    """Width and height from the IHDR chunk (PNG specification, 11.2.2)."""
    content = png.read_bytes()
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    return struct.unpack(">II", content[16:24])
