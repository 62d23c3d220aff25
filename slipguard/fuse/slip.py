"""Slip of a wheel, from rim speed and ground speed."""

from __future__ import annotations

import math

FLOOR_MPS = 0.1
"""Below this the ratio is taken over this speed, so that creeping is not called slip."""


def slip_ratio(rim_mps: float, ground_mps: float) -> float:
    """Slip speed over max(|rim|, |ground|, 0.1 m/s), -1..1.

    Drive slip is positive and brake slip negative, in either direction of travel. The larger
    of both speeds in the denominator keeps it bounded where the standard's form is not.
    """
    scale = max(abs(rim_mps), abs(ground_mps), FLOOR_MPS)
    slip = rim_mps - ground_mps
    # The faster of the two tells which way the wheel is going.
    way = rim_mps if abs(rim_mps) >= abs(ground_mps) else ground_mps
    ratio = slip / scale if way >= 0 else -slip / scale
    return max(-1.0, min(1.0, ratio))


def slip_ratio_iso8855(rim_mps: float, ground_mps: float) -> float:
    """Longitudinal slip (rim - ground) / ground as ISO 8855:2011 and SAE J670 define it.

    Infinite with the sign of drive slip when the wheel turns and the ground does not move;
    0 when neither moves. The clause is quoted from memory.
    """
    if ground_mps == 0.0:
        return 0.0 if rim_mps == 0.0 else math.inf
    return (rim_mps - ground_mps) / ground_mps
