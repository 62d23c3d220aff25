"""The radio link: the operator's commands arrive late, irregularly, or not at all."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np

from slipguard.simulate.settings import SimSettings


class Link:
    """Carries (throttle, steer). Before the first command arrives all is neutral."""

    def __init__(
        self, sim: SimSettings, up: Callable[[float], bool], rng: np.random.Generator
    ) -> None:
        self._sim, self._up, self._rng = sim, up, rng
        self._next_s = 0.0
        self._air: deque[tuple[float, float, float, float]] = deque()
        self._got = (0.0, 0.0, 0.0)  # sent at, throttle, steer

    def due(self, t_s: float) -> bool:
        """Whether the operator's side sends a command now."""
        return t_s >= self._next_s - 1e-9

    def send(self, t_s: float, throttle: float, steer: float) -> None:
        """The operator's side sends one command."""
        self._next_s += 1.0 / self._sim.link_rate_hz
        delay = self._sim.link_latency_s + self._sim.link_jitter_s * self._rng.uniform(-1, 1)
        lost = self._rng.uniform() < self._sim.link_loss
        if self._up(t_s) and not lost:
            self._air.append((t_s + max(0.0, delay), t_s, throttle, steer))

    def receive(self, t_s: float) -> tuple[float, float, float]:
        """Throttle, steer and age (seconds) of the newest command that has arrived."""
        while self._air and self._air[0][0] <= t_s:
            _, *command = self._air.popleft()
            if command[0] >= self._got[0]:
                self._got = (command[0], command[1], command[2])
        sent, throttle, steer = self._got
        return throttle, steer, t_s - sent
