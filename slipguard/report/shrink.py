"""Long drives made small without hiding a spike: the lowest and highest value of each bin.

A bin is a fixed number of rows. Its lowest and highest value are kept for every channel, so
the extremes of any stretch of the drive are still there, whatever is plotted of it.
"""

from __future__ import annotations

import base64
import gzip
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

MOST_BINS = 180_000
"""More than a screen of any width can show after zooming to a thousandth of it."""

DROPPED_BITS = 11
"""Of the 23 bits of a float's fraction: 12 stay, which is 0.012 % of the value."""


@dataclass(frozen=True, slots=True)
class Bins:
    """Bins of a drive.

    Attributes
    ----------
    rows : int
        Rows in a bin.
    t_s : (m,) array
        Middle of each bin.
    low, high : mapping of str to (m,) float32 array
        NaN where no row of the bin has a value.
    """

    rows: int
    t_s: Array
    low: Mapping[str, Floats]
    high: Mapping[str, Floats]


def bins_of(t_s: Array, channels: Mapping[str, Floats], rows: int) -> Bins:
    """Cut a drive into bins of ``rows`` rows; ``t_s`` (n,) and every channel (n,)."""
    starts = np.arange(0, len(t_s), rows)
    ends = np.minimum(starts + rows, len(t_s)) - 1
    middle = 0.5 * (t_s[starts] + t_s[ends])
    low = {name: np.fmin.reduceat(values, starts) for name, values in channels.items()}
    high = {name: np.fmax.reduceat(values, starts) for name, values in channels.items()}
    return Bins(rows, middle, low, high)


@dataclass(frozen=True, slots=True)
class Packed:
    """Bins as text for a page: ``data`` is base64 of gzip; ``about`` says what is in it."""

    about: dict[str, object]
    data: str


def pack(t_s: Array, channels: Mapping[str, Floats], most_bytes: int) -> Packed:
    """The finest bins whose text is no longer than ``most_bytes``."""
    rows = max(1, math.ceil(len(t_s) / MOST_BINS))
    while True:
        packed = pack_bins(bins_of(t_s, channels, rows))
        if len(packed.data) <= most_bytes or rows >= len(t_s):
            return packed
        rows = max(rows + 1, math.ceil(rows * len(packed.data) / most_bytes))


def pack_bins(bins: Bins) -> Packed:
    """Bytes of the same significance stand together, because that packs well."""
    micros = np.round((bins.t_s - bins.t_s[0]) * 1e6)
    parts = [_planes(np.diff(micros, prepend=0.0))]
    for name in bins.low:
        low, high = _rounded(bins.low[name]), _rounded(bins.high[name])
        parts.append(_planes(low))
        if bins.rows > 1:
            parts.append(_planes(high))
    about: dict[str, object] = {
        "rows": bins.rows,
        "bins": len(bins.t_s),
        "start_s": float(bins.t_s[0]),
        "channels": list(bins.low),
    }
    packed = gzip.compress(b"".join(parts), compresslevel=6, mtime=0)
    return Packed(about, base64.b64encode(packed).decode("ascii"))


def _rounded(values: Floats) -> Floats:
    """To 12 bits of fraction; infinities become NaN, which draws a gap."""
    finite = np.where(np.isfinite(values), values, np.float32(np.nan))
    bits = finite.view(np.uint32)
    half = np.uint32(1 << (DROPPED_BITS - 1))
    kept = np.uint32(0xFFFFFFFF << DROPPED_BITS & 0xFFFFFFFF)
    return np.where(np.isnan(finite), finite, ((bits + half) & kept).view(np.float32))


def _planes(values: NDArray[np.floating]) -> bytes:
    little = values.astype(values.dtype.newbyteorder("<"))
    size = little.dtype.itemsize
    return np.ascontiguousarray(little.view(np.uint8).reshape(-1, size).T).tobytes()
