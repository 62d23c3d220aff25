"""Which engines are installed, and which is through first."""

from __future__ import annotations

from importlib.util import find_spec

from slipguard.guard import Engine


def can_compile() -> bool:
    """Whether what ``engine="compiled"`` needs is installed."""
    return find_spec("numba") is not None


def quickest() -> Engine:
    """The engine for many drives: compiled where it is installed, which decides the same sooner."""
    return "compiled" if can_compile() else "filterpy"
