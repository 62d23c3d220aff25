"""The response in words: the decision, and what the driver is told with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.frozen import quick
from slipguard.reading import WHEELS, Quad
from slipguard.respond.alerts import Alerts, Level
from slipguard.respond.hold import PHASES

LATCHED = "throttle stays at zero until the stick was in neutral"
BLIND = "no sensor tells how the rover moves: throttle limited, stop it"
FAILING = "fewer than two brakes answer: open differentials let the rover roll on one"

_made: Callable[..., Decision] = quick(Decision)


class Telling:
    """Makes decisions of numbers, step by step."""

    def __init__(self, config: Config) -> None:
        self._alerts = Alerts(config)

    def decision(
        self,
        t_s: float,
        estimate: Estimate,
        findings: tuple[Finding, ...],
        throttle: float,
        limit: float,
        brakes: Quad,
        phase: int,
        held_s: float,
        refused: bool,
        hot: Sequence[bool],
        working: int,
        unwatched: bool,
    ) -> Decision:
        """The decision with these numbers, as in ``Response``."""
        states: dict[str, tuple[Level, str]] = {}
        if refused:
            states["throttle_latched"] = ("info", LATCHED)
        if True in hot:
            names = " ".join(w for w, h in zip(WHEELS, hot, strict=True) if h)
            states["brake_hot"] = ("warning", f"hot, no longer braked while spinning: {names}")
        if unwatched:
            states["blind"] = ("critical", BLIND)
        if working < 2:
            states["brakes_failing"] = ("critical", FAILING)
        hold = PHASES[phase]
        alerts = self._alerts.step(t_s, findings, hold, states, held_s)
        return _made(t_s, throttle, limit, brakes, findings, alerts, hold, estimate)
