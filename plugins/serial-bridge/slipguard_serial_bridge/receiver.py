"""From bytes as they come to lines in order, with every fault counted."""

from __future__ import annotations

from dataclasses import dataclass

from slipguard_serial_bridge.protocol import (
    MOST_BYTES,
    SEQUENCES,
    DamagedLineError,
    Line,
    decode,
)

RESTART = SEQUENCES // 2
"""A jump of the sequence number beyond this is a sender that began anew."""


@dataclass(slots=True)
class Faults:
    """Running totals."""

    damaged: int = 0
    lost: int = 0
    repeated: int = 0
    restarts: int = 0


class Receiver:
    """Feed it bytes in pieces of any size; it gives the good lines."""

    def __init__(self) -> None:
        self.faults = Faults()
        self._pending = bytearray()
        self._skipping = True  # the first piece may begin in the middle of a line
        self._sequence: int | None = None

    def feed(self, data: bytes) -> list[Line]:
        """Good lines that end in ``data``, oldest first."""
        lines = []
        *whole, rest = (bytes(self._pending) + data).split(b"\n")
        for raw in whole:
            if self._skipping:
                self._skipping = False
            elif line := self._line(raw):
                lines.append(line)
        self._pending = bytearray(rest)
        if len(rest) > MOST_BYTES:
            self._damage()
        return lines

    def begin(self) -> None:
        """The connection is new: what was half received is dropped, unseen."""
        self._pending.clear()
        self._skipping = True

    def _damage(self) -> None:
        if not self._skipping:
            self.faults.damaged += 1
        self._pending.clear()
        self._skipping = True

    def _line(self, raw: bytes) -> Line | None:
        try:
            if len(raw) > MOST_BYTES:
                raise DamagedLineError("too long")
            line = decode(raw)
        except DamagedLineError:
            self.faults.damaged += 1
            return None
        last, self._sequence = self._sequence, line.sequence
        if last is None:
            return line
        step = (line.sequence - last) % SEQUENCES
        if step == 0:
            self.faults.repeated += 1
            return None
        if step > RESTART:
            self.faults.restarts += 1
        else:
            self.faults.lost += step - 1
        return line
