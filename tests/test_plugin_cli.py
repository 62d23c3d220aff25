"""``slipguard plugins``: what a builder sees of the plugins installed."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib

import pytest
from typer.testing import CliRunner

from slipguard.cli import plugins as command
from slipguard.plugin.discover import Plugin
from slipguard.testing import MockActuator, MockSettings, make_plugin
from slipguard.testing.made_up import ROVER

GOOD = make_plugin("servo", actuator=MockActuator, settings=MockSettings, package="acme-servo 1.0")
BAD = Plugin(name="bell", package="acme-bell 2.0", problem="cannot import bell: SyntaxError: '('")


@pytest.fixture
def run(monkeypatch):
    """Run the command with two plugins installed, one of them broken."""

    def find(names=None):
        return tuple(p for p in (BAD, GOOD) if names is None or p.name in names)

    monkeypatch.setattr(command, "discover", find)
    monkeypatch.setattr("slipguard.plugin.build.discover", find)
    return lambda *arguments: CliRunner().invoke(command.app, arguments)


def test_the_list_shows_every_plugin_and_one_line_for_what_is_wrong(run):
    """A broken package is a line in the list, never a traceback."""
    result = run("list")
    assert result.exit_code == 0
    assert "acme-servo 1.0" in result.stdout
    assert "CANNOT BE USED" in result.stdout
    problem = "plugin bell (acme-bell 2.0): cannot import bell: SyntaxError: '('"
    assert problem in result.stdout.splitlines()


def test_the_list_for_machines(run):
    """--as-json carries the same facts."""
    rows = json.loads(run("list", "--as-json").stdout)
    assert rows[0]["problem"] == BAD.problem
    assert rows[1] == {
        "name": "servo",
        "package": "acme-servo 1.0",
        "brings": ["actuator"],
        "problem": None,
    }


def test_check_fails_where_a_plugin_is_broken_or_missing(run):
    """A script can rely on the exit code."""
    assert run("check", "servo").exit_code == 0
    assert run("check").exit_code == 5
    result = run("check", "horn")
    assert result.exit_code == 5
    assert "plugin horn: not installed; known: " in result.stdout


def test_check_with_a_rover_shows_who_serves_what_and_warns_of_gaps(run, tmp_path):
    """The builder sees before the drive which wheel has no brake and what a crash leaves."""
    rover = tmp_path / "rover.yaml"
    rover.write_text(
        ROVER + "  servo: {channels: [brake.fl, brake.fr, brake.rl, throttle], "
        "when_silent: holds_last}\n"
    )
    result = run("check", "--rover", str(rover))
    assert result.exit_code == 0
    assert "holds the last command for ever" in result.stdout
    assert "WARNING: no plugin serves brake.rr" in result.stdout
    assert "WARNING: the throttle holds its last command" in result.stdout


def test_check_with_a_rover_refuses_what_cannot_work(run, tmp_path):
    """The error is the host's own, with plugin and package."""
    rover = tmp_path / "rover.yaml"
    rover.write_text(ROVER + "  bell: {}\n")
    result = run("check", "--rover", str(rover))
    assert str(result.exception) == f"{BAD.label}: {BAD.problem}"


@pytest.fixture
def project(run, tmp_path):
    """What ``plugins new trial-brake`` writes, with what pip install would leave behind."""
    assert run("new", "trial-brake", "--into", str(tmp_path)).exit_code == 0
    home = tmp_path / "trial-brake"
    info = home / "slipguard_trial_brake-0.1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: slipguard-trial-brake\nVersion: 0.1.0\n"
    )
    written = tomllib.loads((home / "pyproject.toml").read_text())["project"]
    ((group, entries),) = written["entry-points"].items()
    lines = [f"[{group}]", *(f"{name} = {value}" for name, value in entries.items())]
    (info / "entry_points.txt").write_text("\n".join(lines))
    return home


def python(home, *arguments):
    """Run Python with the project installed; what it printed."""
    path = os.pathsep.join([str(home), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=home,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.large
def test_a_new_project_passes_its_own_tests_at_once(project):
    """An author starts from green: the whole kit runs on what ``plugins new`` writes."""
    said = python(project, "-m", "pytest", "-p", "no:cacheprovider", str(project))
    assert " passed" in said
    assert "skipped" not in said
    assert "failed" not in said


@pytest.mark.large
def test_a_new_project_guides_who_replaces_its_example_board(project):
    """With a board of the author's own the kit goes on; the example's tests ask for new ones."""
    code = project / "trial_brake" / "__init__.py"
    text = code.read_text()
    for old, new in (("Board", "Relays"), ("full: float", "most: float"), (".full", ".most")):
        assert old in text
        text = text.replace(old, new)
    code.write_text(text)
    said = python(project, "-m", "pytest", "-rs", "-p", "no:cacheprovider", str(project))
    assert "1 skipped" in said
    assert "the example board is gone: test yours here" in said


def test_the_first_try_on_hardware_in_the_new_readme_works(project, tmp_path):
    """Copied as it stands, with a file in place of the device."""
    device = tmp_path / "board"
    device.touch()
    readme = (project / "README.md").read_text()
    (script,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    hurried = script.replace("/dev/ttyACM0", str(device)).replace("time.sleep(0.01)", "pass")
    assert hurried.count(str(device)) == 1
    python(project, "-c", hurried)
    lines = device.read_text().splitlines()
    assert lines[:4] == ["fl 1.000", "fr 0.000", "rl 0.000", "rr 0.000"]
    assert lines[4 * 299] == "fl 0.000"
    assert lines[-4:] == ["fl 1.000", "fr 1.000", "rl 1.000", "rr 1.000"]  # the safe state


def test_new_names_the_python_that_slipguard_is_in(run, tmp_path):
    """Another pip would look for slipguard on an index, where it is not."""
    said = run("new", "trial-brake", "--into", str(tmp_path)).stdout
    assert f"next: {sys.executable} -m pip install -e " in said
    assert f"{sys.executable} -m pytest" in said


def test_a_new_project_never_overwrites(run, tmp_path):
    """A name typed twice costs nobody's work."""
    (tmp_path / "trial-brake").mkdir()
    result = run("new", "trial-brake", "--into", str(tmp_path))
    assert "exists already; nothing was written" in str(result.exception)


@pytest.mark.parametrize("name", ["My-Brake", "my_brake", "-x", "a--b", "2brake", "", "a/b"])
def test_a_name_that_cannot_be_a_package_is_refused(run, tmp_path, name):
    """The name becomes a package, a module and a class."""
    result = run("new", "--into", str(tmp_path), "--", name)
    assert "expected small letters" in str(result.exception)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "whose"),
    [
        ("slipguard", "slipguard's own"),
        ("if", "a word of Python"),
        ("json", "a module of Python"),
        ("mock-actuator", "an installed plugin's"),
    ],
)
def test_a_name_that_is_taken_is_told_so(run, tmp_path, name, whose):
    """Its letters are right; the reason is another one. A package json would stand before
    Python's own, and of two plugins of one name neither can be used."""
    result = run("new", name, "--into", str(tmp_path))
    assert f"found {name!r}, which is {whose}" in str(result.exception)
    assert list(tmp_path.iterdir()) == []
