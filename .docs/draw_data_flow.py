"""Draws data_flow.svg, the picture in README.md: ``python .docs/draw_data_flow.py``.

The names in the boxes are those of the code; tests/test_docs.py checks that they exist and that
the picture is the one this script draws.
"""

from __future__ import annotations

from pathlib import Path
from xml.sax.saxutils import escape

PICTURE = Path(__file__).with_name("data_flow.svg")

BOXES = {
    "Reading": (
        ("what sensors and", "radio delivered"),
        (
            "t_s",
            "counts",
            "accel_mps2",
            "gyro_radps",
            "throttle",
            "steer",
            "motor_enabled",
            "command_age_s",
        ),
    ),
    "Estimate": (
        ("how it moves,", "and how sure"),
        (
            "speed_mps",
            "speed_sd_mps",
            "grade_rad",
            "wheel_speed_mps",
            "slip_mps",
            "slip_ratio",
            "excess_travel_m",
            "at_rest",
        ),
    ),
    "Finding": (
        ("what is true now,", "with its number"),
        (
            "wheel_spin",
            "wheel_lock",
            "rolling",
            "sliding",
            "sensor_fault",
            "link_lost",
            "overspeed",
            "tip_over_risk",
        ),
    ),
    "Decision": (
        ("what to do, and", "what to tell"),
        (
            "throttle",
            "throttle_limit",
            "brakes",
            "hold",
            "alerts",
            "findings",
            "estimate",
        ),
    ),
}
PLUGINS = ("brake servos", "CAN brakes", "speed controller", "driver's alerts", "your own")
STEPS = ("fuse", "detect", "respond", "apply")

WIDTH, HEIGHT = 1000, 404
BOX_W, BOX_H, GAP, LEFT, TOP = 140, 250, 64, 22, 62

STYLE = """\
.panel { fill: #ffffff; stroke: #d0d7de; }
.core { fill: #eef4fb; stroke: #5b8db8; stroke-dasharray: 5 4; }
.box { fill: #ffffff; stroke: #33658a; stroke-width: 1.5; }
.plug { fill: #fdf3e3; stroke: #9a6700; stroke-width: 1.5; }
.arrow { stroke: #33658a; stroke-width: 2; fill: none; }
.head { fill: #33658a; }
text { fill: #1f2328; font-family: "DejaVu Sans", Verdana, sans-serif; font-size: 12px; }
.title { font-size: 17px; font-weight: bold; }
.code { font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; }
.step { font-size: 12px; font-weight: bold; text-anchor: middle; }
.quiet { fill: #57606a; }
@media (prefers-color-scheme: dark) {
  .panel { fill: #12181f; stroke: #3d444d; }
  .core { fill: #182330; stroke: #6ea3cf; }
  .box { fill: #1d2733; stroke: #8fbce0; }
  .plug { fill: #33291a; stroke: #d9a441; }
  .arrow { stroke: #8fbce0; }
  .head { fill: #8fbce0; }
  text { fill: #e6edf3; }
  .quiet { fill: #a9b4bf; }
}
"""


def draw() -> str:
    """The picture as SVG."""
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" role="img">',
        "<title>Data flow: Reading, Estimate, Finding, Decision, plugins</title>",
        f"<style>\n{STYLE}</style>",
        f'<rect class="panel" x="0.5" y="0.5" width="{WIDTH - 1}" height="{HEIGHT - 1}" rx="8"/>',
    ]
    core_w = 4 * BOX_W + 3 * GAP + 16
    out += [
        f'<rect class="core" x="{LEFT - 8}" y="{TOP - 40}" width="{core_w}" '
        f'height="{BOX_H + 56}" rx="8"/>',
        _text(LEFT, TOP - 17, "Guard.step", "code"),
        _text(LEFT + 84, TOP - 17, "calculates only: no clock, no file, no thread", "quiet"),
    ]
    for i, (name, (about, names)) in enumerate(BOXES.items()):
        out += _box(i, name, about, names, "box", "code")
    out += _box(4, "plugins", ("what touches", "hardware"), PLUGINS, "plug", "")
    for i, step in enumerate(STEPS):
        start, end, y = _x(i) + BOX_W, _x(i + 1), TOP + BOX_H / 2
        out += [
            f'<path class="arrow" d="M{start + 4} {y} H{end - 12}"/>',
            f'<path class="head" d="M{end - 13} {y - 6} L{end - 3} {y} L{end - 13} {y + 6} Z"/>',
            _text((start + end) / 2, y - 14, step, "step"),
        ]
    out += _sources()
    return "\n".join([*out, "</svg>", ""])


def _sources() -> list[str]:
    """Where readings come from, below the core."""
    y = TOP + BOX_H + 40
    x = _x(0) + BOX_W / 2
    return [
        f'<path class="arrow" d="M{x} {y} V{TOP + BOX_H + 14}"/>',
        f'<path class="head" d="M{x - 6} {TOP + BOX_H + 14} L{x} {TOP + BOX_H + 4} '
        f'L{x + 6} {TOP + BOX_H + 14} Z"/>',
        _text(LEFT, y + 18, "the rover itself, a recorded drive (CSV), or a simulated rover:", ""),
        _text(LEFT, y + 37, "the same readings give the same decisions, bit for bit", "quiet"),
    ]


def _x(i: int) -> float:
    return LEFT + i * (BOX_W + GAP)


def _box(
    i: int, title: str, about: tuple[str, ...], names: tuple[str, ...], kind: str, style: str
) -> list[str]:
    x = _x(i)
    out = [
        f'<rect class="{kind}" x="{x}" y="{TOP}" width="{BOX_W}" height="{BOX_H}" rx="6"/>',
        _text(x + 11, TOP + 26, title, "title"),
    ]
    out += [_text(x + 11, TOP + 46 + 16 * n, line, "quiet") for n, line in enumerate(about)]
    out += [_text(x + 11, TOP + 90 + 20 * n, name, style) for n, name in enumerate(names)]
    return out


def _text(x: float, y: float, words: str, style: str) -> str:
    kind = f' class="{style}"' if style else ""
    return f'<text x="{x}" y="{y}"{kind}>{escape(words)}</text>'


if __name__ == "__main__":
    PICTURE.write_text(draw(), encoding="utf-8", newline="\n")
