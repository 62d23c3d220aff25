"""How good detection and response are, on recorded or simulated drives with truth."""

from slipguard.evaluate.bounds import limits_table
from slipguard.evaluate.measures import Measures, measure
from slipguard.evaluate.tables import as_json, tables
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
