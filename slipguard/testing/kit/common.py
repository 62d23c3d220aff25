"""What holds for every kind of plugin: how it is installed, imported and set up."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import MISSING, Field, fields
from typing import Any, get_origin, get_type_hints

import pytest
import yaml

from slipguard.errors import ConfigError
from slipguard.plugin.discover import Plugin, discover
from slipguard.plugin.hookspec import GROUP
from slipguard.plugin.host import Host
from slipguard.testing.made_up import make_config


class PluginContract:
    """What holds for every kind of plugin: how it is installed, imported and set up."""

    section: str = ""
    """Lines of the rover file's ``plugins:`` section that name this plugin with good settings."""

    def _plugin(self) -> Plugin:
        if not self.section:
            pytest.fail(
                f"set {type(self).__name__}.section, e.g. section = 'my-brake: {{pin: 17}}'"
            )
        (name,) = yaml.safe_load(self.section)
        found = discover([name])
        if not found:
            pytest.fail(
                f"no installed package names {name!r} in its entry-point group {GROUP}: run "
                "'pip install -e .' in the project first"
            )
        return found[0]

    def _settings(self) -> list[type]:
        return [offer.settings for offer in self._plugin().offers]

    def _good_values(self) -> dict[str, Any]:
        try:
            Host(make_config(self.section))
        except ConfigError as err:
            pytest.fail(f"mend {type(self).__name__}.section first, it is refused: {err}")
        ((_, values),) = yaml.safe_load(self.section).items()
        return dict(values or {})

    # -- installed, imported, set up ------------------------------------------------------

    def test_is_installed_and_loads(self) -> None:
        """``slipguard plugins list`` shows it without a complaint."""
        plugin = self._plugin()
        assert plugin.problem is None, plugin.problem

    def test_importing_and_building_touch_nothing_outside(self) -> None:
        """A rover file can be checked on a desk: no device, network or program is touched."""
        program = _IMPORT_AND_BUILD.format(section=self.section)
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr.strip().splitlines()[-1]

    def test_good_settings_are_accepted(self) -> None:
        """The section of the test, and so of the README, works as it is written."""
        host = Host(make_config(self.section))
        assert [plugin.name for plugin, _ in host.built], "nothing was built"

    def test_an_unknown_setting_is_refused_with_its_place(self) -> None:
        """A misspelt key is told with file, line and key."""
        self._refused({**self._good_values(), "no_such_setting": 1}, "no_such_setting")

    def test_settings_beyond_their_limits_are_refused(self) -> None:
        """Every limit that a setting of the section declares is enforced, and told with its key."""
        for kind in self._settings():
            for f in fields(kind):
                for value in _beyond(f):
                    self._refused({**self._good_values(), f.name: value}, f.name)

    def test_settings_of_the_wrong_type_are_refused(self) -> None:
        """A text where a number belongs is told, not guessed at."""
        for kind in self._settings():
            hints = get_type_hints(kind)
            for f in fields(kind):
                is_mapping = get_origin(hints[f.name]) is dict
                wrong = "text" if is_mapping else {"a": {"b": 1}}
                self._refused({**self._good_values(), f.name: wrong}, f.name)

    def test_missing_settings_are_refused(self) -> None:
        """A setting without a default must be given, and the error says which."""
        for kind in self._settings():
            for f in fields(kind):
                if f.default is MISSING and f.default_factory is MISSING:
                    rest = {k: v for k, v in self._good_values().items() if k != f.name}
                    self._refused(rest, f.name)

    def _refused(self, values: dict[str, Any], key: str) -> None:
        name = self._plugin().name
        text = yaml.safe_dump({name: values}, default_flow_style=False, sort_keys=False)
        with pytest.raises(ConfigError) as caught:
            Host(make_config(text))
        said = str(caught.value)
        assert said.startswith("rover.yaml:"), f"no file and line: {said}"
        assert f"plugins.{name}.{key}" in said, f"no key: {said}"


def need(value: Any, name: str) -> Any:
    if value is None:
        pytest.skip(f"give the fixture {name!r} to run this test")
    return value


def slept_s(call: Callable[[], object]) -> float:
    """How long ``call`` asked to sleep, seconds, without sleeping. Other threads sleep as ever."""
    me, sleep = threading.get_ident(), time.sleep
    asked_s = [0.0]

    def count(seconds: float) -> None:
        if threading.get_ident() != me:
            sleep(seconds)
        else:
            asked_s[0] += seconds

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(time, "sleep", count)
        call()
    return asked_s[0]


def _beyond(f: Field[Any]) -> Iterator[float]:
    meta = f.metadata
    if meta["low"] is not None:
        yield meta["low"] - 1
    if meta["above"] is not None:
        yield meta["above"]
    if meta["high"] is not None:
        yield meta["high"] + 1


_IMPORT_AND_BUILD = """
import os, sys

def watch(event, arguments):
    touched = None
    if event.startswith("socket.") and event not in ("socket.gethostname",):
        touched = event
    elif event in ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn"):
        touched = event
    elif event == "open" and isinstance(arguments[0], (str, bytes)):
        path = os.fsdecode(arguments[0])
        if path.startswith(("/dev/", "/sys/class/", "/sys/bus/")) and path not in (
            "/dev/null", "/dev/random", "/dev/urandom"
        ):
            touched = "open " + path
    if touched:
        sys.stderr.write("touched the outside: " + touched + chr(10))
        sys.stderr.flush()
        os._exit(9)

sys.addaudithook(watch)
from slipguard.plugin.build import build
from slipguard.testing import make_config
build(make_config({section!r}))
"""
