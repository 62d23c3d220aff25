"""The compiled engine: the fusion of ``slipguard/fuse``, the same code, compiled by numba."""

from slipguard.compiled.drive import DriveFusion, by_field
from slipguard.compiled.fusion import CompiledFusion

__all__ = ["CompiledFusion", "DriveFusion", "by_field"]
