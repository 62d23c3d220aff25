"""The loop at the heart: a reading in, a decision out. Read this file first.

    Reading -> Intake -> Frame -> Fusion -> Estimate -> Detectors -> Finding
                                                        -> Responder -> Decision

No clock, no thread, no file: time is a field of the reading, so a live run and a replay of its
recording decide the same, bit for bit.
"""

from __future__ import annotations

from typing import Literal, Protocol

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.detect.detectors import Detectors
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.reading import Quad, Reading
from slipguard.respond.respond import Responder

Engine = Literal["filterpy", "compiled"]


class Guard:
    """Watches one rover. Starts with the brakes holding and the throttle latched at zero.

    Parameters
    ----------
    config : Config
        The rover, as ``Config.load`` read it.
    engine : str
        ``"filterpy"``, or ``"compiled"``: the same fusion compiled by numba (extra ``fast``),
        with estimates equal to 1e-9. What has to be compiled is compiled here, which may take a
        minute the first time on a machine; ``step`` never compiles.

    Raises
    ------
    ModuleNotFoundError
        The compiled engine without numba.
    """

    def __init__(self, config: Config, engine: Engine = "filterpy") -> None:
        self.config = config
        self._intake = Intake(config)
        self._fusion = fusion_of(config, engine)
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


class Fuses(Protocol):
    """Frames in, estimates out, as ``Fusion`` does it."""

    def step(self, frame: Frame, brakes: Quad) -> Estimate:
        """Take one frame and say what is believed after it."""


def fusion_of(config: Config, engine: Engine) -> Fuses:
    """The fusion on that engine; errors as of ``Guard``."""
    if engine == "filterpy":
        return Fusion(config)
    if engine == "compiled":
        # Here and not above: numba takes a second to import.
        from slipguard.compiled import CompiledFusion

        return CompiledFusion(config)
    raise ValueError(f"engine {engine!r}; expected 'filterpy' or 'compiled'")
