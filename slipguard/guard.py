"""The loop at the heart: a reading in, a decision out. Read this file first.

    Reading -> Intake -> Frame -> Fusion -> Estimate -> Detectors -> Finding
                                                        -> Responder -> Decision

No clock, no thread, no file: time is a field of the reading, so a live run and a replay of its
recording decide the same, bit for bit.
"""

from __future__ import annotations

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.detect.detectors import Detectors
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.reading import Reading
from slipguard.respond.respond import Responder


class Guard:
    """Watches one rover. Starts with the brakes holding and the throttle latched at zero.

    Parameters
    ----------
    config : Config
        The rover, as ``Config.load`` read it.
    """

    def __init__(self, config: Config) -> None:
        self.config = config
        self._intake = Intake(config)
        self._fusion = Fusion(config)
        self._detectors = Detectors(config)
        self._responder = Responder(config)

    def step(self, reading: Reading) -> Decision:
        """Take one reading and decide.

        Never raises on what a sensor or a link can deliver: missing, infinite, frozen or
        jumping values become a ``sensor_fault`` finding and a safe decision.
        """
        frame = self._intake.take(reading)
        estimate = self._fusion.step(frame, self._responder.brakes)
        findings = self._detectors.step(frame, estimate, self._responder.brakes)
        return self._responder.step(frame, estimate, findings)
