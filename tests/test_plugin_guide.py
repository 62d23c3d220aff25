"""The guide for plugin authors says what the code does."""

from __future__ import annotations

import inspect
import re
import tomllib
from pathlib import Path

import pytest
import yaml

from slipguard.plugin import Actuator, AlertSink, SensorSource, hookspec
from slipguard.plugin.isolate import GIVE_UP_S, LONGEST_PAUSE_S
from slipguard.plugin.outbox import CAPACITY
from slipguard.plugin.register import Register

PLUGINS = Path(__file__).parent.parent / "plugins"
GUIDE = (PLUGINS / "README.md").read_text(encoding="utf-8")
PACKAGES = sorted(path.parent for path in PLUGINS.glob("*/pyproject.toml"))


def part(title):
    """One section of the guide."""
    return re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", GUIDE, re.M | re.S).group(1)


def test_the_hook_is_the_one_in_the_code():
    """Name, argument and entry-point group."""
    signature = inspect.signature(hookspec.slipguard_register)
    assert f"def slipguard_register({', '.join(signature.parameters)}):" in part("The hook")
    assert f"`{hookspec.GROUP}`" in part("The hook")
    for name in ("actuator", "alert_sink", "sensor_source"):
        assert hasattr(Register, name)
        assert f"`register.{name}`" in part("The hook")


@pytest.mark.parametrize(
    ("title", "kind"),
    [("Actuator", Actuator), ("Alert sink", AlertSink), ("Sensor source", SensorSource)],
)
def test_every_method_an_author_must_write_is_in_its_list(title, kind):
    """Nobody learns of a method from a TypeError."""
    text = part(title)
    for name in kind.__abstractmethods__:
        assert f"`{name}(" in text, name
    for name in ("channels", "when_silent", "provides"):
        if name in inspect.get_annotations(kind):
            assert f"`{name}`" in text


def test_numbers_in_the_guide_are_those_of_the_code():
    """Deadline, queue, pauses."""
    assert f"default {Actuator.deadline_s}" in part("Actuator")
    assert f"newest {CAPACITY} alerts" in part("Alert sink")
    assert GIVE_UP_S == 2.0
    assert LONGEST_PAUSE_S == 1.0
    assert "two seconds" in part("How the host treats you")
    assert "up to a second" in part("How the host treats you")


def test_every_package_is_in_the_table():
    """A plugin that nobody finds might as well not be there."""
    assert len(PACKAGES) >= 9
    for home in PACKAGES:
        assert f"[{home.name}]({home.name})" in GUIDE


@pytest.mark.parametrize("home", PACKAGES, ids=lambda home: home.name)
def test_every_package_is_complete(home):
    """Own metadata, README with cautions and worked scenario, tests, typed."""
    project = tomllib.loads((home / "pyproject.toml").read_text())["project"]
    assert project["name"] == f"slipguard-{home.name}"
    assert any(dependency.startswith("slipguard") for dependency in project["dependencies"])
    readme = (home / "README.md").read_text(encoding="utf-8")
    assert list(home.glob("tests/test_*.py"))
    assert list(home.glob("*/py.typed"))
    for group, entries in project.get("entry-points", {}).items():
        assert group == hookspec.GROUP
        assert list(entries) == [home.name]
        assert "## Worked scenario" in readme
        assert re.search(r"kill\s+switch|Wheels off the ground", readme)


def test_the_example_of_a_rover_file_is_yaml():
    """It can be copied."""
    (example,) = re.findall(r"```yaml\n(.*?)```", GUIDE, re.S)
    assert set(yaml.safe_load(example)["plugins"]) == {"servo-brake", "console-alert"}
