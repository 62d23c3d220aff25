"""A tuning run as one HTML page that opens without a network.

Trade-offs with the rover's own set and the recommended one, what each setting does, every drive
before and after, and the drive that went worst with either set.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import combinations
from string import Template
from typing import Any

import numpy as np
from bokeh.document import Document
from bokeh.embed import components
from bokeh.events import DocumentReady
from bokeh.models import (
    BasicTickFormatter,
    CDSView,
    ColumnDataSource,
    CustomJS,
    FactorRange,
    HBar,
    IndexFilter,
    Line,
    Plot,
    Scatter,
    Step,
    TapTool,
)
from bokeh.plotting import figure
from bokeh.resources import Resources

from slipguard.config import Config
from slipguard.recording import Event
from slipguard.report.events import SHORT
from slipguard.report.page import part
from slipguard.score import Episode
from slipguard.tune import LoopTuned, Trial, Tuned, beats, with_chance
from slipguard.tune.closed_loop import GOALS
from slipguard.tune.search import DriveResult
from slipguard.tune.tally import DELAY_WORDS
from slipguard.tune.thresholds import Sensitivity
from slipguard.tune.worst import BeforeAfter, LoopBeforeAfter, worst_drive, worst_loop_drive

OWN, BEST, OTHERS = "truth", "wheel_spin", "estimate"
"""Roles of a set's dot; it has a shape of its own too."""
MARKER = {OWN: "square", BEST: "diamond", OTHERS: "circle"}
SIZE = {OWN: 13, BEST: 17, OTHERS: 8}
LOWER, HIGHER = "rolling", "estimate"
BEFORE, AFTER = "truth", "estimate"
LABEL = "limit"
MOST_SETS = 200
Objectives = tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One thing that is made small."""

    name: str
    unit: str
    digits: int

    @property
    def title(self) -> str:
        """With its unit."""
        return f"{self.name}, {self.unit}" if self.unit else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A setting of the recommended set, and what changes when it alone is moved."""

    name: str
    unit: str
    own: float
    value: float
    lower: Objectives | None
    higher: Objectives | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What a page shows, of either kind of tuning."""

    title: str
    facts: Sequence[str]
    axes: Sequence[Axis]
    own: Trial
    best: Trial
    front: Sequence[Trial]
    moved: Sequence[Moved]
    drives_title: str
    drives_words: str
    drives: tuple[Sequence[str], Sequence[Sequence[str]]]
    worst: BeforeAfter | LoopBeforeAfter


TALLY_AXES = (
    Axis(name="missed events", unit="", digits=0),
    Axis(name="false alarms an hour", unit="", digits=1),
    Axis(name="delay", unit="ms", digits=0),
)
LOOP_AXES = tuple(
    Axis(name=goal.name, unit=goal.unit, digits=digits)
    for goal, digits in zip(GOALS, (2, 1, 2, 2), strict=True)
)


def tuning_page(tuned: Tuned | LoopTuned, config: Config) -> str:
    """The page of a tuning run, as HTML. It replays, or drives again, the drive that went worst.

    Raises
    ------
    RecordingError
        That drive cannot be read any more.
    """
    content = _of_loop(tuned, config) if isinstance(tuned, LoopTuned) else _of(tuned, config)
    sets = _sets_source(content)
    plots: dict[str, Plot] = {}
    used = _used(content)
    for a, b in combinations(used, 2):
        plots[f"trade {a} {b}"] = _trade_off(content, sets, a, b)
    for a in used:
        plots[f"moved {a}"] = _sensitivity(content, a)
    worst = content.worst
    if isinstance(worst, BeforeAfter):
        plots["worst"] = _lanes(worst)
    else:
        plots |= {f"worst {name}": _lines(worst, name) for name in worst.before}
    document = Document()
    for plot in plots.values():
        document.add_root(plot)
    code = "page.start({sets})"
    document.js_on_event(DocumentReady, CustomJS(args={"sets": sets}, code=code))
    script, places = components(plots, wrap_plot_info=True)
    return Template(part("tuning.html")).substitute(
        title=escape(content.title),
        css=part("page.css") + part("tuning.css"),
        js=part("theme.js") + part("tuning.js"),
        facts="\n".join(f"<p>{escape(line)}</p>" for line in content.facts),
        recommended=_swatch(BEST),
        own=_swatch(OWN),
        others=_swatch(OTHERS),
        lower=_bar(LOWER, 'fill-opacity="0.12" stroke-dasharray="3 2"'),
        higher=_bar(HIGHER, 'fill-opacity="0.75"'),
        tradeoffs=_grid(places, "trade ", lambda key: ""),
        sets=_sets_table(content),
        moved=escape(_moved_words(content)),
        settings=_settings_table(content),
        sensitivity=_grid(places, "moved ", lambda key: content.axes[int(key)].title),
        drives_title=escape(content.drives_title),
        drives_words=escape(content.drives_words),
        drives=_table(*content.drives),
        worst_title=escape(f"Before and after: {_short(worst.name)}"),
        worst_words=escape(_worst_words(worst)),
        worst=_worst_legend(worst) + _grid(places, "worst", lambda key: key.strip(), "wide"),
        bokeh=Resources(mode="inline", components=["bokeh"]).render_js(),
        script=script,
    )


# -- content ------------------------------------------------------------------------------------


def _of(tuned: Tuned, config: Config) -> Content:
    count = f"{len(tuned.drives)} drives" if len(tuned.drives) > 1 else "one drive"
    facts = [f"{tuned.sets} sets of thresholds tried on {count}."]
    facts.append(f"Recommended: {tuned.reason}.")
    facts += tuned.judgement
    heads = ("drive", ">labels", ">missed", ">false alarms", ">delay ms", "")
    return Content(
        title=f"Tuned on {count}",
        facts=facts,
        axes=TALLY_AXES,
        own=tuned.own,
        best=tuned.recommended,
        front=tuned.pareto,
        moved=[
            _moved(s, s.at.objectives, s.at_lower.objectives, s.at_higher.objectives)
            for s in tuned.sensitivity
        ],
        drives_title="Drive by drive",
        drives_words="Each drive replayed whole with the rover's own set, and with the "
        f"recommended one. {DELAY_WORDS}",
        drives=(heads, [_drive_row(drive) for drive in tuned.drives]),
        worst=worst_drive(tuned, config),
    )


def _drive_row(d: DriveResult) -> list[str]:
    before, after = d.before.objectives, d.after.objectives
    return [
        d.drive.name,
        str(d.before.labelled),
        f"{d.before.missed} > {d.after.missed}",
        f"{d.before.false_alarms} > {d.after.false_alarms}",
        f"{d.before.delay_ms:.0f} > {d.after.delay_ms:.0f}",
        "" if before == after else beats(before, after).removeprefix("is "),
    ]


def _of_loop(tuned: LoopTuned, config: Config) -> Content:
    count, before, after = len(tuned.judged), *tuned.stuck
    names = ", ".join(map(_short, tuned.scenarios))
    facts = [
        f"Simulated: {tuned.sets} sets of hold and brake settings tried on {names}.",
        f"Recommended: {tuned.reason}.",
        f"On {count} drives it was not chosen on: {with_chance(tuned)}. Stuck: {before} > {after}.",
        "A simulated rover on simulated ground: try it wheels off the ground, then at a crawl.",
    ]
    heads = ("scenario", ">seed", *(f">{axis.title}" for axis in LOOP_AXES), "")
    rows = []
    for b, a in tuned.judged:
        cells = [_short(b.scenario), str(b.seed)]
        for axis, x, y in zip(LOOP_AXES, b.objectives, a.objectives, strict=True):
            known = x is not None and y is not None
            cells.append(f"{x:.{axis.digits}f} > {y:.{axis.digits}f}" if known else "-")
        stuck = {(True, False): "no longer stuck", (False, True): "now stuck"}
        cells.append(stuck.get((b.stuck, a.stuck), "stuck" if a.stuck else ""))
        rows.append(cells)
    return Content(
        title=f"Tuned in the simulator on {names}",
        facts=facts,
        axes=LOOP_AXES,
        own=tuned.own,
        best=tuned.recommended,
        front=tuned.pareto,
        moved=[_moved(s, s.at, s.at_lower, s.at_higher) for s in tuned.sensitivity],
        drives_title="Drive by drive",
        drives_words="Drives that were not chosen on, with the rover's own set, and with the "
        "recommended one.",
        drives=(heads, rows),
        worst=worst_loop_drive(tuned, config),
    )


def _moved(s: Sensitivity[Any], at: Objectives, lower: Objectives, higher: Objectives) -> Moved:
    """A setting as it is shown; None where it stands at its limit and was not moved."""
    return Moved(
        name=f"{s.threshold.section}.{s.threshold.key}",
        unit=s.threshold.unit,
        own=s.threshold.value,
        value=s.value,
        lower=_minus(lower, at) if s.lower != s.value else None,
        higher=_minus(higher, at) if s.higher != s.value else None,
    )


def _short(scenario: str) -> str:
    """Of one's own scenario the function's name alone."""
    return scenario.rpartition(":")[2]


def _minus(moved: Objectives, at: Objectives) -> Objectives:
    return tuple(m - a for m, a in zip(moved, at, strict=True))


def _all_sets(content: Content) -> list[Trial]:
    """The rover's own and the recommended one first, then the others, each once."""
    found: list[Trial] = []
    for trial in (content.own, content.best, *content.front):
        if trial not in found:
            found.append(trial)
    return found[:MOST_SETS]


def _role(content: Content, trial: Trial) -> str:
    if trial == content.best:
        return BEST
    return OWN if trial == content.own else OTHERS


def _used(content: Content) -> list[int]:
    """Things that differ at all between the sets shown; two at least, so that there is a plot."""
    points = np.array([trial.objectives for trial in _all_sets(content)])
    differ = [k for k in range(len(content.axes)) if np.ptp(points[:, k]) > 0.0]
    rest = [k for k in range(len(content.axes)) if k not in differ]
    return sorted([*differ, *rest[: max(0, 2 - len(differ))]])


def _moved_words(content: Content) -> str:
    changed = [m.name for m in content.moved if m.value != m.own]
    words = f"Changed: {', '.join(changed)}." if changed else "None is changed."
    return f"{words} The bars show what would change if one alone were moved; left is better."


def _worst_words(worst: BeforeAfter | LoopBeforeAfter) -> str:
    if isinstance(worst, BeforeAfter):
        return "The drive with most missed events and false alarms, over seconds of the drive."
    return "The worst of the drives judged on, over seconds of the drive."


# -- plots --------------------------------------------------------------------------------------


def _figure(height: int, **settings: Any) -> Any:
    plot = figure(
        height=height,
        sizing_mode="stretch_width",
        toolbar_location=None,
        background_fill_color=None,
        border_fill_color=None,
        min_border_right=16,
        **settings,
    )
    for axis in (plot.xaxis, plot.yaxis):
        axis.axis_label_text_font_style = "normal"
    return plot


def _sets_source(content: Content) -> ColumnDataSource:
    """One source for all trade-offs, so that a set chosen in one is chosen in all."""
    sets = _all_sets(content)
    data: dict[str, Any] = {
        f"x{k}": [trial.objectives[k] for trial in sets] for k in range(len(content.axes))
    }
    return ColumnDataSource(data)


def _trade_off(content: Content, sets: ColumnDataSource, a: int, b: int) -> Plot:
    plot = _figure(260, tools=[tap := TapTool()])
    plot.toolbar.active_tap = tap
    plot.xaxis.axis_label, plot.yaxis.axis_label = content.axes[a].title, content.axes[b].title
    for axis in (plot.xaxis, plot.yaxis):
        axis.formatter = BasicTickFormatter(use_scientific=False)
        axis.ticker.desired_num_ticks = 5
    trials = _all_sets(content)
    curve = _envelope([(t.objectives[a], t.objectives[b]) for t in trials])
    plot.add_glyph(
        ColumnDataSource({"x": [x for x, _ in curve], "y": [y for _, y in curve]}),
        Step(x="x", y="y", mode="after", line_width=1.5, line_alpha=0.6, tags=[f"role:{OTHERS}"]),
    )
    for role in (OTHERS, OWN, BEST):
        indices = [k for k, trial in enumerate(trials) if _role(content, trial) == role]
        look: dict[str, Any] = {"x": f"x{a}", "y": f"x{b}", "marker": MARKER[role]}
        tags = [f"role:{role}"]
        plot.add_glyph(
            sets,
            Scatter(**look, size=SIZE[role], fill_alpha=0.75, tags=tags),
            selection_glyph=Scatter(**look, size=SIZE[role] + 6, line_width=3, tags=tags),
            nonselection_glyph=Scatter(
                **look, size=SIZE[role], fill_alpha=0.35, line_alpha=0.5, tags=tags
            ),
            view=CDSView(filter=IndexFilter(indices)),
        )
    return plot


def _envelope(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Those that no other beats in these two alone, from the left."""
    curve: list[tuple[float, float]] = []
    for x, y in sorted(set(points)):
        if not curve or y < curve[-1][1]:
            curve.append((x, y))
    return curve


def _sensitivity(content: Content, a: int) -> Plot:
    names = [m.name.partition(".")[2] for m in reversed(content.moved)]
    plot = _figure(40 + 26 * len(names), y_range=FactorRange(*names), tools=[])
    plot.xaxis.formatter = BasicTickFormatter(use_scientific=False)
    plot.xaxis.ticker.desired_num_ticks = 5
    plot.yaxis.major_tick_line_alpha = 0
    plot.ygrid.visible = False
    for role, up, offset in ((LOWER, "lower", 0.19), (HIGHER, "higher", -0.19)):
        moved = [
            (m.name.partition(".")[2], change[a])
            for m in content.moved
            if (change := getattr(m, up)) is not None
        ]
        look = (
            {"fill_alpha": 0.12, "line_dash": "dashed"} if role == LOWER else {"fill_alpha": 0.75}
        )
        plot.add_glyph(
            ColumnDataSource(
                {
                    "y": [(name, offset) for name, _ in moved],
                    "left": [min(0.0, by) for _, by in moved],
                    "right": [max(0.0, by) for _, by in moved],
                }
            ),
            HBar(y="y", left="left", right="right", height=0.32, tags=[f"role:{role}"], **look),
        )
    most = max(
        (abs(change[a]) for m in content.moved for change in (m.lower, m.higher) if change),
        default=0.0,
    )
    span = 1.15 * most if most > 0.0 else 1.0
    plot.x_range.start, plot.x_range.end = -span, span
    return plot


def _lanes(worst: BeforeAfter) -> Plot:
    """A row for each kind and wheel: labelled, found with the rover's own, with the tuned set."""
    every: list[Event | Episode] = [*worst.labels, *worst.before, *worst.after]
    names = sorted({_lane(event) for event in every}) or ["nothing"]
    plot = _figure(40 + 46 * len(names), y_range=FactorRange(*reversed(names)), tools=[])
    edge = 0.01 * (worst.end_s - worst.start_s)
    plot.x_range.start, plot.x_range.end = -edge, worst.end_s - worst.start_s + edge
    plot.yaxis.major_tick_line_alpha = 0
    plot.ygrid.visible = False
    full, slight = _by_weight(worst)
    rows: tuple[tuple[Sequence[Event | Episode], float, str, dict[str, Any]], ...] = (
        (full, 0.28, LABEL, {"fill_alpha": 0.1, "line_dash": "dashed"}),
        (slight, 0.28, LABEL, {"fill_alpha": 0.0, "line_dash": "dotted"}),
        (worst.before, 0.0, BEFORE, {"fill_alpha": 0.45}),
        (worst.after, -0.28, AFTER, {"fill_alpha": 0.85}),
    )
    for events, offset, role, look in rows:
        plot.add_glyph(
            ColumnDataSource(
                {
                    "y": [(_lane(e), offset) for e in events],
                    "left": [e.start_s - worst.start_s for e in events],
                    "right": [e.end_s - worst.start_s for e in events],
                }
            ),
            HBar(
                y="y", left="left", right="right", height=0.22, line_width=1.5,
                tags=[f"role:{role}"], **look,
            ),
        )  # fmt: skip
    return plot


def _by_weight(worst: BeforeAfter) -> tuple[list[Event], list[Event]]:
    """The labels: those that must be found, and the slight ones."""
    full = [e for e in worst.labels if not e.slight]
    return full, [e for e in worst.labels if e.slight]


def _lane(event: Event | Episode) -> str:
    return f"{SHORT.get(event.kind, event.kind)} {event.wheel or ''}".strip()


def _lines(worst: LoopBeforeAfter, name: str) -> Plot:
    plot = _figure(150, tools=[])
    for values, role in ((worst.before, BEFORE), (worst.after, AFTER)):
        plot.add_glyph(
            ColumnDataSource({"t": worst.t_s, "y": values[name].astype(np.float32)}),
            Line(
                x="t",
                y="y",
                line_width=1.7,
                line_dash="dashed" if role == BEFORE else "solid",
                tags=[f"role:{role}"],
            ),
        )
    plot.x_range.range_padding = 0.01
    return plot


# -- tables and words ---------------------------------------------------------------------------


SHAPE = {
    OWN: '<rect x="2" y="2" width="10" height="10"',
    BEST: '<path d="M7 0 L13 7 L7 14 L1 7 Z"',
    OTHERS: '<circle cx="7" cy="7" r="4"',
}


def _swatch(role: str) -> str:
    return (
        '<svg class="swatch" width="14" height="14" aria-hidden="true">'
        f'{SHAPE[role]} fill="var(--{role})" stroke="var(--{role})" fill-opacity="0.75"/></svg>'
    )


def _bar(role: str, look: str) -> str:
    return (
        '<svg class="swatch" width="16" height="10" aria-hidden="true"><rect x="1" y="1" '
        f'width="14" height="8" fill="var(--{role})" stroke="var(--{role})" {look}/></svg>'
    )


def _stroke(role: str, dash: str) -> str:
    return (
        '<svg class="swatch" width="28" height="10" aria-hidden="true"><line x1="0" y1="5" '
        f'x2="28" y2="5" stroke="var(--{role})" stroke-width="2" stroke-dasharray="{dash}"/></svg>'
    )


def _worst_legend(worst: BeforeAfter | LoopBeforeAfter) -> str:
    if isinstance(worst, BeforeAfter):
        items = [
            _bar(LABEL, 'fill-opacity="0.1" stroke-dasharray="3 2"') + "labelled",
            *(
                [_bar(LABEL, 'fill-opacity="0" stroke-dasharray="1 2"') + "labelled, slight"]
                if _by_weight(worst)[1]
                else []
            ),
            _bar(BEFORE, 'fill-opacity="0.45"') + "found with the rover's own set",
            _bar(AFTER, 'fill-opacity="0.85"') + "found with the recommended set",
        ]
    else:
        items = [
            _stroke(BEFORE, "6 4") + "the rover's own set",
            _stroke(AFTER, "") + "the recommended set",
        ]
    return f'<ul class="legend">{"".join(f"<li>{item}</li>" for item in items)}</ul>'


def _grid(places: dict[str, Any], prefix: str, title: Any, kind: str = "") -> str:
    """The plots whose names begin so; side by side, or with ``wide`` one below the other."""
    found = []
    for key, place in places.items():
        if key.startswith(prefix):
            words = title(key.removeprefix(prefix))
            head = f"<h3>{escape(words)}</h3>" if words else ""
            fit = ' class="plots-fit"' if kind else ""
            found.append(f'<div>{head}<div class="plot"><div{fit}>{place}</div></div></div>')
    joined = "\n".join(found)
    return f'<div class="{kind}">{joined}</div>' if kind else joined


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    right = [head.startswith(">") for head in heads]

    def cells(tag: str, values: Sequence[str]) -> str:
        return "".join(
            f"<{tag}{' class=' + chr(34) + 'number' + chr(34) if r else ''}>{escape(value)}</{tag}>"
            for r, value in zip(right, values, strict=True)
        )

    head = cells("th", [head.removeprefix(">") for head in heads])
    body = "\n".join(f"<tr>{cells('td', row)}</tr>" for row in rows)
    return (
        f'<div class="rows"><table><thead><tr>{head}</tr></thead><tbody>\n{body}\n</tbody></table>'
        "</div>"
    )


def _sets_table(content: Content) -> str:
    names = {OWN: "the rover's own", BEST: "recommended", OTHERS: ""}
    heads = "".join(f'<th class="number">{escape(axis.title)}</th>' for axis in content.axes)
    settings = [m.name for m in content.moved]
    heads += "".join(
        f'<th class="number" title="{escape(name)}">{escape(name.partition(".")[2])}</th>'
        for name in settings
    )
    body = []
    for number, trial in enumerate(_all_sets(content)):
        role = _role(content, trial)
        both = role == BEST and trial == content.own
        name = "the rover's own, recommended" if both else names[role]
        cells = [f"<td>{_swatch(role)}{escape(name)}</td>"]
        cells += [
            f'<td class="number">{value:.{axis.digits}f}</td>'
            for value, axis in zip(trial.objectives, content.axes, strict=True)
        ]
        cells += [
            f'<td class="number">{trial.values[name.replace(".", "__")]:g}</td>'
            for name in settings
        ]
        mark = {OWN: ' class="own"', BEST: ' class="best"', OTHERS: ""}[role]
        body.append(f'<tr tabindex="0" data-set="{number}"{mark}>{"".join(cells)}</tr>')
    return (
        f'<div class="rows"><table><thead><tr><th>set</th>{heads}</tr></thead><tbody>\n'
        + "\n".join(body)
        + "\n</tbody></table></div>"
    )


def _settings_table(content: Content) -> str:
    rows = [
        [m.name, f"{m.own:g}", f"{m.value:g}", m.unit, "" if m.value == m.own else "changed"]
        for m in content.moved
    ]
    return _table(("setting", ">own", ">recommended", "unit", ""), rows)
