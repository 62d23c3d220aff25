"""Each brake pressed alone: the right wheel, and strong enough for a hand."""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.commission.items import Item
from slipguard.commission.result import Result
from slipguard.commission.sample import Sample
from slipguard.commission.wheels import words
from slipguard.reading import WHEELS, Quad, quad

HELD_TURNS = 0.06
"""Play of the driveline and a disc that bites late: some 20 degrees. Judgement."""
TRIED_TURNS = 0.2
"""A free wheel that a hand tried to turn by a half has gone at least so far. Judgement."""
SETTLE_S = 0.5
"""What wheels do while the brake is still closing does not count."""


def gone(samples: Sequence[Sample]) -> Quad:
    """How far each wheel went from end to end, turns; NaN: it delivered nothing."""
    found = []
    for i in range(len(WHEELS)):
        known = [s.turns[i] for s in samples if not math.isnan(s.turns[i])]
        found.append(max(known) - min(known) if known else math.nan)
    return quad(found)


def brake_pressed(item: Item, samples: Sequence[Sample]) -> Result:
    """Every wheel was tried by hand: the pressed one held, the others turned."""
    wheel = item.wheel or ""
    samples = [s for s in samples if s.t_s >= samples[0].t_s + SETTLE_S] or samples
    turns = dict(zip(WHEELS, gone(samples), strict=True))
    cause, remedy = _fault(wheel, turns)
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=None if math.isnan(turns[wheel]) else turns[wheel],
        high=HELD_TURNS,
        unit="turns",
        seen=words(quad(list(turns.values()))),
        cause=cause,
        remedy=remedy,
    )


def _fault(wheel: str, turns: dict[str, float]) -> tuple[str, str]:
    """Cause and remedy; empty: in order."""
    silent = [w for w, t in turns.items() if math.isnan(t)]
    if silent:
        return f"nothing arrives from the encoder of {', '.join(silent)}", "mend that first"
    held = [w for w, t in turns.items() if t < TRIED_TURNS]
    others = [w for w in held if w != wheel]
    if turns[wheel] <= HELD_TURNS:
        if not others:
            return "", ""
        return (
            f"{', '.join(others)} did not turn either: not tried, or pressed or dragging as well",
            f"try again, each in turn; if {', '.join(others)} is stiff, free its brake or see "
            "which output it hangs on",
        )
    if len(others) == 1:
        return (
            f"brakes are swapped: the command for {wheel} presses {others[0]}, or {others[0]} was "
            f"not tried and the brake of {wheel} does not hold",
            f"try {others[0]} once more; if it is held, exchange the outputs of {wheel} and "
            f"{others[0]}, in the rover file or by their plugs",
        )
    if not held:
        return (
            f"the brake of {wheel} does not hold: all wheels turn freely, so likelier nothing is "
            "pressed (no power, a plug, the wrong output) than too weak a brake",
            "watch it move when the item begins: if not, check supply, plug and output; if it "
            "does, linkage, end points and the torque that slipguard budget asks for",
        )
    return (
        f"the brake of {wheel} does not hold: it gives way, set too loose or too weak",
        "watch it move when the item begins; check supply, linkage and end points; "
        "slipguard budget says what torque it needs",
    )
