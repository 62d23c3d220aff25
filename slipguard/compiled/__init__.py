"""The compiled engine: what ``Guard`` does in numbers, the same code, compiled by numba."""

from slipguard.compiled.guard import CompiledDrive, CompiledGuard, by_field, estimate_of

__all__ = ["CompiledDrive", "CompiledGuard", "by_field", "estimate_of"]
