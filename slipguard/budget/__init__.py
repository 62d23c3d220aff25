"""What a rover's design can do, before anybody drives it: a line for each question a builder has.

``budget(config, wishes)`` gives ``Line``s: a formula, the number it hangs on, a verdict, and what
to change. ``load`` reads a rover file and remembers which keys were really given, so that a
default is never taken for a measured fact.

Static, rigid, lossless arithmetic, as in any handbook. It says what cannot work; it does not
prove that the rest does.
"""

from slipguard.budget.hardware import Hardware
from slipguard.budget.lines import Line, Verdict
from slipguard.budget.plan import Design, budget, load
from slipguard.budget.rollback import RollBack, roll_back
from slipguard.budget.wishes import Wishes

__all__ = [
    "Design",
    "Hardware",
    "Line",
    "RollBack",
    "Verdict",
    "Wishes",
    "budget",
    "load",
    "roll_back",
]
