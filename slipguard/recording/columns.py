"""Names of the columns of a recorded drive, and the field of a Reading each belongs to."""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Iterator, Sequence

from slipguard.reading import WHEELS
from slipguard.settings import GRAVITY_MPS2

COUNTS = tuple(f"{wheel}_count" for wheel in WHEELS)
WHEEL_SPEEDS = tuple(f"{wheel}_radps" for wheel in WHEELS)
ACCEL = ("ax_mps2", "ay_mps2", "az_mps2")
GYRO = ("gx_radps", "gy_radps", "gz_radps")
BRAKE_POSITIONS = tuple(f"{wheel}_brake_position" for wheel in WHEELS)

VECTORS = {
    "counts": COUNTS,
    "wheel_speed_radps": WHEEL_SPEEDS,
    "accel_mps2": ACCEL,
    "gyro_radps": GYRO,
    "brake_position": BRAKE_POSITIONS,
}
"""Fields of a Reading that take several columns."""

NUMBERS = (
    "throttle",
    "steer",
    "command_age_s",
    "motor_current_a",
    "motor_speed_radps",
    "battery_v",
)
"""Fields of a Reading whose column has the same name and holds a number."""

TIME = "t_s"
MOTOR_ENABLED = "motor_enabled"
MARKER = "marker"
SENT_THROTTLE = "out_throttle"
"""What the motor was sent; in recordings of ``slipguard run``, whose markers are its alerts."""

STANDARD = (
    TIME,
    *COUNTS,
    *ACCEL,
    *GYRO,
    "throttle",
    "steer",
    MOTOR_ENABLED,
    "command_age_s",
)
"""What a rover with counting encoders records."""

KNOWN = frozenset(
    (TIME, MOTOR_ENABLED, MARKER, *NUMBERS, *(c for names in VECTORS.values() for c in names))
)

CLOSE = 0.82
"""Alike enough to be one column misspelt, in difflib's measure: gx_dps and gx_radps are (0.86),
throttle_sent and throttle are not (0.76). Judgement."""

OTHER_UNITS = {
    "_mps2": {"_g": GRAVITY_MPS2, "_mg": 1e-3 * GRAVITY_MPS2},
    "_radps": {"_dps": math.pi / 180.0, "_rpm": 2.0 * math.pi / 60.0},
    "_s": {"_ms": 1e-3, "_us": 1e-6},
    "_a": {"_ma": 1e-3},
    "_v": {"_mv": 1e-3},
}
"""For the end of a column's name, ends that other units have, and how many of its own they are."""

OTHER_MARKS = {";": "semicolons", "\t": "tabs"}
"""What spreadsheets put between columns where the comma is the decimal mark."""


def header_problem(columns: Sequence[str]) -> tuple[str, str] | None:
    """What is wrong with a header, as (column, sentence); None when it can be read."""
    if TIME not in columns and any(map(_is_number, columns)):
        return "", (
            "found numbers where the names of the columns are expected; the header row is "
            f"missing: put one first, with {TIME} and the wheels' columns"
        )
    seen = set()
    for name in columns:
        if not name:
            return "", "a column without a name; expected a name in every cell of the header"
        if name in seen:
            return name, "this column is given twice"
        seen.add(name)
    found = ", ".join(columns[:6]) + (", ..." if len(columns) > 6 else "")
    if len(columns) == 1 and (mark := next((m for m in OTHER_MARKS if m in columns[0]), None)):
        start = columns[0] if len(columns[0]) <= 40 else columns[0][:37] + "..."
        return "", (
            f"found {start!r}, columns set apart by {OTHER_MARKS[mark]}; expected commas between "
            "columns, and '.' as decimal mark"
        )
    if TIME not in seen:
        nearest = _nearest(columns, (TIME,))
        return TIME, f"missing; expected seconds in a column of that name, found {found}{nearest}"
    if not seen.intersection(COUNTS + WHEEL_SPEEDS):
        wanted = f"{', '.join(COUNTS)} (or {', '.join(WHEEL_SPEEDS)})"
        nearest = _nearest(columns, COUNTS + WHEEL_SPEEDS)
        return COUNTS[0], f"no column for any wheel; expected {wanted}, found {found}{nearest}"
    return None


def misspelt(columns: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    """Columns that nothing reads, the one that was probably meant and is not there, what to do."""
    absent = sorted(KNOWN.difference(columns))
    for name in columns:
        if name not in KNOWN and not name.startswith(("true_", "out_")):
            if (meant := _meant(name, absent)) is not None:
                yield name, *meant
                continue
            for near in difflib.get_close_matches(name.lower(), absent, 1, CLOSE):
                yield name, near, "name it so (its unit too)"


def _meant(name: str, absent: Collection[str]) -> tuple[str, str] | None:
    """The column that one in capitals or in another unit should have been, and what to do."""
    small = name.lower()
    if small in absent:
        return small, "name it so, in small letters"
    for end, others in OTHER_UNITS.items():
        for other, factor in others.items():
            near = small.removesuffix(other) + end
            if small.endswith(other) and near in absent:
                return near, f"multiply its values by {factor:.6g} and name it so"
    return None


def _nearest(columns: Sequence[str], wanted: Collection[str]) -> str:
    """The end of a sentence on missing columns: what may be one of them."""
    for name in columns:
        if (meant := _meant(name, wanted)) is not None:
            return f"; if {name} is {meant[0]}, {meant[1]}"
    return ""


def _is_number(name: str) -> bool:
    try:
        float(name)
    except ValueError:
        return False
    return True


def incomplete(columns: Sequence[str]) -> Iterator[tuple[list[str], list[str]]]:
    """Columns that are not there, and those that are there of what belongs together.

    Wheel speeds of the front wheels alone are complete: one speed a side.
    """
    for group in (COUNTS, WHEEL_SPEEDS, ACCEL, GYRO):
        given = [name for name in group if name in columns]
        absent = [name for name in group if name not in columns]
        if given and absent and not (group == WHEEL_SPEEDS and absent == list(group[2:])):
            yield absent, given
