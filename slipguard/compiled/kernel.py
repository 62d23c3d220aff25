"""What is compiled: the core over readings, one or a whole drive of them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from numba import njit

from slipguard import detect, fuse, reading, respond
from slipguard.compiled.mirror import compile_functions, part
from slipguard.compiled.waiting import one_at_a_time
from slipguard.fuse import cleaning, geometry, model, slip
from slipguard.respond import stop


@cache
def kernel() -> Callable[..., None]:
    """The compiled function, made once in a process.

    Takes (core, plain (n,) of ``PLAIN_ROW``, out (n,) of ``OUT_ROW``); core: a record as
    ``record_of`` makes it.
    """
    for module in (cleaning, geometry, model, slip, stop, reading):
        compile_functions(module)
    return _build(fingerprint(fuse, detect, respond))


def ready(compiled: Any, *arguments: Any) -> None:
    """Have a compiled function compiled for these arguments, by calling it, or load it."""
    with one_at_a_time(Path(compiled.stats.cache_path)):
        compiled(*arguments)


def fingerprint(*packages: ModuleType) -> int:
    """A number that changes with the code that is compiled: of these, of the values and constants
    they read, and how it is done.

    numba looks at the file of the compiled function alone to see whether what it has in its cache
    is still true; what it calls is in other files.
    """
    digest = hashlib.sha256()
    here = Path(__file__).parent
    for folder in (here.parent, *(Path(p.__path__[0]) for p in packages), here):
        for path in sorted(folder.glob("*.py")):
            digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:7])


def _build(fingerprint: int) -> Callable[..., None]:
    # error_model: nothing divides by zero on purpose, and a check at each division costs both time
    # and compilation.
    @njit(cache=True, nogil=True, error_model="numpy")
    def drive(core, plain, out):  # type: ignore[no-untyped-def]
        _ = fingerprint  # a part of what the cache is asked for
        for k in range(len(plain)):
            part(core[0]).step(plain[k].numbers, out[k].numbers)

    return drive  # type: ignore[no-any-return]
