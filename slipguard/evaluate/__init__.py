"""How good detection and response are, on recorded or simulated drives with truth.

Recorded drives are measured without the physics engine: what needs it (``open_loop``, ``trial``)
is imported when it is asked for.
"""

from typing import TYPE_CHECKING, Any

from slipguard.evaluate.bounds import limits_table
from slipguard.evaluate.measures import Measures, measure
from slipguard.evaluate.tables import as_json, tables

if TYPE_CHECKING:
    from slipguard.evaluate.trials import Trial, open_loop, trial

__all__ = [
    "Measures",
    "Trial",
    "as_json",
    "limits_table",
    "measure",
    "open_loop",
    "tables",
    "trial",
]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from slipguard.evaluate import trials

    return getattr(trials, name)
