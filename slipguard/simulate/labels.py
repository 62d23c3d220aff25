"""Labels of a simulated drive: the definitions are in ``slipguard/label/define.py``.

sensor_fault
    A fault the scenario asked for, from when it can first show.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from slipguard.label.define import (
    Label,
    asked_direction,
    farthest_roll_m,
    in_order,
    label,
    label_drive,
    slight_events,
    stretches,
)
from slipguard.reading import WHEELS
from slipguard.simulate.faults import EncoderFault, Fault

__all__ = [
    "Label",
    "asked_direction",
    "farthest_roll_m",
    "in_order",
    "label_drive",
    "label_faults",
    "slight_events",
]

Array = NDArray[np.float64]
TURNING_MPS = 0.05


def label_faults(t_s: Array, rim_mps: Array, faults: Sequence[Fault]) -> list[Label]:
    """``sensor_fault`` from when each fault first shows: an encoder's needs its wheel to turn."""
    labels = []
    for fault in faults:
        shows = (t_s >= fault.start_s) & (t_s < fault.end_s)
        wheel = fault.wheel if isinstance(fault, EncoderFault) else None
        if wheel is not None:
            turned = shows & (np.abs(rim_mps[:, WHEELS.index(wheel)]) > TURNING_MPS)
            shows &= np.cumsum(turned) > 0
        labels += [label("sensor_fault", wheel, t_s, a, b, 0.0) for a, b in stretches(shows)]
    return labels
