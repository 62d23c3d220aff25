"""What is tried on the bench, in order, in words a builder can follow."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from slipguard.config import Config
from slipguard.reading import WHEELS, Quad

FREE: Quad = (0.0, 0.0, 0.0, 0.0)
FULL: Quad = (1.0, 1.0, 1.0, 1.0)
NAMES = {"fl": "front left", "fr": "front right", "rl": "rear left", "rr": "rear right"}
BESIDE = {"fl": "fr", "fr": "fl", "rl": "rr", "rr": "rl"}
"""The other wheel of the axle."""

CAUTION = (
    "Chassis on blocks, all wheels off the ground, hands, hair and cables clear of the wheels, "
    "motor switched off by its kill switch until an item asks for it. Nothing here is a certified "
    "safety check; local rules and qualified practice come first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing to try.

    Attributes
    ----------
    key : str
        E.g. ``wheel.fl``.
    title, do : str
        What it is about; what to do, in words.
    wheel : str or None
    brakes : (4,) float or None
        What the brakes are sent meanwhile; None: what the guard decides.
    motor : str
        ``'off'``: throttle stays at zero. ``'direct'``: the driver's, gently, without the guard's
        limits, while commands arrive. ``'guarded'``: what the guard decides.
    needs : tuple of str
        Beginnings of the keys of items without which this one proves nothing.
    """

    key: str
    title: str
    do: str
    wheel: str | None = None
    brakes: Quad | None = None
    motor: str = "off"
    needs: tuple[str, ...] = ()

    def waits_for(self, failed: Iterable[str]) -> list[str]:
        """Those of the failed items that must be mended before this one is tried."""
        return [key for key in failed if key.startswith(self.needs)] if self.needs else []


def items(config: Config) -> tuple[Item, ...]:
    """What to try with a rover, in order."""
    without = config.live.get("without_brake") or ()
    fitted = [wheel for wheel in WHEELS if wheel not in without]
    return (
        Item(
            key="blocks",
            title="wheels off the ground, motor off, nothing touches the rover",
            do="Put the chassis on blocks, level. Turn every wheel by hand: it must be free of the "
            "ground. Switch the motor off by its kill switch. Then hands off for five seconds.",
            brakes=FREE,
        ),
        *(_turned(wheel) for wheel in WHEELS),
        *(_pressed(wheel) for wheel in fitted),
        Item(
            key="tilt.nose",
            needs=("blocks",),
            title="nose up",
            do="Hands off for a second. Then lift the nose by 15 to 30 degrees, within two "
            "seconds, and keep it there.",
            brakes=FREE,
        ),
        Item(
            key="tilt.left",
            needs=("blocks",),
            title="left side up",
            do="Level again, hands off for a second. Then lift the LEFT side by 15 to 30 degrees, "
            "within two seconds, and keep it there.",
            brakes=FREE,
        ),
        Item(
            key="turn.left",
            needs=("blocks",),
            title="turned to the left",
            do="Level again, hands off for a second. Then turn the whole rover to the LEFT by a "
            "quarter, seen from above, within three seconds, blocks and all.",
            brakes=FREE,
        ),
        Item(
            key="kill",
            needs=("blocks", "wheel"),
            title="kill switch stops the motor",
            do="Hands clear. Motor on. Stick in neutral, then a little forward until the wheels "
            "turn. KEEP THE STICK THERE and press the kill switch. Wait two seconds, then neutral.",
            brakes=FREE,
            motor="direct",
        ),
        Item(
            key="link",
            needs=("blocks", "wheel", "kill"),
            title="link cut stops the rover",
            do="Hands clear. Motor on. Stick in neutral, then a little forward until the wheels "
            "turn. KEEP THE STICK THERE and switch the transmitter off. Wait three seconds.",
            motor="direct",
        ),
        Item(
            key="crawl",
            needs=("blocks", "wheel", "brake", "tilt", "turn", "kill", "link"),
            title="a first crawl on the ground",
            do="Motor off, wheels down, on a firm level floor, kill switch in hand. Motor on, link "
            "on. Stick in neutral for two seconds; drive a metre straight ahead at walking pace or "
            "less, starting briskly enough to feel; neutral, and wait for three seconds.",
            motor="guarded",
        ),
    )


def _turned(wheel: str) -> Item:
    return Item(
        key=f"wheel.{wheel}",
        title=f"{NAMES[wheel]} wheel turned by hand",
        do=f"Turn the {NAMES[wheel]} wheel FORWARD by one whole turn (a mark on the tyre helps). "
        f"Keep the {NAMES[BESIDE[wheel]]} one still with your other hand: the differential would "
        "turn it back.",
        wheel=wheel,
        brakes=FREE,
    )


def _pressed(wheel: str) -> Item:
    fl, fr, rl, rr = (1.0 if wheel == other else 0.0 for other in WHEELS)
    return Item(
        key=f"brake.{wheel}",
        title=f"{NAMES[wheel]} brake pressed alone",
        do=f"Only the {NAMES[wheel]} brake is pressed now. Try to turn EACH wheel by half a turn, "
        "one after the other, firmly: that one must not give way, the others must turn.",
        wheel=wheel,
        brakes=(fl, fr, rl, rr),
        needs=("blocks", "wheel"),
    )
