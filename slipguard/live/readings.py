"""Readings put together."""

from __future__ import annotations

from dataclasses import replace

from slipguard.plugin import DRIVER, MEASURES
from slipguard.reading import Reading

FIELDS = (*MEASURES, *DRIVER)
"""Every field of a Reading but its time."""


def newest(older: Reading, newer: Reading) -> Reading:
    """Both in one: what the newer one leaves open is taken from the older."""
    kept = {name: getattr(older, name) for name in FIELDS if getattr(newer, name) is None}
    return replace(newer, **kept)
