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
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.reading import Reading
from slipguard.respond.respond import Responder

Engine = Literal["filterpy", "compiled"]


class Guard:
    """Watches one rover. Starts with the brakes holding and the throttle latched at zero.

    Parameters
    ----------
    config : Config
        The rover, as ``Config.load`` read it.
    engine : str
        ``"filterpy"``, or ``"compiled"``: the same code compiled by numba (extra ``fast``),
        with estimates equal to 1e-9 (less so for wheels of millimetres). What has to be compiled
        is compiled here, which may take a minute the first time on a machine; ``step`` never
        compiles.

    Raises
    ------
    ModuleNotFoundError
        The compiled engine without numba.
    """

    def __init__(self, config: Config, engine: Engine = "filterpy") -> None:
        self.config = config
        self._core = _core(config, engine)

    def step(self, reading: Reading) -> Decision:
        """Take one reading and decide.

        Never raises on what a sensor or a link can deliver: missing, infinite, frozen or
        jumping values become a ``sensor_fault`` finding and a safe decision.
        """
        return self._core.step(reading)


class Steps(Protocol):
    """What decides: a guard, or anything that steps like one."""

    def step(self, reading: Reading) -> Decision:
        """The decision that follows from one reading."""


class _Interpreted:
    """The core loop: one of each."""

    def __init__(self, config: Config) -> None:
        self._intake = Intake(config)
        self._fusion = Fusion(config)
        self._detectors = Detectors(config)
        self._responder = Responder(config)

    def step(self, reading: Reading) -> Decision:
        frame = self._intake.take(reading)
        estimate = self._fusion.step(frame, self._responder.brakes, self._detectors.broken)
        findings = self._detectors.step(frame, estimate, self._responder.brakes)
        return self._responder.step(frame, estimate, findings)


def _core(config: Config, engine: Engine) -> Steps:
    if engine == "filterpy":
        return _Interpreted(config)
    if engine == "compiled":
        # Here and not above: numba takes a second to import.
        from slipguard.compiled import CompiledGuard

        return CompiledGuard(config)
    raise ValueError(f"engine {engine!r}; expected 'filterpy' or 'compiled'")
