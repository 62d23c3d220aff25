"""Samples of an item -> a result: which check belongs to which item."""

from __future__ import annotations

from collections.abc import Sequence

from slipguard.commission.brakes import brake_pressed
from slipguard.commission.items import Item
from slipguard.commission.moving import crawled, killed, link_cut
from slipguard.commission.result import Result
from slipguard.commission.sample import Sample
from slipguard.commission.tilt import at_rest, tilted, turned_left
from slipguard.commission.wheels import wheel_turned
from slipguard.config import Config

FEWEST = 20


def judge(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """Compare what was seen with what must be.

    Parameters
    ----------
    item : Item
    samples : sequence of Sample
        From the moment the instruction was given until the builder said "done".
    config : Config
    """
    samples = list(samples)
    if len(samples) < FEWEST:
        return Result(
            key=item.key,
            state="failed",
            value=float(len(samples)),
            low=float(FEWEST),
            unit="readings",
            seen=f"only {len(samples)} readings arrived",
            cause="the item was ended before anything was done",
            remedy="do what it says, then say that it is done",
        )
    if item.key.startswith("wheel."):
        return wheel_turned(item, samples, config)
    if item.key.startswith("brake."):
        return brake_pressed(item, samples)
    check = _CHECKS[item.key]
    return check(item, samples, config)


_CHECKS = {
    "blocks": at_rest,
    "tilt.nose": tilted,
    "tilt.left": tilted,
    "turn.left": turned_left,
    "kill": killed,
    "link": link_cut,
    "crawl": crawled,
}
