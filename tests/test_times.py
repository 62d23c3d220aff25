"""Times a person reads are seconds from the first row of a drive; files keep those recorded."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from demo import ROVER, cut

from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.recording import labels_path, load_labels

pytestmark = pytest.mark.usefixtures("quick_replay")
FIRST_S, LAST_S = 13.0, 18.0
NOTE = "seconds from the first row, at 13.000 s in the recording"


@pytest.fixture
def drive(tmp_path) -> Path:
    """Five seconds in which it rolls away, recorded with a clock that runs since before."""
    path = cut("parking_on_the_bank", FIRST_S, LAST_S, tmp_path)
    (tmp_path / "rover.yaml").write_bytes(ROVER.read_bytes())
    return path


def seconds(text: str) -> list[float]:
    """Every number with three decimals, and those of spans and alerts."""
    return [float(number) for number in re.findall(r"\b(\d+\.\d{2,3})\b", text)]


def test_a_replay_counts_from_the_first_row(drive, tmp_path, capsys):
    """Findings, holds, alerts and what the labels say of them; the JSON file is a file."""
    written = tmp_path / "out.json"
    assert main(["replay", str(drive), "--json", str(written)]) == Exit.DONE
    out = capsys.readouterr().out
    assert NOTE in out
    (rolling,) = [e for e in json.loads(written.read_text())["findings"] if e["kind"] == "rolling"]
    assert rolling["start_s"] > FIRST_S
    assert re.search(rf"rolling +{rolling['start_s'] - FIRST_S:.3f} ", out)
    assert max(seconds(out.replace(NOTE, ""))) < LAST_S - FIRST_S + 1.0


def test_a_drive_that_starts_at_zero_needs_no_words(tmp_path, capsys):
    """Nothing to tell where both are the same."""
    path = cut("parking_on_the_bank", 0.0, 2.0, tmp_path)
    assert main(["replay", str(path), "--rover", str(ROVER)]) == Exit.DONE
    assert "first row" not in capsys.readouterr().out


def test_proposed_labels_are_shown_from_the_first_row_and_written_as_recorded(drive, capsys):
    """A labels file belongs to the recording, whatever a person is shown."""
    labels_path(drive).unlink()
    assert main(["label", str(drive), "--no-truth", "--write"]) == Exit.DONE
    out = capsys.readouterr().out
    assert NOTE in out
    event = next(e for e in load_labels(labels_path(drive)).events if e.kind == "rolling")
    assert event.start_s > FIRST_S
    shown = f"rolling +{event.start_s - FIRST_S:.3f} +{event.end_s - FIRST_S:.3f} "
    assert re.search(shown, out)


def test_a_comparison_counts_from_the_first_row_of_each_drive(drive, tmp_path, capsys):
    """Its sentences too."""
    deaf = tmp_path / "deaf.yaml"
    deaf.write_text(ROVER.read_text() + "rolling: {travel_mm: 500}\n")
    written = tmp_path / "out.json"
    code = main(["compare", str(ROVER), str(deaf), str(drive), "--json", str(written)])
    assert code == Exit.REGRESSION
    out = capsys.readouterr().out
    (change,) = json.loads(written.read_text())["drives"]
    assert change["start_s"] == FIRST_S
    (shift,) = change["later"]
    assert shift["after"]["start_s"] > FIRST_S
    assert re.search(rf"later +rolling +{shift['after']['start_s'] - FIRST_S:.3f}", out)
    said = re.search(r"rolling at (\d+\.\d+) s found", " ".join(out.split()))
    assert said
    assert 0.0 < float(said[1]) < LAST_S - FIRST_S
    assert "seconds from the first row of each drive" in out


def test_a_page_counts_from_the_first_row(drive, tmp_path):
    """Its axis, its table and its words."""
    pytest.importorskip("bokeh")
    page = tmp_path / "page.html"
    assert main(["report", str(drive), "-o", str(page)]) == Exit.DONE
    text = page.read_text(encoding="utf-8")
    assert NOTE in text
    about = json.loads(re.search(r'id="about">(.*?)</script>', text, re.S)[1])
    assert (about["start_s"], about["view"][1]) == pytest.approx((0.0, 5.0), abs=0.1)
    starts = [float(s) for s in re.findall(r'<tr tabindex="0" data-start="(.*?)"', text)]
    assert starts
    assert all(0.0 <= s <= LAST_S - FIRST_S for s in starts)
