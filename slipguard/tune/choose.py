"""From many sets of thresholds to one, with the reason in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from slipguard.tune.study import Objectives, Trial, Values

LEAST_DELAY_MS = 10.0
"""Delays below this are not told apart when shares are compared."""
WORTH = 0.05
"""A setting is changed for at least this much of one goal's share, or it keeps its own value; on
drives left out a set must gain as much."""


def pareto(trials: Sequence[Trial]) -> list[Trial]:
    """Those that no other beats in one objective without losing in another, best first."""
    unique = {trial.objectives: trial for trial in reversed(trials)}  # the earliest of equals
    good = [
        trial
        for point, trial in unique.items()
        if not any(other != point and no_worse(other, point) for other in unique)
    ]
    return sorted(good, key=lambda trial: trial.objectives)


def no_worse(a: Objectives, b: Objectives) -> bool:
    """Whether ``a`` is worse than ``b`` in nothing."""
    return all(x <= y for x, y in zip(a, b, strict=True))


def recommend(trials: Sequence[Trial], hours: float) -> Trial:
    """The set to use. ``trials[0]`` is the rover's own.

    No more events may be missed than with the rover's own. Among what is left, the least sum of
    the three objectives, each as a share of the rover's own.
    """
    first = trials[0]
    safe = [trial for trial in pareto(trials) if trial.objectives[0] <= first.objectives[0]]
    # Of equals the first: the rover's own.
    return min([first, *safe], key=lambda t: _dear(t, first, hours))


def plainest(
    best: Trial,
    first: Trial,
    hours: float,
    evaluate: Callable[[Sequence[Values]], Sequence[Objectives]],
) -> Trial:
    """``best`` with the rover's own values (``first``) where that is hardly worse.

    Nothing changes without a reason: a value that a search happened on says nothing about a
    setting that does nothing on these drives. Each is put back alone, and then as many of them
    together as still cost less than ``WORTH``, those that cost least first; then again with the
    rest.
    """
    most = _dear(best, first, hours) + WORTH
    while changed := [n for n, value in best.values.items() if value != first.values[n]]:
        alone = _trials([{**best.values, n: first.values[n]} for n in changed], evaluate)
        order = sorted(range(len(changed)), key=lambda k: _dear(alone[k], first, hours))
        together, values = [], best.values
        for k in order:
            values = {**values, changed[k]: first.values[changed[k]]}
            together.append(values)
        good = [
            trial
            for trial in _trials(together, evaluate)
            if _dear(trial, first, hours) <= most and trial.objectives[0] <= best.objectives[0]
        ]
        if not good:
            break
        best = good[-1]
    return best


def _trials(
    sets: Sequence[Values], evaluate: Callable[[Sequence[Values]], Sequence[Objectives]]
) -> list[Trial]:
    pairs = zip(sets, evaluate(sets), strict=True)
    return [Trial(values=values, objectives=objectives) for values, objectives in pairs]


def _dear(trial: Trial, first: Trial, hours: float) -> float:
    least = (1.0, 1.0 / hours, LEAST_DELAY_MS)
    return cost(trial.objectives, first.objectives, least)


def farthest(own: Objectives, along: Mapping[float, Objectives]) -> float:
    """How far to go toward a set that was best where it was chosen, 0..1.

    ``along``: for each part of the way, how it did on drives it was not chosen on, where the
    rover's own did as ``own``. Of those worse in nothing and better by ``WORTH``, the best; 0
    where there is none: a threshold that was moved for nothing is one that nobody tried.
    """
    least = (1.0, 1.0, LEAST_DELAY_MS)
    enough = cost(own, own, least) - WORTH
    good = {
        way: dear
        for way, point in along.items()
        if no_worse(point, own) and (dear := cost(point, own, least)) <= enough
    }
    return min(good, key=lambda way: good[way], default=0.0)


def cost(objectives: Objectives, own: Objectives, least: Objectives) -> float:
    """Sum of the objectives, each as a share of the rover's own, or of the least told apart."""
    scale = (max(o, low) for o, low in zip(own, least, strict=True))
    return sum(x / s for x, s in zip(objectives, scale, strict=True))


def reason(before: Objectives, after: Objectives) -> str:
    """What is gained and what it costs, in words."""
    gains: list[str] = []
    costs: list[str] = []
    missed, false_per_h, delay_ms = (b - a for a, b in zip(before, after, strict=True))
    if missed:
        events = "event" if abs(missed) == 1 else "events"
        words = f"{abs(missed):.0f} {events} {'fewer' if missed < 0 else 'more'} missed"
        (gains if missed < 0 else costs).append(words)
    if abs(false_per_h) >= 0.05:
        number = f"{abs(false_per_h):.1f}".removesuffix(".0")
        alarms = "false alarm" if number == "1" else "false alarms"
        words = f"{number} {alarms} {'fewer' if false_per_h < 0 else 'more'} an hour"
        (gains if false_per_h < 0 else costs).append(words)
    if abs(delay_ms) >= 0.5:
        words = f"{abs(delay_ms):.0f} ms {'less' if delay_ms < 0 else 'more'} delay"
        (gains if delay_ms < 0 else costs).append(words)
    return sentence(gains, costs)


def sentence(gains: Sequence[str], costs: Sequence[str]) -> str:
    """What is gained and what it costs, as one sentence."""
    if not gains and not costs:
        return "nothing changes"
    if not gains:
        return f"nothing gained, and {' and '.join(costs)}"
    if not costs:
        return f"{' and '.join(gains)}, at no cost"
    return f"{' and '.join(gains)} for {' and '.join(costs)}"


def beats(before: Objectives, after: Objectives) -> str:
    """A verdict on drives that were not used for choosing."""
    if before == after:
        return "makes no difference"
    if no_worse(after, before):
        return "is better in " + _which(before, after)
    if no_worse(before, after):
        return "is worse in " + _which(after, before)
    return f"is better in {_which(before, after)} and worse in {_which(after, before)}"


def _which(worse: Objectives, better: Objectives) -> str:
    names = ("missed events", "false alarms", "delay")
    said = [n for n, w, b in zip(names, worse, better, strict=True) if b < w]
    return " and ".join(said)
