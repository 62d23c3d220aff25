"""Findings -> decision."""

from __future__ import annotations

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.frame import Frame
from slipguard.reading import Quad, quad
from slipguard.respond.response import Response
from slipguard.respond.signs import signs_of
from slipguard.respond.telling import Telling


class Responder:
    """The response, in numbers, and what is said of it. ``brakes`` (4,): the commands now."""

    def __init__(self, config: Config) -> None:
        self._response = Response(config)
        self._telling = Telling(config)
        self.brakes: Quad = (0.0, 0.0, 0.0, 0.0)

    def step(self, frame: Frame, estimate: Estimate, findings: tuple[Finding, ...]) -> Decision:
        """What to do now."""
        response = self._response
        response.step(frame, estimate, signs_of(findings))
        self.brakes = quad(response.brakes)
        return self._telling.decision(
            frame.t_s,
            estimate,
            findings,
            response.throttle,
            response.limit,
            self.brakes,
            response.hold.phase,
            response.hold.held_s,
            response.refused,
            response.traction.hot,
            response.working,
            response.unwatched,
        )
