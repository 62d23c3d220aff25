"""Counts from the edges of one encoder."""

from __future__ import annotations

STEP = {
    # (a, b) before, (a, b) after: one quarter of a cycle. A leads B when turning forward.
    (0, 0, 1, 0): 1,
    (1, 0, 1, 1): 1,
    (1, 1, 0, 1): 1,
    (0, 1, 0, 0): 1,
    (1, 0, 0, 0): -1,
    (1, 1, 1, 0): -1,
    (0, 1, 1, 1): -1,
    (0, 0, 0, 1): -1,
}
"""The only transitions a healthy quadrature encoder makes (Gray code: one bit at a time)."""


class QuadratureDecoder:
    """Both edges of both channels: four counts a cycle, with direction.

    Attributes
    ----------
    count : int
        Cumulative; positive is A before B.
    invalid : int
        Edges that cannot follow what was seen before: an edge was lost, or it is noise.
    """

    def __init__(self, a: int, b: int) -> None:
        self.count = 0
        self.invalid = 0
        self._a = a
        self._b = b

    def edge(self, channel: str, level: int) -> None:
        """Channel ``'a'`` or ``'b'`` has gone to ``level``."""
        a, b = (level, self._b) if channel == "a" else (self._a, level)
        step = STEP.get((self._a, self._b, a, b))
        if step is None:
            self.invalid += 1
        else:
            self.count += step
        self._a, self._b = a, b


class PulseDecoder:
    """Both edges of the only channel: counts without direction, always up."""

    def __init__(self, a: int) -> None:
        self.count = 0
        self.invalid = 0
        self._a = a

    def edge(self, channel: str, level: int) -> None:
        """The channel has gone to ``level``."""
        if level == self._a:
            self.invalid += 1
        else:
            self.count += 1
        self._a = level
