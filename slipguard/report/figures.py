"""The plots of a page, as Bokeh models. Colours are given by the page, so that it can be dark.

A model that has a colour carries a tag ``role:...``; the page looks the role up among its
CSS variables.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from bokeh.document import Document
from bokeh.events import DocumentReady, DoubleTap, MouseLeave, MouseMove, Tap
from bokeh.models import (
    BasicTickFormatter,
    BoxZoomTool,
    ColumnDataSource,
    CustomJS,
    CustomJSTickFormatter,
    DataRange1d,
    FactorRange,
    HBar,
    Line,
    Model,
    Plot,
    Range1d,
    Scatter,
    VArea,
    VStrip,
    WheelZoomTool,
)
from bokeh.plotting import figure

from slipguard.report.events import SLIGHT, PageEvent
from slipguard.report.gather import Report
from slipguard.report.panels import DASH, Panel, axis_end

LEFT_PX, RIGHT_PX = 62, 14
"""Room beside every plot over time: the same, so that they stay aligned."""

PATH_POINTS = 4000

HATCH = {
    "wheel_spin": "right_diagonal_line",
    "wheel_lock": "left_diagonal_line",
    "rolling": "horizontal_line",
    "sliding": "diagonal_cross",
    "sensor_fault": "dot",
    "link_lost": "vertical_line",
    "overspeed": "cross",
    "tip_over_risk": "ring",
}
"""Pattern of each kind of finding: none is told from another by its colour alone."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The document, and its plots by name: the panels' keys, ``events`` and ``path``."""

    document: Document
    plots: dict[str, Plot]


def draw(report: Report, panels: Sequence[Panel], events: Sequence[PageEvent]) -> Figures:
    """All plots of a page.

    Those over time have a range and a source each; the page moves all ranges alike and fills the
    sources in.
    """
    plots: dict[str, Plot] = {}
    sources = []
    lanes = lanes_of(events)
    if lanes:
        plots["events"] = _lanes(lanes, events)
        sources.append(ColumnDataSource())  # its bars are all there already
    for panel in panels:
        plots[panel.key], source = _panel(panel, events, report)
        sources.append(source)
    times = [plot.x_range for plot in plots.values()]
    for plot in plots.values():
        plot.js_on_event(MouseMove, CustomJS(code="page.point(cb_obj.x, cb_obj.sx)"))
        plot.js_on_event(Tap, CustomJS(code="page.point(cb_obj.x, cb_obj.sx)"))
        plot.js_on_event(MouseLeave, CustomJS(code="page.leave()"))
        plot.js_on_event(DoubleTap, CustomJS(code="page.whole()"))
    plots["path"], paths = _path(report)
    document = Document()
    for plot in plots.values():
        document.add_root(plot)
    models: dict[str, Any] = {"times": times, "sources": sources, **paths}
    code = f"page.start({{{', '.join(models)}}})"
    document.js_on_event(DocumentReady, CustomJS(args=models, code=code))
    return Figures(document, plots)


def lanes_of(events: Iterable[PageEvent]) -> list[str]:
    """The rows of the plot of events, from the top."""
    return list(dict.fromkeys(event.lane for event in events))


def lanes_height_px(lanes: Sequence[str]) -> int:
    """Height of the plot of events."""
    return 34 + 20 * len(lanes)


def _figure(height: int, **settings: Any) -> Any:
    plot = figure(
        x_range=Range1d(0.0, 1.0),
        height=height,
        sizing_mode="stretch_width",
        toolbar_location=None,
        tools=[
            zoom := BoxZoomTool(dimensions="width"),
            wheel := WheelZoomTool(dimensions="width", modifiers="ctrl"),
        ],
        min_border_left=LEFT_PX,
        min_border_right=RIGHT_PX,
        min_border_top=4,
        min_border_bottom=22,
        background_fill_color=None,
        border_fill_color=None,
        **settings,
    )
    plot.toolbar.active_drag = zoom
    plot.toolbar.active_scroll = wheel
    # Twelve digits: no time of a drive has more, and 0.1 + 0.2 would.
    plot.xaxis.formatter = CustomJSTickFormatter(code="return `${+tick.toPrecision(12)} s`")
    return plot


def _panel(
    panel: Panel, events: Sequence[PageEvent], report: Report
) -> tuple[Plot, ColumnDataSource]:
    # Two points, so that the plot has ranges before the page fills the rest in.
    names = [c for line in panel.lines for c in (line.channel, line.mirror) if c]
    names = ["t", *names, *(panel.band or ())]
    source = ColumnDataSource({name: np.array([0.0, 1.0]) for name in names})
    plot = _figure(panel.height)
    plot.yaxis.formatter = BasicTickFormatter(power_limit_high=6, power_limit_low=-4)
    plot.yaxis.ticker.desired_num_ticks = max(2, panel.height // 35)
    for kind in panel.kinds:
        spans = [e for e in events if e.found and e.kind == kind and e.concerns(panel.wheel)]
        if spans:
            plot.add_glyph(
                ColumnDataSource(
                    {"x0": [e.start_s for e in spans], "x1": [e.end_s for e in spans]}
                ),
                VStrip(
                    x0="x0",
                    x1="x1",
                    fill_alpha=0.16,
                    line_alpha=0.5,
                    line_width=1,
                    hatch_pattern=HATCH[kind],
                    hatch_alpha=0.35,
                    hatch_scale=9,
                    hatch_weight=1,
                    tags=[f"role:{kind}"],
                ),
            )
    if panel.band:
        low, high = panel.band
        plot.add_glyph(
            source,
            VArea(x="t", y1=low, y2=high, fill_alpha=0.22, tags=["role:estimate"]),
        )
    ranging = []
    for line in panel.lines:
        for channel in (line.channel, line.mirror):
            if channel is None:
                continue
            glyph = Line(
                x="t",
                y=channel,
                line_width=1.7 if line.role != "limit" else 1.3,
                line_dash=DASH[line.role],
                tags=[f"role:{line.role}"],
            )
            drawn = plot.add_glyph(source, glyph)
            if line.ranged:
                ranging.append(drawn)
    end = axis_end(panel, report.channels)
    if end is not None:
        values = [report.channels[line.channel] for line in panel.lines if line.ranged]
        bottom = max(-end, min(-0.08 * end, *(float(np.nanmin(v)) for v in values)))
        top = min(end, max(0.08 * end, *(float(np.nanmax(v)) for v in values)))
        plot.y_range = Range1d(bottom, top)
    else:
        plot.y_range = DataRange1d(
            renderers=ranging,
            min_interval=panel.least,
            range_padding=0.08,
            default_span=panel.least,
        )
    return plot, source


def _lanes(lanes: Sequence[str], events: Sequence[PageEvent]) -> Plot:
    """A row for each kind and wheel: what was found, filled; what the labels say, outlined,
    dotted where it is slight."""
    rows = list(reversed(lanes))
    plot = _figure(lanes_height_px(rows), y_range=FactorRange(*rows))
    plot.ygrid.visible = False
    plot.yaxis.major_tick_line_alpha = 0
    plot.yaxis.axis_line_alpha = 0
    for kind in dict.fromkeys(event.kind for event in events):
        for found, slight in ((True, False), (False, False), (False, True)):
            part = [
                e
                for e in events
                if e.kind == kind and e.found == found and (e.verdict == SLIGHT) == slight
            ]
            if not part:
                continue
            bars = ColumnDataSource(
                {
                    "left": [e.start_s for e in part],
                    "right": [e.end_s for e in part],
                    "y": [(e.lane, 0.16 if found else -0.22) for e in part],
                }
            )
            dash = "solid" if found else "dotted" if slight else "dashed"
            look = {"fill_alpha": 0.8 if found else 0.0, "line_dash": dash}
            plot.add_glyph(
                bars,
                HBar(
                    left="left",
                    right="right",
                    y="y",
                    height=0.5 if found else 0.26,
                    line_width=1.5,
                    tags=[f"role:{kind}"],
                    **look,
                ),
            )
    return plot


def _path(report: Report) -> tuple[Plot, dict[str, Model]]:
    """Seen from above: the whole way faintly, the part in view strongly, where it is pointed at."""
    plot = figure(
        height=300,
        sizing_mode="stretch_width",
        match_aspect=True,
        toolbar_location=None,
        tools="pan,reset",
        background_fill_color=None,
        border_fill_color=None,
        min_border_left=LEFT_PX,
        min_border_right=RIGHT_PX,
        min_border_top=8,
    )
    plot.xaxis.axis_label, plot.yaxis.axis_label = "m", "m"
    keep = np.linspace(0, len(report.t_s) - 1, min(len(report.t_s), PATH_POINTS)).astype(int)
    way = report.path_m[keep]
    whole = ColumnDataSource({"t": report.t_s[keep], "x": way[:, 0], "y": way[:, 1]})
    part = ColumnDataSource({"x": way[:0, 0], "y": way[:0, 1]})
    here = ColumnDataSource({"x": way[:0, 0], "y": way[:0, 1]})
    if report.true_path_m is not None:
        true = report.true_path_m[keep]
        plot.add_glyph(
            ColumnDataSource({"x": true[:, 0], "y": true[:, 1]}),
            Line(x="x", y="y", line_width=1.5, line_dash=DASH["truth"], tags=["role:truth"]),
        )
    plot.add_glyph(
        whole, Line(x="x", y="y", line_width=1.5, line_alpha=0.35, tags=["role:estimate"])
    )
    plot.add_glyph(part, Line(x="x", y="y", line_width=3, tags=["role:estimate"]))
    plot.add_glyph(here, Scatter(x="x", y="y", size=11, tags=["role:estimate"]))
    start = ColumnDataSource({"x": way[:1, 0], "y": way[:1, 1]})
    plot.add_glyph(start, Scatter(x="x", y="y", size=9, marker="square", tags=["role:estimate"]))
    return plot, {"way": whole, "part": part, "here": here}
