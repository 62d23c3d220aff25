"""The page of a drive, as far as no browser is needed: nothing hidden, nothing missing."""

from __future__ import annotations

import base64
import builtins
import gzip
import io
import json
import re
from contextlib import redirect_stdout
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from demo import REPLAY, cut
from hypothesis import given
from hypothesis import strategies as st

from slipguard import Config
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.recording import labels_path, open_recording
from slipguard.report import report_drive, write_page
from slipguard.report.events import events_of
from slipguard.report.figures import draw
from slipguard.report.gather import dead_reckoning, from_one_start
from slipguard.report.panels import DASH, PANELS, axis_end, panels_for
from slipguard.report.shrink import bins_of, pack, pack_bins

pytestmark = pytest.mark.usefixtures("quick_replay")
CLAY = REPLAY / "wet_clay_uphill.csv.gz"


@pytest.fixture(scope="module")
def clay(quick_replay):
    """A drive with spin and rolling, replayed."""
    return report_drive(open_recording(CLAY), Config.load(REPLAY / "rover.yaml"))


@pytest.fixture(scope="module")
def clay_page(clay, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("page") / "clay.html"
    write_page(clay, path)
    return path


def short_drive(folder: Path) -> Path:
    """The first 2 s of a drive, with its rover, in a folder of their own."""
    folder.mkdir()
    lines = (REPLAY / "parking_on_the_bank.csv").read_text().splitlines(keepends=True)
    (folder / "short.csv").write_text("".join(lines[:401]))
    (folder / "rover.yaml").write_bytes((REPLAY / "rover.yaml").read_bytes())
    return folder / "short.csv"


@pytest.fixture
def short(tmp_path) -> Path:
    return short_drive(tmp_path / "drives")


@pytest.fixture(scope="module")
def written(tmp_path_factory, quick_replay) -> tuple[Path, str]:
    """The folder in which the command was run without ``-o``, and what it said."""
    there, said = tmp_path_factory.mktemp("here"), io.StringIO()
    drive = short_drive(tmp_path_factory.mktemp("short") / "drives")
    labels_path(drive).write_text("notes: '</p><script>alert(1)</script>'\n")
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(said):
        patch.chdir(there)
        assert main(["report", str(drive)]) == Exit.DONE
    return there, said.getvalue()


def reported(drive: Path):
    return report_drive(open_recording(drive), Config.load(drive.parent / "rover.yaml"))


def part_of(page: str, name: str) -> str:
    """What a script element of the page holds."""
    found = re.search(rf'<script type="[^"]*" id="{name}">(.*?)</script>', page, re.S)
    assert found
    return found[1]


def unpacked(about, data):
    """The bins of a page: times, lowest and highest of each channel."""
    raw = np.frombuffer(gzip.decompress(base64.b64decode(data)), np.uint8)
    n, at = about["bins"], 0

    def take(kind):
        nonlocal at
        size = np.dtype(kind).itemsize
        planes = raw[at : at + n * size].reshape(size, n)
        at += n * size
        return np.ascontiguousarray(planes.T).view(kind).ravel()

    t_s = about["start_s"] + np.cumsum(take("<f8")) * 1e-6
    low, high = {}, {}
    for name in about["channels"]:
        low[name] = take("<f4")
        high[name] = take("<f4") if about["rows"] > 1 else low[name]
    assert at == len(raw)
    return t_s, low, high


# -- nothing is hidden ---------------------------------------------------------------------------


@given(
    values=st.lists(
        st.floats(-1e6, 1e6, width=32) | st.just(float("nan")), min_size=1, max_size=60
    ),
    rows=st.integers(1, 20),
    window=st.tuples(st.integers(0, 59), st.integers(0, 59)),
)
def test_the_extremes_of_every_window_survive(values, rows, window):
    """A spike of one row is what somebody looks for in an hour's drive."""
    channel = np.array(values, np.float32)
    t_s = 7.0 + 0.005 * np.arange(len(channel))
    packed = pack_bins(bins_of(t_s, {"a": channel}, rows))
    middles, low, high = unpacked(packed.about, packed.data)
    a, b = sorted(min(w, len(values) - 1) for w in window)
    part = channel[a : b + 1]
    touched = slice(a // rows, b // rows + 1)
    first, last = a // rows * rows, (b // rows + 1) * rows
    whole = channel[first:last]
    if np.isnan(whole).all():
        assert np.isnan(low["a"][touched]).all()
        return
    near = {"rtol": 2.0**-12, "atol": 1e-30}
    np.testing.assert_allclose(np.nanmin(low["a"][touched]), np.nanmin(whole), **near)
    np.testing.assert_allclose(np.nanmax(high["a"][touched]), np.nanmax(whole), **near)
    if not np.isnan(part).all():
        slack = 2.0**-12 * np.nanmax(np.abs(part)) + 1e-30
        assert np.nanmin(low["a"][touched]) <= np.nanmin(part) + slack
        assert np.nanmax(high["a"][touched]) >= np.nanmax(part) - slack
    assert np.all(np.diff(middles) >= 0)
    assert np.all((middles >= t_s[0] - 1e-5) & (middles <= t_s[-1] + 1e-5))


def test_a_drive_that_fits_keeps_every_row(clay, clay_page):
    """Only what is too long is made coarser."""
    page = clay_page.read_text(encoding="utf-8")
    about = json.loads(part_of(page, "about"))
    t_s, low, _ = unpacked(about, part_of(page, "data"))
    assert about["rows"] == 1
    np.testing.assert_allclose(t_s, clay.t_s, atol=1e-6)
    for name, values in clay.channels.items():
        np.testing.assert_allclose(low[name], values, rtol=2.0**-12, atol=1e-30, err_msg=name)


def test_a_long_drive_is_made_to_fit_with_its_spike():
    """Noise does not pack: the bins grow until it fits, and one row of many still shows."""
    noise = np.random.default_rng(1).normal(size=400_000).astype(np.float32)
    noise[123_456] = 1000.0
    t_s = 0.005 * np.arange(len(noise))
    packed = pack(t_s, {"noise": noise}, 100_000)
    assert len(packed.data) <= 100_000
    middles, low, high = unpacked(packed.about, packed.data)
    top = int(np.argmax(high["noise"]))
    assert high["noise"][top] == pytest.approx(1000.0, rel=1e-3)
    assert abs(middles[top] - t_s[123_456]) <= packed.about["rows"] * 0.005
    assert low["noise"].min() == pytest.approx(noise.min(), rel=1e-3)


# -- what the page shows -------------------------------------------------------------------------


def test_the_page_needs_no_network(clay_page):
    """It is opened in a field, and sent to people."""
    page = clay_page.read_text(encoding="utf-8")
    without_scripts = re.sub(r"<script.*?</script>", "", page, flags=re.S)
    assert not re.findall(r"""(?:src|href)=["'](?!data:|#)""", without_scripts)
    assert not re.findall(r"<script[^>]* src=", page)
    assert "@import" not in page
    assert page.count("<html") == 1
    assert clay_page.stat().st_size < 2_500_000


def test_every_finding_is_in_the_table(clay, clay_page):
    """The table is the way to the events."""
    page = clay_page.read_text(encoding="utf-8")
    rows = re.findall(r'<tr tabindex="0" data-start="(.*?)" data-end="(.*?)" title="(.*?)">', page)
    episodes = clay.summary.episodes.episodes()
    assert len(episodes) >= 5
    assert [(float(a), float(b), unescape(r)) for a, b, r in rows] == [
        (e.start_s, e.end_s, e.reason) for e in episodes
    ]


def test_the_page_says_how_well_it_was_found(clay_page):
    """In the words of the README."""
    text = clay_page.read_text(encoding="utf-8")
    assert "<p>Wheel spin: 4 of 4 labelled found, false alarms: none.</p>" in text


def test_the_limit_drawn_is_told_from_the_one_in_the_table(clay, clay_page):
    """The line is wider than the limit a finding names, by what the estimate is unsure: it says
    so, and is never below it."""
    text = clay_page.read_text(encoding="utf-8")
    assert text.count("<span>limit, widened by sigma</span>") == 4
    spins = [e for e in clay.summary.episodes.episodes() if e.kind == "wheel_spin"]
    for spin in spins:
        assert clay.channels[f"slip_limit_{spin.wheel}"].min() >= spin.threshold


def test_a_label_that_was_missed_is_in_the_table(short):
    """What was not found is what one must look at."""
    labels_path(short).write_text("events:\n- {kind: rolling, start_s: 0.5, end_s: 0.8}\n")
    listed = [event for event in events_of(reported(short)) if event.listed]
    assert [(e.kind, e.start_s, e.found, e.verdict) for e in listed] == [
        ("rolling", 0.5, False, "missed")
    ]


def test_no_two_lines_of_a_plot_look_alike_without_colour():
    """Readers who do not see colours, and printers that do not print them."""
    for panel in PANELS:
        styles = [DASH[line.role] for line in panel.lines if line.role != "limit"]
        if not panel.key.startswith("slip"):  # there the wheel's own style, known to the title
            assert len(set(styles)) == len(styles), panel.key


def test_a_wheel_metres_ahead_does_not_flatten_its_plot(clay, clay_page):
    """What counts is at the limit, some millimetres; the axis ends not far from it, and the
    heading says so. A drive without such a wheel is drawn whole."""
    (panel,) = (p for p in PANELS if p.key == "excess")
    assert max(clay.channels[line.channel].max() for line in panel.lines) > 10_000
    events = events_of(clay)
    axis = draw(clay, panels_for(clay.channels), events).plots["excess"].y_range
    assert -axis.end <= axis.start < 0 < 30 < axis.end < 500
    said = f'<span class="unit">mm, drawn to {axis.end:g} mm only</span>'
    assert said in clay_page.read_text(encoding="utf-8")
    calm = {name: np.clip(values, -20.0, 20.0) for name, values in clay.channels.items()}
    assert axis_end(panel, calm) is None


def test_the_time_axis_has_a_unit(clay):
    """In the picture too, which has no more words than its plots."""
    for name, plot in draw(clay, panels_for(clay.channels), events_of(clay)).plots.items():
        if name != "path":
            assert " s`" in plot.xaxis[0].formatter.code


def test_words_of_the_labels_file_cannot_become_markup(written):
    """Notes come from anybody."""
    page = (written[0] / "short.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_circle_driven_is_a_circle_seen_from_above():
    """Speed 1 m/s at 0.5 rad/s: a circle of 2 m radius, to the left, closed after 4 pi s."""
    t_s = np.arange(0.0, 4 * np.pi, 0.001)
    path = dead_reckoning(t_s, np.ones_like(t_s), np.full_like(t_s, 0.5))
    radius = np.hypot(path[:, 0], path[:, 1] - 2.0)
    np.testing.assert_allclose(radius, 2.0, atol=0.01)
    np.testing.assert_allclose(path[-1], path[0], atol=0.01)


def test_truth_begins_where_the_estimate_does_and_heads_the_same_way(tmp_path):
    """Truth knows north, the estimate only its own start: a rover that stands turned round went,
    by the page, the opposite way."""
    drive = cut("reverse_off_the_clay", 0.0, 5.0, tmp_path)
    report = report_drive(open_recording(drive), Config.load(REPLAY / "rover.yaml"))
    apart = np.linalg.norm(report.true_path_m - report.path_m, axis=1)
    assert np.abs(report.true_path_m[:, 0]).max() > 0.1, "it moves"
    assert apart[0] == 0.0
    assert apart.max() < 0.05
    turned = np.exp(2.1j) * np.exp(1j * np.linspace(0.0, 2.0, 50)) * 3.0  # an arc, somewhere
    same = np.exp(1j * np.linspace(0.0, 2.0, 50)) * 3.0
    path, true = (np.column_stack((z.real, z.imag)) for z in (same - same[0], turned + 7.0))
    np.testing.assert_allclose(from_one_start(true, path), path, atol=1e-9)
    still = np.full((50, 2), 3.0)
    np.testing.assert_allclose(from_one_start(still, 0.0 * path), 0.0)
    true[:3] = np.nan
    assert np.isnan(from_one_start(true, path)[:3]).all()


# -- the command ---------------------------------------------------------------------------------


def test_the_command_writes_the_page_and_nothing_else(written):
    """By default it is named as the drive, in the folder one is in."""
    there, said = written
    assert [path.name for path in there.iterdir()] == ["short.html"]
    assert "short.html: 1." in said


def test_the_drive_is_never_overwritten(short, capsys):
    """A mistyped -o must not cost a recording."""
    before = short.read_bytes()
    assert main(["report", str(short), "-o", str(short)]) == Exit.USAGE
    assert short.read_bytes() == before
    assert "is read or written already" in capsys.readouterr().err


def test_a_page_or_picture_of_another_drive_is_not_written_over(short, monkeypatch, capsys):
    """Every recorded run has its drive-000.csv: their pages have the same name."""
    monkeypatch.chdir(short.parent)
    for name, options in (("short.html", ()), ("mine.png", ("--png", "mine.png", "-o", "a.html"))):
        Path(name).write_text("of another drive")
        assert main(["report", str(short), *options]) == Exit.USAGE
        told = " ".join(capsys.readouterr().err.split())
        assert f"{name}: already there; name another file, or give --force" in told
        assert Path(name).read_text() == "of another drive"
    assert not Path("a.html").exists()
    assert main(["report", str(short), "--force"]) == Exit.DONE
    assert Path("short.html").read_text().startswith("<!")


def test_labels_of_another_drive_are_refused_and_no_page_written(short, tmp_path, capsys):
    """Drawn beside the drive nobody would see them, and the score would be of something else."""
    short.with_suffix(".yaml").write_text("events: [{kind: rolling, start_s: 90, end_s: 95}]\n")
    out = tmp_path / "page.html"
    assert main(["report", str(short), "-o", str(out)]) == Exit.RECORDING
    said = capsys.readouterr().err
    assert "short.yaml" in said
    assert "is not in the drive short.csv" in said
    assert not out.exists()


def test_an_empty_drive_is_said_and_no_page_written(short, tmp_path, capsys):
    """A header alone is no drive."""
    short.write_text("t_s,fl_count\n")
    out = tmp_path / "page.html"
    assert main(["report", str(short), "-o", str(out)]) == Exit.RECORDING
    assert "holds no rows" in capsys.readouterr().err
    assert not out.exists()


def test_without_the_library_the_command_says_what_to_install(short, monkeypatch, capsys, tmp_path):
    """It is an extra."""
    really = builtins.__import__

    def missing(name, *args, **kwargs):
        if name == "slipguard.report":
            raise ModuleNotFoundError("No module named 'bokeh'", name="bokeh")
        return really(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", missing)
    assert main(["report", str(short), "-o", str(tmp_path / "a.html")]) == Exit.USAGE
    assert "pip install '.[report]'" in capsys.readouterr().err


def test_a_picture_without_a_browser_is_refused_in_words(short, monkeypatch, capsys, tmp_path):
    """The page is there all the same, and can make the picture itself."""
    monkeypatch.setenv("PATH", str(tmp_path))
    page, picture = tmp_path / "a.html", tmp_path / "a.png"
    code = main(["report", str(short), "-o", str(page), "--png", str(picture)])
    assert code == Exit.RECORDING
    assert "press PNG" in capsys.readouterr().err
    assert page.exists()
    assert not picture.exists()
