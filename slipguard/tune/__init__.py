"""Tune detection thresholds on labelled drives.

A drive is fused once; then thousands of thresholds are tried on it. See ``tune``.
"""

from slipguard.tune.cache import default_folder
from slipguard.tune.choose import beats, pareto, reason, recommend
from slipguard.tune.patch import patched
from slipguard.tune.search import DriveResult, Sensitivity, Tuned, tune
from slipguard.tune.study import Trial
from slipguard.tune.tally import Tally
from slipguard.tune.thresholds import Threshold, thresholds

__all__ = [
    "DriveResult",
    "Sensitivity",
    "Tally",
    "Threshold",
    "Trial",
    "Tuned",
    "beats",
    "default_folder",
    "pareto",
    "patched",
    "reason",
    "recommend",
    "thresholds",
    "tune",
]
