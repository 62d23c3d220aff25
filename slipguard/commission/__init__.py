"""The bench before the field: is every wire where the rover file says, and does it stop?

``items(config)`` lists what is tried, in order. Whoever holds the rover does what an ``Item`` says;
a ``Collector`` keeps what was read and sent meanwhile; ``judge`` compares and returns a ``Result``
with the number, the limits, the likely cause and what to do. ``record_text`` is what is signed,
``standing`` says whether a rover file still is the one that was commissioned.

Sans-I/O but for the file of the record. What it compares are limits for hands, not for
instruments: they find what is swapped, reversed, dead or weak. ``slipguard.calibrate`` measures.
"""

from slipguard.commission.items import CAUTION, Item, items
from slipguard.commission.judge import judge
from slipguard.commission.record import config_hash, record_path, record_text, save_record, standing
from slipguard.commission.result import Result
from slipguard.commission.sample import Collector, Sample

__all__ = [
    "CAUTION",
    "Collector",
    "Item",
    "Result",
    "Sample",
    "config_hash",
    "items",
    "judge",
    "record_path",
    "record_text",
    "save_record",
    "standing",
]
