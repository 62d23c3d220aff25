"""What is found true now, in numbers: a place for each thing that can be found."""

from __future__ import annotations

SLIP = 0  # of wheel i: SLIP + i
ROLLING = 4
SLIDING = 5
CLOCK, IMU, COMMAND = 6, 7, 8
ENCODER = 9  # of wheel i: ENCODER + i
LINK, OVERSPEED, TIP_OVER = 13, 14, 15
PLACES = 16


class Found:
    """Of each place what is true there, since when, and the number compared.

    Attributes
    ----------
    code : list of int
        0: nothing; else what it is. ``words.py`` says in words what a code means.
    since_s : list of float
        Time it became true.
    value, threshold : list of float
        The number compared, and what it was compared with.
    """

    def __init__(self) -> None:
        self.code = [0] * PLACES
        self.since_s = [0.0] * PLACES
        self.value = [0.0] * PLACES
        self.threshold = [0.0] * PLACES

    def put(self, place: int, code: int, since_s: float, value: float, threshold: float) -> None:
        """This is true there."""
        self.code[place] = code
        self.since_s[place] = since_s
        self.value[place] = value
        self.threshold[place] = threshold

    def watch(self, place: int, true_now: bool, t_s: float, value: float, threshold: float) -> None:
        """What is true there or not, since the first step in which it was."""
        if true_now:
            since_s = self.since_s[place] if self.code[place] else t_s
            self.put(place, 1, since_s, value, threshold)
        else:
            self.code[place] = 0
