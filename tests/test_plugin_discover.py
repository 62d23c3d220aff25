"""Finding plugins: every way a package can be wrong is one line that names it."""

from __future__ import annotations

import sys
import textwrap
from importlib import metadata

import pytest

from slipguard import PluginError
from slipguard.plugin import Actuator, AlertSink, WhenSilent, hookspec
from slipguard.plugin.discover import discover
from slipguard.plugin.register import Register

GOOD = """
from slipguard.plugin import AlertSink, hookimpl

class Sink(AlertSink):
    def _open(self): pass
    def _send(self, alert): pass
    def _close(self): pass

@hookimpl
def slipguard_register(register):
    register.alert_sink(Sink)
"""


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Install a package as pip would: a module and its metadata on the path."""
    monkeypatch.syspath_prepend(tmp_path)

    def install(code, name="wheel-bell", package="acme-bell", target=None):
        module = f"module_{len(list(tmp_path.iterdir()))}_{package.replace('-', '_')}"
        (tmp_path / f"{module}.py").write_text(textwrap.dedent(code))
        info = tmp_path / f"{package.replace('-', '_')}-1.2.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.2\n")
        target = target.format(module=module) if target else module
        (info / "entry_points.txt").write_text(f"[slipguard.plugins]\n{name} = {target}\n")
        monkeypatch.delitem(sys.modules, module, raising=False)
        return module

    return install


def found(name="wheel-bell"):
    (plugin,) = discover([name])
    return plugin


def test_a_good_package_says_what_it_brings(install):
    """An installed package is found through its entry point, with name and version."""
    install(GOOD)
    plugin = found()
    assert plugin.problem is None
    assert plugin.package == "acme-bell 1.2"
    assert [offer.kind for offer in plugin.offers] == ["alert sink"]


def test_an_object_can_be_the_plugin_too(install):
    """The entry point may name an object whose method is the hook."""
    code = GOOD.replace(
        "@hookimpl\ndef slipguard_register(register):",
        "class P:\n  @hookimpl\n  def slipguard_register(self, register):",
    )
    install(code + "\nplugin = P()\n", target="{module}:plugin")
    assert found().problem is None


def test_a_hook_that_asks_for_less_still_loads_with_what_it_registered(install):
    """pluggy lets a hook take fewer arguments; then nothing was registered, and that is told."""
    install("from slipguard.plugin import hookimpl\n@hookimpl\ndef slipguard_register(): pass\n")
    assert found().problem == "slipguard_register registered nothing"


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import no_such_library", "cannot import {module}: ModuleNotFoundError: No module named "
                                   "'no_such_library'"),
        ("def broken(:", "cannot import {module}: SyntaxError: "),
        ("raise SystemExit(3)", "cannot import {module}: SystemExit: 3"),
        ("raise KeyError('a\\nb')", "cannot import {module}: KeyError: 'a\\nb'"),
        ("x = 1", "{module} has no slipguard_register marked with @hookimpl"),
        (GOOD.replace("@hookimpl\n", ""),
         "slipguard_register is not marked: put @hookimpl above it"),
        (GOOD.replace("@hookimpl\ndef slipguard_register", "def slipguard_regster"),
         "has no slipguard_register; was 'slipguard_regster' meant? Mark it with @hookimpl"),
        (GOOD.replace("def slipguard_register", "def slipguard_regster"),
         "marks unknown hook 'slipguard_regster'; did you mean 'slipguard_register'?"),
        (GOOD.replace("slipguard_register(register)", "slipguard_register(registry)"),
         "slipguard_register(registry) has the wrong arguments; "
         "expected slipguard_register(register)"),
        (GOOD.replace("alert_sink(Sink)", "alert_sync(Sink)"),
         "slipguard_register raised AttributeError: 'Register' object has no attribute "
         "'alert_sync'"),
        (GOOD.replace("alert_sink(Sink)", "actuator(Sink)"),
         "Sink is registered as actuator but does not derive from Actuator"),
        (GOOD.replace("_send", "send_it"), "Sink lacks _send"),
        (GOOD.replace("alert_sink(Sink)", "alert_sink(Sink())"),
         "expected a class or function that builds one"),
        (GOOD.replace("def _open", "def __init__(self, a, b): pass\n    def _open"),
         "Sink(a, b) must take no argument: no settings are registered"),
        (GOOD.replace("alert_sink(Sink)", "alert_sink(Sink, dict)"),
         "registers <class 'dict'> as settings of its alert sink; expected a dataclass"),
        (GOOD.replace("alert_sink(Sink)", "alert_sink(lambda s: Sink(), Clash)")
         + "\nfrom dataclasses import dataclass\nfrom slipguard.plugin import setting\n"
         "@dataclass\nclass Clash:\n    plugin: str = setting('x', doc='which')\n",
         "Clash.plugin: slipguard itself uses this key; choose another name"),
    ],
)  # fmt: skip
def test_every_mistake_is_one_clear_line(install, code, said):
    """An author reads what is wrong and what to write instead, never a traceback."""
    module = install(code)
    problem = found().problem
    assert said.format(module=module) in problem
    assert "\n" not in problem
    assert "Traceback" not in problem


def test_a_class_as_entry_point_is_refused(install):
    """pluggy would call the hook without self; say what to name instead."""
    module = install("class P: pass", target="{module}:P")
    said = f"{module}:P is a class; name the module that holds slipguard_register"
    assert found().problem == said


def test_one_broken_package_does_not_hide_the_others(install):
    """The list shows every plugin, whatever is wrong with one."""
    install("raise RuntimeError('no')", name="aaa-broken", package="acme-broken")
    install(GOOD)
    plugins = {plugin.name: plugin for plugin in discover()}
    assert plugins["aaa-broken"].problem.endswith("RuntimeError: no")
    assert plugins["wheel-bell"].problem is None


def test_one_name_from_two_packages_is_an_error_naming_both(install):
    """Which of the two would win must not depend on the order of installing."""
    install(GOOD, package="acme-bell")
    install(GOOD, package="bolt-bell")
    plugin = found()
    assert plugin.offers == ()
    assert plugin.problem == (
        "the name is taken 2 times: by acme-bell 1.2 and bolt-bell 1.2; uninstall all but one"
    )


def test_what_is_not_named_is_not_even_imported(install):
    """Looking for one plugin runs no code of another."""
    module = install("raise RuntimeError('imported')")
    assert discover(["mock-actuator"])[0].problem is None
    assert module not in sys.modules


def test_the_mock_enters_by_the_same_door():
    """slipguard's own plugin is an entry point like any other."""
    (mock,) = discover(["mock-actuator"])
    assert [offer.kind for offer in mock.offers] == ["actuator"]
    assert mock.package == f"slipguard {metadata.version('slipguard')}"


def test_the_hook_specification_stays_small():
    """One hook, one argument: what the guide for authors says."""
    assert hookspec.slipguard_register.__code__.co_varnames == ("register",)
    assert hookspec.GROUP == "slipguard.plugins"


def test_settings_must_be_declared_with_what_they_mean():
    """A setting without unit, limits and meaning could not be explained in an error."""
    from dataclasses import dataclass

    @dataclass
    class Bare:
        pin: int = 3

    class Sink(AlertSink):
        def __init__(self, settings):
            pass

        _open = _close = _send = lambda self, *_: None

    with pytest.raises(PluginError, match=r"Bare\.pin is not declared with setting"):
        Register().alert_sink(Sink, Bare)


def test_what_hardware_does_in_silence_must_be_one_of_three():
    """A misspelt claim about fail-safe behaviour must not pass for one."""
    assert str(WhenSilent("releases", 0.2)) == "releases after 0.2 s"
    assert str(WhenSilent("holds_last")) == "holds the last command for ever"
    with pytest.raises(ValueError, match="expected one of holds_last, releases, applies"):
        WhenSilent("hold")
    with pytest.raises(ValueError, match="after_s: found nan"):
        WhenSilent("releases", float("nan"))


def test_an_abstract_actuator_cannot_be_built():
    """Leaving out what to do on a safe state is refused by Python itself."""

    class Half(Actuator):
        def _open(self): ...
        def _write(self, command, decision): ...
        def _close(self): ...

    with pytest.raises(TypeError, match="_safe_state"):
        Half()
