"""Each wheel turned by hand: the right channel, the right sign, the right number of counts."""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.commission.items import BESIDE, NAMES, Item
from slipguard.commission.result import Result
from slipguard.commission.sample import Sample
from slipguard.config import Config
from slipguard.reading import WHEELS, Quad, quad

LEAST_TURNS, MOST_TURNS = 0.85, 1.15
"""A mark on a tyre comes back to within some 20 degrees; the rest is margin. Judgement."""
STILL_TURNS = 0.12
"""A wheel that moved less was bumped, not turned. Judgement."""
EDGE_SHARES = ((0.25, "one edge of four"), (0.5, "two edges of four"))


def travelled(samples: Sequence[Sample]) -> Quad:
    """Turns of each wheel from the first sample to the last; NaN: it delivered nothing."""
    found = []
    for i in range(len(WHEELS)):
        known = [s.turns[i] for s in samples if not math.isnan(s.turns[i])]
        found.append(known[-1] - known[0] if known else math.nan)
    return quad(found)


def words(turns: Quad) -> str:
    """E.g. ``fl +1.02, fr 0.00, rl 0.00, rr 0.00 turns``."""
    told = [
        f"{wheel} nothing" if math.isnan(t) else f"{wheel} {t + 0.0:+.2f}"
        for wheel, t in zip(WHEELS, turns, strict=True)
    ]
    return f"{', '.join(told)} turns"


def wheel_turned(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """One turn forward of one wheel, the others still."""
    wheel = item.wheel or ""
    turns = dict(zip(WHEELS, travelled(samples), strict=True))
    mine = turns[wheel]
    cause, remedy = _fault(wheel, turns, config)
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=None if math.isnan(mine) else mine,
        low=LEAST_TURNS,
        high=MOST_TURNS,
        unit="turns",
        seen=words(quad(list(turns.values()))),
        cause=cause,
        remedy=remedy,
    )


def _fault(wheel: str, turns: dict[str, float], config: Config) -> tuple[str, str]:
    """Cause and remedy; empty: in order."""
    mine, beside = turns[wheel], BESIDE[wheel]
    if math.isnan(mine):
        return f"nothing arrives from the encoder of {wheel}", "check its plug, supply and channel"
    others = {w: t for w, t in turns.items() if w != wheel and abs(t) > STILL_TURNS}
    if abs(mine) <= STILL_TURNS:
        if not others:
            return (
                f"the encoder of {wheel} is dead or unplugged, or the wheel was not turned",
                "check plug, supply, magnet or disc; watch its counts while you turn the wheel",
            )
        other = max(others, key=lambda w: abs(others[w]))
        if other == beside and others[other] < 0 and not config.encoders.one_channel:
            return (
                f"{other} turned backward instead: the encoder of {wheel} is dead and {other} was "
                f"not kept still, or the two are swapped and count backward",
                f"try again with the {NAMES[beside]} wheel kept still",
            )
        back = " and counts backward" if others[other] < 0 else ""
        return (
            f"encoders of {wheel} and {other} are swapped: channel {other} counts when {wheel} is "
            f"turned{back}",
            f"exchange the plugs of {wheel} and {other}, or the pins in the rover file",
        )
    if others:
        return (
            f"{', '.join(others)} turned as well, so it cannot be told which wheel counts where",
            f"try again, turning {wheel} alone, the {NAMES[beside]} wheel kept still",
        )
    if mine < 0:
        return (
            f"the encoder of {wheel} counts backward",
            "exchange its two signal wires (A and B), or turn it round in the rover file",
        )
    if LEAST_TURNS <= mine <= MOST_TURNS:
        return "", ""
    if config.encoders.kind == "speed":
        return (
            f"{wheel} was turned by another angle than one turn, or its speed has the wrong scale",
            "try again; then check the unit (rad/s at the wheel)",
        )
    per_rev = config.encoders.counts_per_rev or 1.0
    for share, edges in EDGE_SHARES:
        if abs(mine / share - 1.0) < MOST_TURNS - 1.0:
            return (
                f"{edges} may be counted, or encoders.counts_per_rev is not {per_rev:g}",
                f"decode all edges, or set encoders.counts_per_rev to about {per_rev * mine:.0f}",
            )
    return (
        f"encoders.counts_per_rev is not {per_rev:g}, or it was not one whole turn",
        f"try again; if it stays so, set encoders.counts_per_rev to about {per_rev * mine:.0f}",
    )
