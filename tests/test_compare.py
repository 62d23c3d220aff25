"""Comparing two configs: what CI relies on to refuse a change for the worse."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from demo import REPLAY, ROVER, cut

from slipguard import Config, RecordingError
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.compare import Change, compare_drive
from slipguard.recording.find import find_drives

pytestmark = pytest.mark.usefixtures("quick_replay")


@pytest.fixture(scope="module")
def config() -> Config:
    return Config.load(ROVER)


@pytest.fixture(scope="module")
def clay(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first nine seconds of the drive on clay, with their labels."""
    return cut("wet_clay_uphill", 0.0, 9.0, tmp_path_factory.mktemp("clay"))


@pytest.fixture(scope="module")
def there_and_back(clay: Path, config: Config) -> tuple[Change, Change]:
    """From the rover's file to a deaf one, and back."""
    deaf = config.with_changes(spin__slip_speed_mps=0.6)
    return compare_drive(clay, config, deaf), compare_drive(clay, deaf, config)


@pytest.fixture
def deaf(tmp_path: Path) -> Path:
    """A rover file that finds spin only when it is gross."""
    path = tmp_path / "deaf.yaml"
    path.write_text(ROVER.read_text(encoding="utf-8") + "spin: {slip_speed_mps: 0.6}\n")
    return path


def test_the_same_config_changes_nothing(clay, config):
    """Otherwise no change of a setting could be told from chance."""
    change = compare_drive(clay, config, config)
    assert change.same == 3
    assert (change.gained, change.lost, change.earlier, change.later) == ((), (), (), ())
    assert change.before == change.after
    assert not change.regressions


def test_a_deaf_config_is_a_regression_and_the_way_back_is_none(there_and_back):
    """Lost and later events are seen, and the same ones come back as gained and earlier."""
    there, back = there_and_back
    assert [e.start_s for e in there.lost] == [e.start_s for e in back.gained]
    assert {e.wheel for e in there.lost} == {"rl"}
    assert there.later
    assert [p.by_s for p in there.later] == [-p.by_s for p in back.earlier]
    assert all(p.by_s > 0 for p in there.later)
    assert any("missed wheel spin rl" in text for text in there.regressions)
    assert not back.regressions


def test_without_labels_a_lost_event_counts_and_a_gained_one_does_not(clay, config, tmp_path):
    """Nobody knows which were true, so only what was there must stay."""
    deaf = config.with_changes(spin__slip_speed_mps=0.6)
    shutil.copy(clay, tmp_path / "mine.csv")
    there = compare_drive(tmp_path / "mine.csv", config, deaf)
    assert there.before is None
    assert sum(text.startswith("lost ") for text in there.regressions) == len(there.lost) > 0
    back = compare_drive(tmp_path / "mine.csv", deaf, config)
    assert back.gained
    assert not back.regressions


def test_later_by_little_is_no_regression(clay, config):
    """A delay within what the caller allows must not stop a change that is worth it."""
    slower = config.with_changes(spin__excess_travel_mm=5.0)
    change = compare_drive(clay, config, slower)
    most = max(p.by_s for p in change.later)
    assert 0.0 < most < 0.05
    assert not change.regressions
    strict = compare_drive(clay, config, slower, later_s=0.0)
    assert any(text.endswith("later than before") for text in strict.regressions)


def test_more_false_alarms_are_a_regression(clay, config, tmp_path):
    """On a drive whose labels say that nothing happened, what is gained is false."""
    shutil.copy(clay, tmp_path / "mine.csv")
    (tmp_path / "mine.yaml").write_text("events: []\n", encoding="utf-8")
    deaf = config.with_changes(spin__slip_speed_mps=0.6)
    change = compare_drive(tmp_path / "mine.csv", deaf, config)
    assert any("more false alarm of wheel spin" in text for text in change.regressions)


def test_the_exit_code_tells_ci(clay, deaf, tmp_path, capsys):
    """7 for worse, 0 for not worse; the file says the same; no line is too long."""
    out = tmp_path / "out.json"
    (tmp_path / "calm.csv").write_text("".join(clay.open(encoding="utf-8").readlines()[:100]))
    drives = [str(clay), str(tmp_path / "calm.csv")]
    assert main(["compare", str(ROVER), str(ROVER), *drives[1:]]) == Exit.DONE
    shown = capsys.readouterr().out
    assert "No regression." in shown
    assert "Engine: compiled for drives of 30,000 rows or more, filterpy for shorter" in shown
    arguments = ["compare", str(ROVER), str(deaf), *drives, "--json", str(out), "--workers", "1"]
    assert main(arguments) == Exit.REGRESSION
    text = capsys.readouterr().out
    assert "in total" in text
    assert max(map(len, text.splitlines())) <= 100
    document = json.loads(out.read_text(encoding="utf-8"))
    assert document["regression"] is True
    assert [Path(d["drive"]).name for d in document["drives"]] == [Path(d).name for d in drives]
    assert document["drives"][0]["later"][0]["by_s"] > 0


def test_a_label_outside_the_drive_is_refused_by_name(config, tmp_path):
    """Labels of another drive would make every finding false."""
    lines = (REPLAY / "parking_on_the_bank.csv").open(encoding="utf-8").readlines()
    (tmp_path / "mine.csv").write_text("".join(lines[:200]), encoding="utf-8")
    (tmp_path / "mine.yaml").write_text(
        "events: [{kind: rolling, start_s: 100, end_s: 101}]\n", encoding="utf-8"
    )
    with pytest.raises(RecordingError, match=r"mine\.yaml: events: rolling from 100 to 101 s"):
        compare_drive(tmp_path / "mine.csv", config, config)


def test_drives_are_found_once_and_an_empty_folder_is_said(tmp_path):
    """A drive counted twice would weigh double; a folder without any is a mistake."""
    found = find_drives([REPLAY, REPLAY / "wet_clay_uphill.csv.gz"])
    assert len(found) == len(set(found)) == 10
    assert REPLAY / "wet_clay_uphill.csv.gz" in found
    for name in ("b.csv", "a.parquet", "a.csv.gz", "a.yaml"):
        (tmp_path / name).touch()
    assert [p.name for p in find_drives([tmp_path])] == ["a.csv.gz", "b.csv"], "one in two formats"
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordingError, match="empty: no recorded drive in this folder"):
        find_drives([tmp_path / "empty"])
    with pytest.raises(RecordingError, match="nowhere: no such file"):
        find_drives([tmp_path / "nowhere"])
