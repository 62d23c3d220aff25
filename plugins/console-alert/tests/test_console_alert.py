"""Console alerts: what is printed, and what must not reach the terminal."""

from __future__ import annotations

import pytest
from slipguard_console_alert import ConsoleAlert, Settings

from slipguard import ConfigError
from slipguard.plugin.discover import discover
from slipguard.plugin.host import Host
from slipguard.testing import make_alert, make_config, make_decision


def printed(capsys, settings, *alerts):
    with ConsoleAlert(settings) as console:
        for alert in alerts:
            console.send(alert)
    return capsys.readouterr()


def test_a_line_tells_when_how_bad_what_where_and_why(capsys):
    """The driver reads time, level, topic, wheel and sentence on one line."""
    alert = make_alert("rear left wheel spins", t_s=12.34)
    out = printed(capsys, Settings(), alert)
    assert out.err == "    12.340 s   WARNING    wheel spin rl: rear left wheel spins\n"
    assert out.out == ""


def test_a_long_sentence_stays_on_one_line(capsys):
    """A log file has one line an alert, whatever the width of the terminal."""
    out = printed(capsys, Settings(), make_alert("word " * 100))
    assert out.err.count("\n") == 1


def test_quieter_alerts_are_left_out(capsys):
    """least_level keeps information away and lets what is as bad or worse through."""
    alerts = [make_alert(level, level=level) for level in ("info", "warning", "critical")]
    out = printed(capsys, Settings(least_level="warning", stream="stdout"), *alerts)
    assert [line.split()[-1] for line in out.out.splitlines()] == ["warning", "critical"]


def test_markup_and_control_characters_are_printed_not_obeyed(capsys):
    """An error text from a device cannot clear the screen or hide text."""
    out = printed(capsys, Settings(), make_alert("[red]no[/red] \x1b[2J\a\r end"))
    assert "[red]no[/red] ?[2J?? end" in out.err
    assert "\x1b" not in out.err


def test_color_only_when_asked_for_where_there_is_no_terminal(capsys):
    """A log file holds no escape sequences unless the builder wants them."""
    assert "\x1b[" not in printed(capsys, Settings(), make_alert()).err
    assert "\x1b[" in printed(capsys, Settings(color="always"), make_alert()).err


def test_the_bell_rings_for_critical_alerts_alone(capsys):
    """bell: true is for what the driver must not miss."""
    settings = Settings(bell=True, color="always")
    assert "\a" not in printed(capsys, settings, make_alert(level="warning")).err
    assert "\a" in printed(capsys, settings, make_alert(level="critical")).err


def test_the_installed_package_is_found_and_prints_through_the_host(capsys):
    """Entry point, hook, settings and host fit together in the package as installed."""
    (plugin,) = discover(["console-alert"])
    assert plugin.problem is None
    config = make_config("console-alert: {color: never}")
    with Host(config, threads=False) as host:
        host.apply(make_decision(t_s=3.0, alerts=(make_alert("wheel spins", t_s=3.0),)))
    assert "     3.000 s   WARNING    wheel spin rl: wheel spins" in capsys.readouterr().err


def test_a_wrong_setting_is_told_with_file_line_and_key():
    """A typing mistake in the rover file is found before the drive."""
    config = make_config("console-alert:\n  stream: sdterr")
    with pytest.raises(
        ConfigError,
        match=r"rover\.yaml:7: plugins\.console-alert\.stream: .*"
        r"did you mean 'stderr'",
    ):
        Host(config)
