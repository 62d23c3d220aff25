"""Programs that start together compile once: the others wait and take it from the cache."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

try:
    import fcntl
except ImportError:  # not a Unix: each compiles for itself
    fcntl = None  # type: ignore[assignment]


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[None]:
    """Hold the lock of this cache folder. It goes with the process, however that ends.

    A folder that cannot be written has no lock: nothing will be kept there either.
    """
    if fcntl is None:
        yield
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = os.open(folder / "compiling.lock", os.O_RDWR | os.O_CREAT, 0o666)
    except OSError:
        yield
        return
    try:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
    finally:
        os.close(file)
