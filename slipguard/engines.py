"""Which engines are installed, and which is through first."""

from __future__ import annotations

from importlib.util import find_spec

from slipguard.guard import Engine

COMPILED_NEEDS = "needs numba; install it, in slipguard's folder, with: pip install '.[fast]'"
"""What to say where the compiled engine is asked for and cannot be had."""


def can_compile() -> bool:
    """Whether what ``engine="compiled"`` needs is installed."""
    return find_spec("numba") is not None


def engines() -> tuple[Engine, ...]:
    """The engines that are installed, the default first."""
    return ("filterpy", "compiled") if can_compile() else ("filterpy",)


def quickest() -> Engine:
    """The engine for many drives: compiled where it is installed, which decides the same sooner."""
    return engines()[-1]
