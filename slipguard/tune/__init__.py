"""Tune a rover's settings: ``tune`` and ``tune_closed_loop``.

Detection thresholds are searched on labelled drives: a drive is fused once, then thousands of
thresholds are tried on it. Hold and brake settings are searched in the simulator.
"""

from slipguard.tune.cache import default_folder
from slipguard.tune.choose import beats, pareto, reason, recommend
from slipguard.tune.closed_loop import (
    Difference,
    Goal,
    LoopDrive,
    LoopTuned,
    tune_closed_loop,
    with_chance,
)
from slipguard.tune.patch import patched
from slipguard.tune.search import DriveResult, Tuned, tune
from slipguard.tune.study import Trial
from slipguard.tune.tally import Tally
from slipguard.tune.thresholds import Sensitivity, Threshold, thresholds

__all__ = [
    "Difference",
    "DriveResult",
    "Goal",
    "LoopDrive",
    "LoopTuned",
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
    "tune_closed_loop",
    "with_chance",
]
