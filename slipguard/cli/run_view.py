"""The rover's state on the terminal while it drives, at most 100 columns."""

from __future__ import annotations

import math
from collections import deque
from types import TracebackType
from typing import Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from slipguard.cli.console import WIDTH, table
from slipguard.cli.run_lines import printable
from slipguard.decision import Alert, Hold
from slipguard.live import Loop, Round
from slipguard.reading import WHEELS

FRAMES_PER_S = 5
MOST_ALERTS = 6
MOST_FINDINGS = 6
BAR = 20
STYLES = {"info": "cyan", "warning": "yellow", "critical": "bold red"}
STALE_S = 0.3


class View:
    """Shows the newest round a few times a second; ``watch`` only keeps it."""

    def __init__(self, name: str, loop: Loop, out: Console | None = None) -> None:
        out = out if out is not None else Console()
        self._out = Console(
            file=out.file, width=min(WIDTH, out.width), highlight=False, markup=False
        )
        self._name = name
        self._loop = loop
        self._round: Round | None = None
        self._start_s = 0.0
        self._alerts: deque[Alert] = deque(maxlen=MOST_ALERTS)
        self._live = Live(
            console=self._out,
            get_renderable=self.render,
            refresh_per_second=FRAMES_PER_S,
            vertical_overflow="crop",
        )

    def watch(self, done: Round) -> None:
        """Take a round."""
        if self._round is None:
            self._start_s = done.reading.t_s
        self._round = done
        self._alerts.extend(done.alerts)

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._live.stop()

    def render(self) -> RenderableType:
        """What is shown now."""
        done = self._round
        if done is None:
            return Text("starting ...")
        parts: list[RenderableType] = [
            _head(self._name, done),
            _motion(done),
            _throttle(done),
            _link(done),
            self._rate(),
            _wheels(done),
        ]
        parts += _troubles(done)
        for alert in tuple(self._alerts):
            line = Text(f"{alert.t_s - self._start_s:8.2f} s  ", style="dim")
            line.append(printable(alert.message), style=STYLES[alert.level])
            parts.append(_cut(line))
        return Group(*parts)

    def _rate(self) -> Text:
        timing = self._loop.timing
        text = (
            f"loop      {timing.rate_hz:g} Hz   late 99 % below {1e3 * timing.late_p99_s:.2f} ms, "
            f"worst {1e3 * timing.late_worst_s:.2f} ms   work 99 % below "
            f"{1e3 * timing.work_p99_s:.2f} ms"
        )
        line = Text(text)
        if timing.skipped:
            line.append(f"   {timing.skipped} skipped", style="yellow")
        return _cut(line)


def _cut(line: Text) -> Text:
    line.no_wrap = True
    line.overflow = "ellipsis"
    return line


def _head(name: str, done: Round) -> Text:
    line = Text("slipguard ", style="bold")
    line.append(f"{name}   ", style="dim")
    if done.stopped_by:
        line.append(" STOPPED " if done.armed else " NOT ARMED ", style="bold white on red")
    else:
        line.append(" ARMED ", style="bold black on green")
    hold = done.sent.hold
    line.append(f"   brakes: {hold}", style="" if hold is Hold.OFF else "bold cyan")
    return _cut(line)


def _motion(done: Round) -> Text:
    estimate = done.decision.estimate
    percent = 100.0 * math.tan(estimate.grade_rad)
    line = Text("speed     ")
    line.append(f"{estimate.speed_mps:+6.2f} m/s", style="bold")
    line.append(f"  ± {estimate.speed_sd_mps:.2f} (1 sigma)      grade ")
    line.append(f"{percent:+5.1f} %", style="bold")
    line.append("      at rest" if estimate.at_rest else "")
    return _cut(line)


def _throttle(done: Round) -> Text:
    asked, sent = done.reading.throttle, done.sent
    line = Text("throttle  ")
    line.append("asked   ?   " if asked is None else f"asked {asked:+.2f}")
    line.append(f"   sent {sent.throttle:+.2f}", style="bold")
    line.append(f"   limit {sent.throttle_limit:.2f} ")
    line.append_text(_bar(sent.throttle_limit, "yellow" if sent.throttle_limit < 1.0 else "green"))
    return _cut(line)


def _link(done: Round) -> Text:
    age_s = done.reading.command_age_s
    line = Text("link      ")
    if done.reading.throttle is None and age_s is not None:
        line.append(f"no command yet, {age_s:.1f} s", style="yellow")
    elif age_s is None:
        line.append("age of the command not known", style="yellow")
    else:
        lost = any(f.kind == "link_lost" for f in done.sent.findings)
        style = "bold red" if lost else "yellow" if age_s > STALE_S else ""
        line.append(f"last command {1e3 * age_s:.0f} ms ago{' LOST' if lost else ''}", style=style)
    if done.reading.motor_enabled is False:
        line.append("   motor disabled", style="yellow")
    return _cut(line)


def _wheels(done: Round) -> Table:
    estimate = done.decision.estimate
    shown = table("", "wheel", ">rim m/s", ">slip m/s", ">brake", "")
    shown.title = None
    rows = zip(WHEELS, estimate.wheel_speed_mps, estimate.slip_mps, done.sent.brakes, strict=True)
    slipping = {f.wheel for f in done.sent.findings if f.kind in ("wheel_spin", "wheel_lock")}
    for wheel, rim, slip, brake in rows:
        style = "bold red" if wheel in slipping else ""
        shown.add_row(
            Text(wheel, style=style),
            f"{rim:+.2f}",
            Text(f"{slip:+.2f}", style=style),
            f"{brake:.2f}",
            _bar(brake, "red" if brake > 0 else "green"),
        )
    return shown


def _troubles(done: Round) -> list[Text]:
    lines = [_cut(Text(f"stopped: {printable(r)}", style="bold red")) for r in done.stopped_by]
    findings = done.sent.findings
    if not findings:
        lines.append(Text("no findings", style="dim"))
    for finding in findings[:MOST_FINDINGS]:
        lines.append(_cut(Text(f"found: {printable(finding.reason)}", style="yellow")))
    if len(findings) > MOST_FINDINGS:
        lines.append(Text(f"... and {len(findings) - MOST_FINDINGS} more"))
    lines.append(Text())
    return lines


def _bar(share: float, style: str) -> Text:
    filled = round(BAR * max(0.0, min(1.0, share)))
    bar = Text("█" * filled, style=style)
    bar.append("·" * (BAR - filled), style="dim")
    return bar
