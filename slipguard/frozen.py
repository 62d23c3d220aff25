"""Frozen values that are quick to make."""

from __future__ import annotations

from dataclasses import field, fields, make_dataclass
from typing import Any, TypeVar, cast

T = TypeVar("T")


def quick(cls: type[T]) -> type[T]:
    """What makes instances of a frozen, slotted dataclass in a third of the time it takes itself.

    Each field of a frozen dataclass is set by a detour around its own ``__setattr__``. So this is
    a twin of it that is not frozen; once filled, an instance becomes one of ``cls``.
    """

    def freeze(self: Any) -> None:
        self.__class__ = cls

    twin = make_dataclass(
        "Open" + cls.__name__,
        [(f.name, f.type, field(default=f.default)) for f in fields(cls)],  # type: ignore[arg-type]
        slots=True,
        namespace={"__post_init__": freeze},
    )
    return cast("type[T]", twin)
