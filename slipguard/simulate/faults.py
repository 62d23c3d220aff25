"""Sensor faults a scenario can switch on for a while."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from slipguard.reading import WHEELS

EncoderFaultKind = Literal["dead", "none", "missing_teeth", "bounce"]
ImuFaultKind = Literal["frozen", "saturated", "missing", "nan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EncoderFault:
    """One wheel's encoder misbehaves between two times.

    ``dead``: the count stands still. ``none``: no value arrives. ``missing_teeth``: a share
    ``amount`` of each revolution gives no counts. ``bounce``: extra edges, ``amount`` per
    true one (they cancel in a quadrature decoder only on one line; here they do not).
    """

    kind: EncoderFaultKind
    wheel: str
    amount: float = 0.2
    start_s: float = 0.0
    end_s: float = math.inf

    def __post_init__(self) -> None:
        if self.wheel not in WHEELS:
            raise ValueError(f"wheel {self.wheel!r}: expected one of {', '.join(WHEELS)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImuFault:
    """The IMU misbehaves between two times.

    ``frozen``: the last sample repeats. ``saturated``: full scale on every axis.
    ``missing``: no samples. ``nan``: not a number on every axis.
    """

    kind: ImuFaultKind
    start_s: float = 0.0
    end_s: float = math.inf


Fault = EncoderFault | ImuFault
