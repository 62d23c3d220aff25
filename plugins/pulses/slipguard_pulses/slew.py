"""Motion that is never faster than a limit, on the time of the decisions."""

from __future__ import annotations

LONGEST_STEP_S = 0.1
"""A longer gap between two decisions moves the value no further than this one would."""


class Slew:
    """Follows a target no faster than ``per_s``."""

    def __init__(self, value: float, per_s: float) -> None:
        self.value = value
        self._per_s = per_s
        self._last_s: float | None = None

    def jump(self, value: float) -> None:
        """Be there at once."""
        self.value = value

    def step(self, target: float, t_s: float) -> float:
        """The value at ``t_s``, nearer to ``target``.

        Time that stands or goes back moves nothing; a leap moves no more than 0.1 s would.
        """
        since_s = 0.0 if self._last_s is None else t_s - self._last_s
        self._last_s = t_s
        reach = self._per_s * min(max(since_s, 0.0), LONGEST_STEP_S)
        self.value += min(max(target - self.value, -reach), reach)
        return self.value
