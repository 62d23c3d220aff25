"""What is compiled: one step, and a whole drive of them, of the same classes."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

from numba import njit
from numba.extending import register_jitable

from slipguard import fuse, reading
from slipguard.compiled.mirror import compile_functions, part
from slipguard.compiled.waiting import one_at_a_time
from slipguard.fuse import cleaning, geometry, model, slip

N_VALUES = 42
"""Numbers of an ``Estimate``: 8, seven times one of each wheel, and 6."""


class Kernel(NamedTuple):
    """Compiled functions. Their first arguments are records as ``record_of`` makes them."""

    step: Callable[..., Any]
    """(motion, frame, brakes (4,)) -> the fields of an ``Estimate``."""
    drive: Callable[..., None]
    """(cleaning, frame, motion, plain (n, N_PLAIN), brakes (n, 4), out (n, N_VALUES))."""


@cache
def kernel() -> Kernel:
    """The compiled functions, made once in a process."""
    for module in (cleaning, geometry, model, slip, reading):
        compile_functions(module)
    return _build(fingerprint(fuse))


def ready(compiled: Any, *arguments: Any) -> None:
    """Have a compiled function compiled for these arguments, by calling it, or load it."""
    with one_at_a_time(Path(compiled.stats.cache_path)):
        compiled(*arguments)


def fingerprint(package: ModuleType) -> int:
    """A number that changes with the code that is compiled: of ``package``, and how it is done.

    numba looks at the file of the compiled function alone to see whether what it has in its cache
    is still true; what it calls is in other files.
    """
    digest = hashlib.sha256()
    for folder in (Path(package.__path__[0]), Path(__file__).parent):
        for path in sorted(folder.glob("*.py")):
            digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:7])


def _build(fingerprint: int) -> Kernel:
    # error_model: nothing divides by zero on purpose, and a check at each division costs both time
    # and compilation. drive() does not call the compiled step: a cache knows it by another name in
    # each process.
    @njit(cache=True, nogil=True, error_model="numpy")
    def step(motion, frame, brakes):  # type: ignore[no-untyped-def]
        _ = fingerprint  # a part of what the cache is asked for
        return part(motion[0]).step(part(frame[0]), brakes)

    @njit(cache=True, nogil=True, error_model="numpy")
    def drive(cleaning, frame, motion, plain, brakes, out):  # type: ignore[no-untyped-def]
        _ = fingerprint
        for k in range(len(plain)):
            part(cleaning[0]).take(plain[k], part(frame[0]))
            now = (brakes[k, 0], brakes[k, 1], brakes[k, 2], brakes[k, 3])
            _write(part(motion[0]).step(part(frame[0]), now), out[k])

    return Kernel(step, drive)


@register_jitable
def _write(values, out):  # type: ignore[no-untyped-def]
    """The fields of an ``Estimate``, flat."""
    out[0], out[1], out[2], out[3] = values[0], values[1], values[2], values[3]
    out[4], out[5], out[6], out[7] = values[4], values[5], values[6], values[7]
    for i in range(4):
        out[8 + i], out[12 + i], out[16 + i] = values[8][i], values[9][i], values[10][i]
        out[20 + i], out[24 + i], out[28 + i] = values[11][i], values[12][i], values[13][i]
        out[32 + i] = values[14][i]
    out[36], out[37], out[38] = values[15], values[16], values[17]
    out[39], out[40], out[41] = values[18], values[19], values[20]
