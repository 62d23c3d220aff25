"""Runs ordinary Python classes compiled, as they stand: no second copy of what they calculate.

An object whose attributes are numbers, booleans, lists of them (of fixed length) and other such
objects is mirrored into one numpy record: ``record_of``. numba compiles code that works on
records; all it has to be told is which methods a record has. ``part`` makes that known: inside
compiled code ``part(records[0]).step(...)`` calls the methods of the class the record mirrors,
compiled, on the numbers in the record. Attributes of other kinds (texts, None) are left out;
compiled code that asks for one does not compile.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from types import FunctionType, ModuleType
from typing import Any

import numpy as np
from numba import types
from numba.core.datamodel import models
from numba.extending import (
    intrinsic,
    overload_attribute,
    overload_method,
    register_jitable,
    register_model,
)
from numba.np.numpy_support import from_dtype, from_struct_dtype

MIRRORED = (
    "slipguard.fuse.",
    "slipguard.frame",
    "slipguard.detect.",
    "slipguard.respond.",
    "slipguard.compiled.core",
)
"""Where the classes come from whose objects are mirrored."""
CALLED = {"no_cfunc_wrapper": True, "forceinline": True}
"""Options of what only compiled code calls. Without an entry for callers from C it takes a tenth of
the time to compile; all in one piece a sixth more, and runs in four fifths of the time."""
_PART_TYPES: dict[type, type[types.Record]] = {}
_PARTS: dict[types.Record, types.Record] = {}
_DTYPES: dict[np.dtype[Any], np.dtype[Any]] = {}
"""The first of equal dtypes stands for all: with every call numba looks up what it compiled for an
argument, and where the dtype is only equal to one it knows, it compares them field by field."""


def record_of(obj: object) -> np.ndarray[Any, Any]:
    """A structured array of one record that mirrors ``obj`` as it is now."""
    dtype = _dtype(obj)
    if dtype not in _DTYPES:  # what numba calls it takes longer to work out than all the rest
        plain = from_struct_dtype(dtype)
        _PARTS[plain] = _part_type(obj, dtype)
        _DTYPES[dtype] = dtype
    records = np.zeros(1, _DTYPES[dtype])
    write(obj, records)
    return records


def write(obj: object, records: np.ndarray[Any, Any]) -> None:
    """Write the values of ``obj`` into the first of ``records``."""
    records[0] = _values(obj)


@intrinsic
def part(_context: Any, record: types.Record) -> Any:
    """The record as a part: with the methods of the class that it mirrors."""

    def same(_context: Any, _builder: Any, _signature: Any, arguments: Any) -> Any:
        return arguments[0]

    return _PARTS[record](record), same


def compile_functions(module: ModuleType) -> None:
    """Let compiled code call the functions of ``module``."""
    for function in vars(module).values():
        if isinstance(function, FunctionType) and function.__module__ == module.__name__:
            register_jitable(**CALLED)(function)


def _attributes(obj: object) -> Iterator[tuple[str, object]]:
    names = getattr(type(obj), "__slots__", None) or vars(obj)
    for name in names:
        value = getattr(obj, name)
        if _is_mirrored(value):
            yield name, value


def _is_mirrored(value: object) -> bool:
    if isinstance(value, (bool, int, float, np.ndarray)):
        return True
    if isinstance(value, (list, tuple)):
        return len(value) > 0 and all(_is_mirrored(v) for v in value)
    return type(value).__module__.startswith(MIRRORED)


def _dtype(value: Any) -> np.dtype[Any]:
    if isinstance(value, bool):
        return np.dtype(np.bool_)
    if isinstance(value, int):
        return np.dtype(np.int64)
    if isinstance(value, float):
        return np.dtype(np.float64)
    if isinstance(value, np.ndarray):
        return np.dtype((value.dtype, value.shape))
    if isinstance(value, (list, tuple)):
        inner = _dtype(value[0])
        if any(_dtype(other) != inner for other in value):
            raise TypeError(f"not all of one kind: {value!r}")
        if inner == np.bool_:
            inner = np.dtype(np.int8)  # numba has no lists of booleans inside a record
        return np.dtype((inner, (len(value),)))
    return np.dtype([(name, _dtype(v)) for name, v in _attributes(value)], align=True)


def _values(value: Any) -> Any:
    if isinstance(value, (bool, int, float, np.ndarray)):
        return value
    if isinstance(value, (list, tuple)):
        return [_values(v) for v in value]
    return tuple(_values(v) for _, v in _attributes(value))


def _part_type(value: Any, dtype: np.dtype[Any]) -> Any:
    """The numba type of a mirrored value. A record gets the type that knows its methods."""
    if dtype.subdtype is not None:
        base, shape = dtype.subdtype
        inner = value
        for _ in shape:
            inner = inner[0]
        return types.NestedArray(_part_type(inner, base), shape)
    if dtype.names is None:
        return from_dtype(dtype)
    plain = from_struct_dtype(dtype)
    members = []
    for name in dtype.names:
        field = plain.fields[name]
        member = {
            "type": _part_type(getattr(value, name), dtype[name]),
            "offset": field.offset,
            "alignment": field.alignment,
            "title": field.title,
        }
        members.append((name, member))
    return _type_for(type(value))(members, plain.size, plain.aligned)


def _type_for(cls: type) -> type[types.Record]:
    """The type of records that mirror ``cls``, with its methods and properties."""
    if cls in _PART_TYPES:
        return _PART_TYPES[cls]
    made: type[types.Record] = type(cls.__name__ + "Part", (types.Record,), {})
    register_model(made)(models.RecordModel)
    _PART_TYPES[cls] = made
    for name, member in vars(cls).items():
        if name.startswith("__"):
            continue
        if isinstance(member, property) and member.fget is not None:
            overload_attribute(made, name, jit_options=CALLED)(_as_overload(member.fget))
        elif isinstance(member, FunctionType):
            overload_method(made, name, jit_options=CALLED)(_as_overload(member))
    return made


def _as_overload(function: Any) -> Callable[..., Any]:
    """What numba asks which function to compile, by a call with the same arguments."""

    def answer(*_arguments: Any, **_named: Any) -> Any:
        return function

    answer.__signature__ = inspect.signature(function)  # type: ignore[attr-defined]
    return answer
