"""The line protocol: ``R 17 123456 c 10 -4 12 9 a 120 -30 9806 #A15E``.

A line is ASCII, ends in a line feed, and is at most 200 bytes long. Fields are separated by one
space each:

- ``R``;
- sequence number, 0..65535, one more with each line, then round;
- the microcontroller's clock, microseconds, 0..4294967295, then round;
- groups, each a letter and its whole numbers, in any order, none twice:

  | group | numbers | unit |
  |---|---|---|
  | ``c`` | 4 | counts at the wheels fl fr rl rr, cumulative |
  | ``w`` | 4 | wheel speeds fl fr rl rr, mrad/s |
  | ``a`` | 3 | specific force x y z, mm/s2 |
  | ``g`` | 3 | rates x y z, mrad/s |
  | ``p`` | 4 | brake positions fl fr rl rr, thousandths |
  | ``i`` | 1 | motor current, mA |
  | ``m`` | 1 | motor speed, mrad/s |
  | ``v`` | 1 | battery, mV |

  ``-`` in place of a number: not known;
- ``#`` and four hexadecimal digits: CRC-16 of everything before the ``#``, the space included.

The CRC has polynomial 0x1021, starts at 0xFFFF, and is neither reflected nor inverted (known as
CRC-16/IBM-3740 or CCITT-FALSE; its check value, that of ``123456789``, is 0x29B1).
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass

MOST_BYTES = 200
SEQUENCES = 2**16
CLOCK_US = 2**32

GROUPS = {
    # letter: (field of Reading, how many numbers, size of one unit)
    "c": ("counts", 4, 1),
    "w": ("wheel_speed_radps", 4, 1e-3),
    "a": ("accel_mps2", 3, 1e-3),
    "g": ("gyro_radps", 3, 1e-3),
    "p": ("brake_position", 4, 1e-3),
    "i": ("motor_current_a", 1, 1e-3),
    "m": ("motor_speed_radps", 1, 1e-3),
    "v": ("battery_v", 1, 1e-3),
}
FIELDS = tuple(field for field, _, _ in GROUPS.values())
_CHECKSUM = re.compile(rb"[0-9A-Fa-f]{4}")
_INTEGER = re.compile(r"-?[0-9]{1,19}")

Number = int | float | None
Value = Number | tuple[Number, ...]


class DamagedLineError(ValueError):
    """A line that does not follow the protocol."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line: sequence number, the sender's clock, and values by field of Reading."""

    sequence: int
    clock_us: int
    values: dict[str, Value]


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740."""
    return crc_hqx(data, 0xFFFF)


def encode(sequence: int, clock_us: int, groups: dict[str, tuple[int | None, ...]]) -> bytes:
    """A line as the microcontroller writes it; the other end of ``decode``, for tests."""
    words = ["R", str(sequence % SEQUENCES), str(clock_us % CLOCK_US)]
    for letter, numbers in groups.items():
        words += [letter, *("-" if number is None else str(number) for number in numbers)]
    body = (" ".join(words) + " ").encode("ascii")
    return body + f"#{crc16(body):04X}\n".encode("ascii")


def decode(line: bytes) -> Line:
    """A line without its line feed.

    Raises
    ------
    DamagedLineError
        What is wrong with it.
    """
    body, mark, checksum = line.rstrip(b"\r").rpartition(b"#")
    if not mark or not body.startswith(b"R ") or not _CHECKSUM.fullmatch(checksum):
        raise DamagedLineError("not a line of the protocol")
    expected = int(checksum, 16)
    if crc16(body) != expected:
        raise DamagedLineError(f"checksum 0x{expected:04X}, expected 0x{crc16(body):04X}")
    # What follows can only be wrong where the sender is: the checksum holds.
    words = body.decode("ascii", "replace").split(" ")[1:-1]
    sequence, clock_us = _header(words[:2])
    values: dict[str, Value] = {}
    rest = words[2:]
    while rest:
        letter, rest = rest[0], rest[1:]
        if letter not in GROUPS:
            raise DamagedLineError(f"unknown group {letter!r}")
        field, length, unit = GROUPS[letter]
        if field in values:
            raise DamagedLineError(f"group {letter!r} is given twice")
        numbers = tuple(_number(word, unit) for word in rest[:length])
        if len(numbers) < length:
            raise DamagedLineError(
                f"group {letter!r} has {len(numbers)} numbers, expected {length}"
            )
        values[field] = numbers if length > 1 else numbers[0]
        rest = rest[length:]
    return Line(sequence, clock_us, values)


def _header(words: list[str]) -> tuple[int, int]:
    if len(words) < 2 or not all(_INTEGER.fullmatch(word) for word in words):
        raise DamagedLineError("sequence number or clock is missing")
    sequence, clock_us = int(words[0]), int(words[1])
    if not (0 <= sequence < SEQUENCES and 0 <= clock_us < CLOCK_US):
        raise DamagedLineError("sequence number or clock is out of range")
    return sequence, clock_us


def _number(word: str, unit: float) -> Number:
    if word == "-":
        return None
    if not _INTEGER.fullmatch(word):
        raise DamagedLineError(f"{word!r} is no whole number")
    return int(word) if unit == 1 else int(word) * unit
