"""The same recursion in C, compiled on the spot where there is a compiler."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from slipguard.bench.baselines import Call, State
from slipguard.fuse.model import N_STATE

SOURCE = Path(__file__).with_name("recursion.c")


def recursion_in_c(calls: Sequence[Call]) -> Callable[[], State] | None:
    """What runs these calls in C; None without a compiler (``cc``) that makes something of it."""
    compiler = shutil.which("cc")
    if compiler is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "recursion.so"
        command = [compiler, "-O3", "-march=native", "-shared", "-fPIC", "-o", str(made)]
        done = subprocess.run([*command, str(SOURCE), "-lm"], capture_output=True, check=False)
        if done.returncode:
            return None
        library = ctypes.CDLL(str(made))
    numbers = np.ascontiguousarray(flat(calls))

    def run() -> State:
        x, P = np.zeros(N_STATE), np.eye(N_STATE)
        pointers = [a.ctypes.data_as(ctypes.c_void_p) for a in (numbers, x, P)]
        library.run(pointers[0], ctypes.c_long(len(calls)), pointers[1], pointers[2])
        return x, P

    return run


def flat(calls: Sequence[Call]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The calls as one row of numbers, as ``recursion.c`` reads them."""
    parts = []
    for call in calls:
        second = call.F if call.H is None else call.H
        m = 0 if call.H is None else len(call.vector)
        parts += [np.array([float(m)]), call.vector, second.ravel(), call.Q.ravel()]
    return np.concatenate(parts)
