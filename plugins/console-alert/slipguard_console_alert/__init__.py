"""Prints alerts on the terminal, one line each."""

from __future__ import annotations

import sys
from dataclasses import dataclass

from rich.console import Console
from rich.text import Text

from slipguard import Alert
from slipguard.plugin import AlertSink, Register, hookimpl, setting

LEVELS = ("info", "warning", "critical")
STYLES = {"info": "cyan", "warning": "yellow", "critical": "bold white on red"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    least_level: str = setting("info", choices=LEVELS, doc="quieter alerts are not printed")
    stream: str = setting("stderr", choices=("stderr", "stdout"), doc="where to print")
    color: str = setting(
        "auto", choices=("auto", "always", "never"), doc="auto: only where a terminal shows it"
    )
    bell: bool = setting(False, doc="ring the terminal bell on critical alerts")


class ConsoleAlert(AlertSink):
    """One line an alert: time, level, what and where, the sentence."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._console: Console | None = None

    def _open(self) -> None:
        color = {"auto": None, "always": True, "never": False}[self._settings.color]
        # The stream is looked up now, not at import, so that a redirected one is honoured.
        self._console = Console(
            file=getattr(sys, self._settings.stream),
            force_terminal=color,
            no_color=True if color is False else None,
            highlight=False,
            soft_wrap=True,
        )

    def _send(self, alert: Alert) -> None:
        if LEVELS.index(alert.level) < LEVELS.index(self._settings.least_level):
            return
        assert self._console is not None
        what = alert.topic.replace("_", " ") + (f" {alert.wheel}" if alert.wheel else "")
        line = Text(f"{alert.t_s:10.3f} s  ")
        line.append(f" {alert.level.upper():8} ", style=STYLES[alert.level])
        line.append(f"  {_printable(what)}: ", style="bold")
        line.append(_printable(alert.message))
        self._console.print(line)
        if self._settings.bell and alert.level == "critical":
            self._console.bell()

    def _close(self) -> None:
        self._console = None  # the stream is not ours to close


def _printable(text: str) -> str:
    """Without control characters: a device's error text must not steer the terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the console."""
    register.alert_sink(ConsoleAlert, Settings)
