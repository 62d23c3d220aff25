"""What the builder wants of the rover."""

from __future__ import annotations

from dataclasses import dataclass, fields

from slipguard.section import LARGEST, SMALLEST

MOST_FRICTION = 2.0
"""No tyre of a rover grips better on any ground. Judgement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What the design is measured against; every value has a default.

    Attributes
    ----------
    grade_percent : float
        Grade to hold on, 100 tan. Default 20: what the parking brake of a laden passenger car
        must hold (UN R13-H, annex 3, par. 2.3.1; from memory).
    climb_percent : float
        Grade to climb with a wheel in the air.
    payload_kg : float
        What the rover carries besides ``rover.mass_kg``.
    friction : float
        Of tyres on the ground. Default 0.5: tyres sliding on wet asphalt (0.51 by the Burckhardt
        curve; gravel and grass are about as good, ice is 0.05). At most 2.
    slip_mps, delay_s : float
        A spin of this slip speed is to be found within this time.
    latency_s : float
        From the picture leaving the camera to the command reaching the rover. Default 0.5: the
        mean measured over commercial 4G and 5G networks (arXiv 2602.17381).
    stop_m : float
        Distance in which the driver wants to be able to stop.
    crawl_mps : float
        Speed while torque is transferred past a spinning wheel.
    roll_mm : float
        Roll-back on the design grade that is still welcome.
    """

    grade_percent: float = 20.0
    climb_percent: float = 20.0
    payload_kg: float = 0.0
    friction: float = 0.5
    slip_mps: float = 0.5
    delay_s: float = 0.1
    latency_s: float = 0.5
    stop_m: float = 2.0
    crawl_mps: float = 0.3
    roll_mm: float = 50.0

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            zero_is_fine = f.name in ("payload_kg", "latency_s", "crawl_mps")
            most = MOST_FRICTION if f.name == "friction" else LARGEST
            if not (SMALLEST <= value <= most or (value == 0 and zero_is_fine)):
                kind = "percentage" if f.name.endswith("_percent") else "number"
                expected = f"0 or a {kind} above it" if zero_is_fine else f"a {kind} above 0"
                if f.name == "friction":
                    expected += f", {most:g} at the most; good tyres on dry asphalt have 1"
                elif value > most:
                    expected += " that a rover can meet"
                raise ValueError(f"{f.name}: found {value:g}, expected {expected}")
