"""Which parameters of a test are tried at once, and which only in the large run."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

import pytest


def rest_large(values: Iterable[Any], at_once: Collection[Any]) -> list[Any]:
    """Parameters for ``parametrize``: those not among ``at_once`` carry the marker ``large``."""
    rows = [value if isinstance(value, tuple) else (value,) for value in values]
    return [
        pytest.param(*row, marks=() if row[0] in at_once or row in at_once else pytest.mark.large)
        for row in rows
    ]
