"""What the response asks of the findings: true or not, no more."""

from __future__ import annotations

from collections.abc import Iterable

from slipguard.finding import Finding
from slipguard.reading import WHEELS


class Signs:
    """Of one step.

    Attributes
    ----------
    spinning, broken : list of 4 bool
        Wheels that spin; wheels whose encoder is at fault.
    rolling, link_lost, imu_fault : bool
    """

    def __init__(self) -> None:
        self.spinning = [False] * 4
        self.broken = [False] * 4
        self.rolling = False
        self.link_lost = False
        self.imu_fault = False


def signs_of(findings: Iterable[Finding]) -> Signs:
    """What these findings say."""
    signs = Signs()
    for finding in findings:
        if finding.kind == "wheel_spin" and finding.wheel is not None:
            signs.spinning[WHEELS.index(finding.wheel)] = True
        elif finding.kind == "rolling":
            signs.rolling = True
        elif finding.kind == "link_lost":
            signs.link_lost = True
        elif finding.sensor == "imu":
            signs.imu_fault = True
        elif finding.sensor == "encoder" and finding.wheel is not None:
            signs.broken[WHEELS.index(finding.wheel)] = True
    return signs
