"""The page of a tuning run: what is in it, and how it opens in a real browser without a network."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demo import ROVER, cut
from test_tune_closed_loop import MINE

from slipguard import Config
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.recording import Event
from slipguard.report import tuning_page
from slipguard.report.tuning import _envelope, _lanes, _worst_legend
from slipguard.tune import LoopDrive, closed_loop, tune, tune_closed_loop
from slipguard.tune.worst import BeforeAfter


@pytest.fixture(scope="module")
def config() -> Config:
    """Slower to call it spin than need be, so that there is a better set to find."""
    return Config.load(ROVER).with_changes(spin__excess_travel_mm=12.0)


@pytest.fixture(scope="module")
def tuned(config, tmp_path_factory, quick_replay):
    folder = tmp_path_factory.mktemp("tuned")
    drives = [cut("root_ridges", 2.0, 6.0, folder), cut("reverse_off_the_clay", 0.0, 4.0, folder)]
    return tune(drives, config, sets=12, folds_wanted=2, cache=folder)


@pytest.fixture(scope="module")
def looped(config, tmp_path_factory):
    """A search with made-up drives; the one that went worst is driven again, and that is real."""
    path = tmp_path_factory.mktemp("looped") / "mine.py"
    path.write_text(MINE, encoding="utf-8")

    def play(job, config):
        name, seed, values = job
        release_s = values["hold__release_s"]
        return LoopDrive(
            scenario=name, seed=seed, stuck=False, time_s=3.0 + release_s,
            rolled_mm=max(0.0, 30.0 - 300.0 * release_s), leap_mps=0.0, brake_s=10.0 * release_s,
        )  # fmt: skip

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(closed_loop, "play", play)
        return tune_closed_loop([f"{path}:slope"], config, sets=12, seeds=1, judged=2)


def test_the_curve_is_what_no_other_set_beats_in_these_two():
    """Fewest of one for each amount of the other, from the left."""
    points = [(3.0, 1.0), (1.0, 5.0), (2.0, 5.0), (2.0, 2.0), (1.0, 6.0), (4.0, 1.0)]
    assert _envelope(points) == [(1.0, 5.0), (2.0, 2.0), (3.0, 1.0)]


def test_the_page_holds_everything_and_loads_nothing(tuned, config):
    """Sent to somebody without a network it is whole: every set, setting and drive is in it."""
    text = tuning_page(tuned, config)
    assert "$" not in re.sub(r"<script.*?</script>", "", text, flags=re.S), "a gap left unfilled"
    assert not re.findall(r"<(?:script|link|img)[^>]+(?:src|href)=", text)
    assert len(text) < 3e6
    for s in tuned.sensitivity:
        assert f"{s.threshold.section}.{s.threshold.key}" in text
    for drive in tuned.drives:
        assert drive.drive.name in text
    assert tuned.reason in text
    assert "a missed event counts with its own length" in text
    sets = {tuple(t.values.items()) for t in (tuned.own, tuned.recommended, *tuned.pareto)}
    assert text.count("data-set=") == len(sets)


def test_slight_labels_look_slight():
    """What need not be found is dotted and not filled, and only then the legend tells of it."""
    spin = Event(kind="wheel_spin", wheel="fl", start_s=1.0, end_s=2.0)
    nudge = Event(kind="rolling", wheel=None, start_s=3.0, end_s=3.1, slight=True)

    def shown(*labels):
        worst = BeforeAfter(name="", start_s=0.0, end_s=4.0, labels=labels, before=(), after=())
        bars = [r for r in _lanes(worst).renderers if r.glyph.line_dash != []]
        starts = {str(bar.glyph.line_dash): list(bar.data_source.data["left"]) for bar in bars}
        return starts, "slight" in _worst_legend(worst)

    assert shown(spin, nudge) == ({"dashed": [1.0], "dotted": [3.0]}, True)
    assert shown(spin) == ({"dashed": [1.0], "dotted": []}, False)


def test_the_page_of_a_closed_loop_says_what_was_judged(looped, config):
    """Drives not chosen on, and that it is simulated."""
    text = tuning_page(looped, config)
    assert "Simulated: 12 sets" in text
    assert "wheel-s less braking (better)" in text
    assert text.count("<td>") > 0
    for seed in (1000, 1001):
        assert f'<td class="number">{seed}</td>' in text
    assert "Speed, m/s" in text
    assert "Before and after: slope, seed 1000" in text
    assert str(Path(looped.scenarios[0]).parent) not in text, "where somebody's files lie"


def test_the_command_writes_it_once(tmp_path, capsys):
    """Beside the rover file; an older page is somebody's."""
    cut("reverse_off_the_clay", 0.0, 3.0, tmp_path)
    page = tmp_path / "page.html"
    arguments = [
        "tune", str(tmp_path), "--rover", str(ROVER), "--out", str(tmp_path / "t.yaml"), "--sets",
        "8", "--folds", "0", "--cache", str(tmp_path / "cache"), "--page", str(page),
    ]  # fmt: skip
    assert main(arguments) == Exit.DONE
    assert f"Written: {page}" in capsys.readouterr().out.replace("\n", "")
    before = page.read_bytes()
    assert b"Tuned on 1 drives" not in before
    assert b"Tuned on one drive" in before
    (tmp_path / "t.yaml").unlink()
    assert main(arguments) == Exit.USAGE
    assert page.read_bytes() == before
    assert not (tmp_path / "t.yaml").exists()


# -- in a browser -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pages(tuned, looped, config, tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    found = {}
    for name, one in (("drives", tuned), ("loop", looped)):
        found[name] = folder / f"{name}.html"
        found[name].write_text(tuning_page(one, config), encoding="utf-8")
    return found


@pytest.mark.browser
@pytest.mark.parametrize("name", ["drives", "loop"])
@pytest.mark.parametrize(("width", "scheme"), [(1400, "light"), (390, "dark")])
def test_it_opens_without_a_network_wide_and_on_a_phone(open_page, pages, name, width, scheme):
    """Every plot is drawn, and nothing sticks out to the side."""
    page = open_page(pages[name], width=width, scheme=scheme)
    drawn = page.evaluate(
        "[...document.querySelectorAll('[data-root-id]')]"
        ".map(e => Bokeh.index.get_by_id(e.dataset.rootId).el.getBoundingClientRect())"
        ".map(b => [b.left, b.right, b.height])"
    )
    assert len(drawn) >= 4
    assert all(0 <= left < right <= width and height > 100 for left, right, height in drawn)
    assert page.evaluate("document.documentElement.scrollWidth") == width


@pytest.mark.browser
def test_a_set_that_is_chosen_is_marked_everywhere(open_page, pages):
    """From its row to the dots, and from a dot to its row."""
    page = open_page(pages["drives"])
    page.locator("tr[data-set='1']").click()
    assert page.evaluate("page.chosen()") == [1]
    assert page.locator("tr.chosen").count() == 1
    dot = page.evaluate(
        """(() => {
            const place = document.querySelector(".small [data-root-id]");
            const view = Bokeh.index.get_by_id(place.dataset.rootId);
            const renderer = view.model.renderers.find((r) => r.data_source.columns().includes("x0")
                && r.glyph.marker.value === "square");
            const data = renderer.data_source.data, box = view.el.getBoundingClientRect();
            const at = (field, scale) => scale.compute(data[renderer.glyph[field].field][0]);
            return [box.left + at("x", view.frame.x_scale), box.top + at("y", view.frame.y_scale)];
        })()"""
    )
    page.mouse.click(*dot)
    page.wait_for_function("page.chosen()[0] === 0")
    assert page.locator("tr.chosen").get_attribute("data-set") == "0"


@pytest.mark.browser
def test_the_button_turns_it_dark_and_it_prints(open_page, pages):
    """Colours of the plots too; on paper a few pages."""
    page = open_page(pages["loop"])
    line = "Bokeh.documents[0].roots()[0].below[0].major_label_text_color"
    light = page.evaluate(line)
    page.locator("#theme").click()
    page.locator("#theme").click()
    assert page.locator("#theme").text_content() == "Dark"
    assert page.evaluate(line) != light
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 6
