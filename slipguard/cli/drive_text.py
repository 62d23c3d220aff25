"""What a replayed drive showed, for a person to read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rich.console import Console
from rich.text import Text

from slipguard.cli.console import table
from slipguard.decision import Hold
from slipguard.finding import is_never
from slipguard.reading import WHEELS
from slipguard.recording import Recording
from slipguard.score import Episode, Label, Score
from slipguard.summary import DriveSummary, Span, times_note

MOST_ROWS = 40
"""A longer table is cut here; the JSON file holds all of it."""

_STYLES = {"warning": "yellow", "critical": "bold red"}


def print_summary(
    out: Console, recording: Recording, summary: DriveSummary, scores: Mapping[str, Score] | None
) -> None:
    """Print the drive, its findings, what brakes and throttle did, and the score."""
    _print_drive(out, recording, summary)
    _print_findings(out, summary.episodes.episodes(), summary.first_s)
    _print_action(out, summary)
    _print_alerts(out, summary)
    if scores is not None:
        _print_scores(out, scores, summary.first_s)


def _print_drive(out: Console, recording: Recording, summary: DriveSummary) -> None:
    out.print(Text(recording.path.name, style="bold"))
    labels = recording.labels
    for words in (labels.vehicle, labels.source):
        if words:
            out.print(Text(f"  {' '.join(words.split())}", style="dim"))
    if recording.truncated:
        out.print(Text(f"  {recording.truncated}", style="yellow"))
    out.print(
        f"  {summary.duration_s:.2f} s in {summary.rows} rows, net distance "
        f"{summary.distance_m:.2f} m, top speed {summary.top_speed_mps:.2f} m/s"
    )
    if note := times_note(summary.first_s):
        out.print(f"  {note}")
    if summary.times_back:
        line = f"line {summary.first_back}"
        where = line if summary.times_back == 1 else f"{summary.times_back} rows, first {line}"
        out.print(
            f"  time goes back in {where}; lengths are from the smallest time to the largest",
            style="yellow",
        )
    error = summary.speed_error
    if error.rows:
        out.print(
            f"  estimated speed against true_speed_mps: RMSE {error.rmse_mps:.3f} m/s, worst "
            f"{error.worst_mps:.3f} m/s,\n"
            f"  truth inside 2 sigma in {error.inside_2_sigma:.1%} of {error.rows} rows"
        )


def _print_findings(out: Console, episodes: Sequence[Episode], first_s: float) -> None:
    out.print()
    if not episodes:
        out.print("No findings.")
        return
    shown = table("Findings", "kind", "wheel", ">start s", ">length s", ">peak", ">limit")
    for episode in episodes[:MOST_ROWS]:
        never = is_never(episode.peak, episode.unit)
        shown.add_row(
            _words(episode.kind),
            episode.wheel or episode.sensor or "",
            f"{episode.start_s - first_s:.3f}",
            f"{episode.end_s - episode.start_s:.3f}",
            "never" if never else f"{_three(episode.peak)} {episode.unit}",
            f"{_three(episode.threshold)} {episode.unit}",
        )
    out.print(shown)
    _print_rest(out, len(episodes))


def _print_action(out: Console, summary: DriveSummary) -> None:
    if any(summary.brake_s):
        shown = table("Brakes", "", *(f">{wheel}" for wheel in WHEELS))
        shown.add_row("pressed, s", *(f"{s:.2f}" for s in summary.brake_s))
        shown.add_row("mean command", *map(_mean, summary.brake_full_s, summary.brake_s))
        shown.add_row("full-brake s", *(f"{s:.2f}" for s in summary.brake_full_s))
        out.print(shown)
    else:
        out.print("Brakes never pressed.")
    for words, phase in (("Hill hold on", Hold.HOLDING), ("Stopped gently", Hold.STOPPING)):
        spans = [span for span in summary.holds if span.phase == phase]
        if spans:
            total_s = sum(span.end_s - span.start_s for span in spans)
            times = [_span(span, summary.first_s) for span in spans[:8]]
            more = ", ..." if len(spans) > len(times) else ""
            out.print(
                f"{words} for {total_s:.2f} s, {_times(len(spans))}: {', '.join(times)}{more}"
            )
    out.print(f"Throttle limited for {summary.limited_s:.2f} s")


def _print_alerts(out: Console, summary: DriveSummary) -> None:
    serious = [alert for alert in summary.alerts if alert.level != "info"]
    if serious:
        shown = table("Alerts to the driver", ">time s", "level", "message")
        for alert in serious[:MOST_ROWS]:
            level = Text(alert.level, style=_STYLES[alert.level])
            shown.add_row(f"{alert.t_s - summary.first_s:.3f}", level, Text(alert.message))
        out.print()
        out.print(shown)
        _print_rest(out, len(serious))
    others = len(summary.alerts) - len(serious)
    if others:
        out.print(f"Alerts for information only: {others}")


def _print_scores(out: Console, scores: Mapping[str, Score], first_s: float) -> None:
    out.print()
    if all(score.says_nothing for score in scores.values()):
        out.print("Labels: there was nothing to find, and nothing was invented.")
        return
    shown = table(
        "Against the labels",
        "kind",
        ">labelled",
        ">found",
        ">recall",
        ">false alarms",
        ">delay p50 ms",
        ">delay p95 ms",
    )
    for kind, score in scores.items():
        if score.says_nothing:
            continue
        recall = score.recall
        shown.add_row(
            _words(kind),
            str(score.labelled),
            str(len(score.found)),
            "-" if recall is None else f"{recall:.0%}",
            str(len(score.false_alarms)),
            _ms(score.delay_s(50)),
            _ms(score.delay_s(95)),
        )
    out.print(shown)
    missed = [label for score in scores.values() for label in score.missed]
    _print_list(out, "Missed", missed, first_s)
    alarms = [episode for score in scores.values() for episode in score.false_alarms]
    _print_list(out, "False alarms", alarms, first_s)


def _print_list(
    out: Console, title: str, labels: Iterable[Label | Episode], first_s: float
) -> None:
    names = [
        f"{_words(label.kind)} {label.wheel + ' ' if label.wheel else ''}{_span(label, first_s)}"
        for label in labels
    ]
    if names:
        rest = f"; and {len(names) - MOST_ROWS} more" if len(names) > MOST_ROWS else ""
        out.print(f"{title}: {'; '.join(names[:MOST_ROWS])}{rest}")


def _print_rest(out: Console, count: int) -> None:
    if count > MOST_ROWS:
        out.print(f"... and {count - MOST_ROWS} more; --json FILE writes them all")


def _span(span: Span | Label | Episode, first_s: float) -> str:
    return f"{span.start_s - first_s:.2f}-{span.end_s - first_s:.2f} s"


def _words(kind: str) -> str:
    return kind.replace("_", " ")


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _mean(full_s: float, pressed_s: float) -> str:
    return f"{full_s / pressed_s:.2f}" if pressed_s else "-"


def _ms(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds * 1000.0:.0f}"


def _three(value: float) -> str:
    """Three digits, never as a power of ten."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
