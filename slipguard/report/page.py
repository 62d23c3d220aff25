"""The page itself: one HTML file with everything in it, the plotting library too."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template

import numpy as np
from bokeh.embed import components
from bokeh.resources import Resources

from slipguard.errors import unwritable
from slipguard.report.events import SLIGHT, PageEvent, events_of
from slipguard.report.figures import LEFT_PX, RIGHT_PX, draw
from slipguard.report.gather import Report
from slipguard.report.panels import DASH, Panel, axis_end, panels_for
from slipguard.report.shrink import Packed, pack
from slipguard.summary import LONGEST_STEP_S, times_note

MOST_PAGE_BYTES = 15_000_000
BESIDE_DATA_BYTES = 2_500_000
"""What a page is allowed beside its drive's numbers; the plotting library takes 1.3 MB of it."""

STROKE = {"solid": "", "dashed": "6 4", "dashdot": "6 4 2 4", "dotted": "2 4"}


def write_page(report: Report, path: str | os.PathLike[str]) -> None:
    """Write the page of a drive, replacing what was there.

    Raises
    ------
    RecordingError
        The file cannot be written.
    """
    text = page(report)
    try:
        Path(path).write_text(text, encoding="utf-8", newline="\n")
    except (OSError, ValueError) as err:
        raise unwritable(path, err, "the page") from err


def page(report: Report, *, before: str = "", after: str = "") -> str:
    """The page of a drive, as HTML; with more HTML before its plots and at its end."""
    panels, events = panels_for(report.channels), events_of(report)
    figures = draw(report, panels, events)
    script, places = components(figures.plots, wrap_plot_info=True)
    packed = pack(report.t_s, report.channels, MOST_PAGE_BYTES - BESIDE_DATA_BYTES)
    end_s = float(report.t_s[-1])
    edge_s = max(0.005 * end_s, 0.005)
    about = {
        **packed.about,
        "view": [-edge_s, end_s + edge_s],
        "gap_s": _gap_s(report, packed),
        "beside_px": LEFT_PX + RIGHT_PX,
    }
    return Template(part("page.html")).substitute(
        title=escape(report.name),
        css=part("page.css"),
        js=part("theme.js") + part("page.js"),
        facts="\n".join(_facts(report)),
        table=_table(events, labelled=report.scores is not None),
        path=_place(places["path"], "path-fit") + _path_words(report),
        plots="\n".join(_panels(report, panels, events, places)),
        coarse=_coarse(packed),
        about=embedded(about),
        data=packed.data,
        bokeh=Resources(mode="inline", components=["bokeh"]).render_js(),
        script=script,
        before=before,
        after=after,
    )


def _gap_s(report: Report, packed: Packed) -> float:
    """Bins farther apart have a gap of the recording between them."""
    bins = report.t_s[:: packed.about["rows"]]
    usual_s = float(np.median(np.diff(bins))) if len(bins) > 1 else 0.0
    return max(LONGEST_STEP_S, 3.0 * usual_s)


def embedded(value: object) -> str:
    """JSON that may stand inside a page's script element."""
    return json.dumps(value).replace("<", "\\u003c")


def part(name: str) -> str:
    """One of the files a page is made of."""
    return files("slipguard.report").joinpath(name).read_text(encoding="utf-8")


def _facts(report: Report) -> Iterable[str]:
    summary = report.summary
    for words in (report.vehicle, report.source, report.notes):
        if words:
            yield f'<p class="faint">{escape(words)}</p>'
    yield (
        f"<p>{summary.duration_s:.2f} s in {summary.rows} rows, net distance "
        f"{summary.distance_m:.2f} m, top speed {summary.top_speed_mps:.2f} m/s.</p>"
    )
    if note := times_note(report.start_s):
        yield f"<p>{note[0].upper()}{note[1:]}.</p>"
    error = summary.speed_error
    if error.rows:
        yield (
            f"<p>Estimated speed against truth: RMSE {error.rmse_mps:.3f} m/s, worst "
            f"{error.worst_mps:.3f} m/s, truth inside 2 sigma in {error.inside_2_sigma:.1%} of "
            "rows.</p>"
        )
    for kind, score in (report.scores or {}).items():
        if score.says_nothing:
            continue
        what, alarms = escape(kind.replace("_", " ")).capitalize(), len(score.false_alarms)
        yield (
            f"<p>{what}: {len(score.found)} of {score.labelled} labelled found, false alarms: "
            f"{alarms or 'none'}.</p>"
        )
    if report.truncated:
        yield f"<p>{escape(report.truncated)}</p>"
    if report.clock_went_back:
        yield "<p>The clock went back in this drive; such rows stand at the latest time before.</p>"


def _table(events: Sequence[PageEvent], *, labelled: bool) -> str:
    rows = [event for event in events if event.listed]
    if not rows:
        return "<p>Nothing was found.</p>"
    heads = ["<th>what</th>", '<th class="number">start s</th>', '<th class="number">length s</th>']
    heads += ['<th class="number">peak</th>', '<th class="number limit">limit</th>']
    if labelled:
        heads.append("<th>labels</th>")
    body = "\n".join(_table_row(event, labelled) for event in rows)
    return (
        f'<div class="rows"><table><thead><tr>{"".join(heads)}</tr></thead>'
        f"<tbody>\n{body}\n</tbody></table></div>"
    )


def _table_row(event: PageEvent, labelled: bool) -> str:
    swatch = _square(event.kind, filled=event.found)
    cells = [
        f"<td>{swatch}{escape(event.kind.replace('_', ' '))} {escape(event.where)}</td>",
        f'<td class="number">{event.start_s:.3f}</td>',
        f'<td class="number">{event.end_s - event.start_s:.3f}</td>',
        f'<td class="number">{escape(event.peak)}</td>',
        f'<td class="number limit">{escape(event.limit)}</td>',
    ]
    if labelled:
        cells.append(f'<td class="verdict">{escape(event.verdict)}</td>')
    return (
        f'<tr tabindex="0" data-start="{event.start_s!r}" data-end="{event.end_s!r}" '
        f'title="{escape(event.reason)}">{"".join(cells)}</tr>'
    )


def _panels(
    report: Report,
    panels: Sequence[Panel],
    events: Sequence[PageEvent],
    places: dict[str, str],
) -> Iterable[str]:
    if "events" in places:
        slight = "<li>dotted: slight</li>" if any(e.verdict == SLIGHT for e in events) else ""
        legend = (
            f'<ul class="legend"><li>bar: found</li><li>dashed outline: labelled</li>{slight}</ul>'
        )
        yield _section("Events", "", legend, places["events"])
    for panel in panels:
        items = [_legend_item(panel, line.channel, line.label, line.role) for line in panel.lines]
        if panel.band:
            items.insert(1, f"<li>{_square('estimate', filled=True)}<span>2 sigma</span></li>")
        there = {e.kind for e in events if e.found and e.concerns(panel.wheel)}
        for kind in panel.kinds:
            if kind in there:
                words = escape(kind.replace("_", " "))
                items.append(f"<li>{_square(kind, filled=True)}<span>{words}</span></li>")
        legend = f'<ul class="legend">{"".join(items)}</ul>'
        end = axis_end(panel, report.channels)
        unit = panel.unit if end is None else f"{panel.unit}, drawn to {end:g} {panel.unit} only"
        yield _section(panel.title, unit, legend, places[panel.key])


def _section(title: str, unit: str, legend: str, place: str) -> str:
    unit = f' <span class="unit">{escape(unit)}</span>' if unit else ""
    return (
        f'<section class="panel"><div><h2>{escape(title)}{unit}</h2>{legend}</div>'
        f"{_place(place, 'plots-fit')}</section>"
    )


def _place(place: str, fit: str) -> str:
    return f'<div class="plot {fit}">{place}<div class="cross" hidden></div></div>'


def _legend_item(panel: Panel, channel: str, label: str, role: str) -> str:
    dash = STROKE[DASH[role]]
    return (
        f'<li data-role="{role}" data-dash="{dash}">'
        '<svg class="swatch" width="28" height="10" aria-hidden="true"><line x1="0" y1="5" '
        f'x2="28" y2="5" stroke="var(--{role})" stroke-width="2" stroke-dasharray="{dash}"/></svg>'
        f"<span>{escape(label)}</span>"
        f'<output data-channel="{channel}" data-digits="{panel.digits}"></output></li>'
    )


def _square(role: str, *, filled: bool) -> str:
    look = (
        f'fill="var(--{role})" fill-opacity="0.55"'
        if filled
        else 'fill="none" stroke-dasharray="3 2"'
    )
    return (
        '<svg class="swatch" width="12" height="12" aria-hidden="true"><rect x="1" y="1" '
        f'width="10" height="10" stroke="var(--{role})" {look}/></svg>'
    )


def _path_words(report: Report) -> str:
    if report.true_path_m is None:
        words = "From estimated speed and turn rate: it drifts. The square is the start."
    else:
        words = (
            "Solid: from estimated speed and turn rate, it drifts. Dashed: truth. The square is "
            "the start."
        )
    return f'<p class="hint">{words}</p>'


def _coarse(packed: Packed) -> str:
    rows = packed.about["rows"]
    if rows == 1:
        return "Every row of the drive is in this page."
    return (
        f"Of every {rows} rows this page keeps the lowest and the highest value, so no spike is "
        "lost."
    )
