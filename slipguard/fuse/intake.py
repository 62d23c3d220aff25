"""Reading -> Frame: whatever a sensor or a link delivers, made plain numbers and cleaned.

Everything after this works on finite numbers of known age. What had to be dropped is noted on
the frame; the detectors turn it into findings.
"""

from __future__ import annotations

from slipguard.config import Config
from slipguard.frame import Frame
from slipguard.fuse.cleaning import Cleaning
from slipguard.fuse.plain import plain_row
from slipguard.reading import Reading


class Intake:
    """Cleans readings one after the other."""

    def __init__(self, config: Config) -> None:
        self._cleaning = Cleaning(config)
        self._counted = config.encoders.kind == "counts"
        self.frame = Frame()

    def take(self, reading: Reading) -> Frame:
        """The frame for this reading. The same object each time, overwritten."""
        self._cleaning.take(plain_row(reading, self._counted), self.frame)
        return self.frame
