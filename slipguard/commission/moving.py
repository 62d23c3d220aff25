"""With the motor on: kill switch, cut link, and a first crawl."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from slipguard.commission.items import Item
from slipguard.commission.result import Result
from slipguard.commission.sample import Sample
from slipguard.commission.wheels import travelled, words
from slipguard.config import Config
from slipguard.reading import WHEELS

TURNING_PER_S = 0.3
"""Turns a second, mean of the four wheels, from which the motor drives them."""
STOPPED_PER_S = 0.05
WINDOW_S = 0.3
RUN_DOWN_S = 3.0
"""From the cut to standing wheels, in the air, without a brake. Judgement."""
STOP_S = 1.5
"""From the moment the link counts as lost to standing wheels. Judgement."""
FELT_BACK_MPS = 0.05
"""Backward by the estimate, while all wheels count forward. Judgement."""
LEAST_CRAWL_M = 0.5
MOST_UNLIKE = 0.10
"""Wheels on a straight metre differ by less: tyres, and hands that steer. Judgement."""
LEAST_PUSH = 0.4
STANDING_MPS = 0.05
LONGEST_START_S = 2.5
FORWARD = "is the IMU's x axis forward (tilt.nose), and the floor level?"

Rates = list[tuple[float, float]]


def _rates(samples: Sequence[Sample]) -> Rates:
    """Time and turns a second, mean over the wheels and the ``WINDOW_S`` before."""
    means = [(s.t_s, sum(t for t in s.turns if not math.isnan(t)) / 4.0) for s in samples]
    found: Rates = []
    start = 0
    for t_s, turns in means:
        while means[start][0] < t_s - WINDOW_S:
            start += 1
        span_s = t_s - means[start][0]
        if span_s > 0.5 * WINDOW_S:
            found.append((t_s, (turns - means[start][1]) / span_s))
    return found


def _not_turned(rates: Rates, what: str) -> tuple[str, str]:
    """Cause and remedy when the wheels did not turn forward; empty: they did."""
    fastest = max((r for _, r in rates), default=0.0)
    slowest = min((r for _, r in rates), default=0.0)
    if fastest >= TURNING_PER_S:
        return "", ""
    if slowest <= -TURNING_PER_S:
        return (
            "the motor turns backward when forward is asked for",
            "exchange two motor wires (or reverse it in the speed controller), then try again",
        )
    return (
        f"the wheels did not turn, so {what} was not tried",
        "is the motor on, the speed controller armed, the link up, the stick in neutral first and "
        "then a little forward?",
    )


def killed(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """The wheels stop though throttle is still sent: by hardware, not by this program."""
    rates = _rates(samples)
    band = config.limits.throttle_dead_band
    sent = {s.t_s: abs(s.sent) > band for s in samples}
    cause, remedy = _not_turned(rates, "the kill switch")
    moving = [t for t, r in rates if abs(r) >= TURNING_PER_S]
    stood = [t for t, r in rates if moving and t > moving[-1] and abs(r) <= STOPPED_PER_S]
    proven = [t for t in stood if sent[t]]
    if not cause and not stood:
        cause = "the wheels turned to the end: the kill switch does not cut the motor"
        remedy = (
            "do not drive. Check that it cuts the motor's supply, or disables the speed controller"
        )
    elif not cause and not proven:
        cause = "throttle was no longer sent when the wheels stopped, which proves nothing"
        remedy = (
            "keep the stick forward while you press the switch; it must cut the motor by itself, "
            "without this program"
        )
    run_down_s = proven[0] - moving[-1] if proven and moving else None
    if not cause and run_down_s is not None and run_down_s > RUN_DOWN_S:
        cause = f"the wheels took {run_down_s:.1f} s to stop"
        remedy = "the switch must cut at once; is a capacitor or a second supply behind it?"
    seen = f"fastest {max((r for _, r in rates), default=0.0):.1f} turns a second"
    if run_down_s is not None:
        seen += f"; standing {run_down_s:.1f} s later, throttle still sent"
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=run_down_s,
        high=RUN_DOWN_S,
        unit="s to standing wheels",
        seen=seen,
        cause=cause,
        remedy=remedy,
    )


def link_cut(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """Commands stop coming: throttle to zero, brakes on, wheels still."""
    timeout_s = config.limits.link_timeout_s
    rates = _rates(samples)
    cause, remedy = _not_turned(rates, "the cut link")
    turned_s = next((t for t, r in rates if r >= TURNING_PER_S), math.inf)
    lost = [s for s in samples if s.t_s > turned_s and s.command_age_s > timeout_s]
    still_s: float | None = None
    seen = f"oldest command {max(s.command_age_s for s in samples):.1f} s old"
    if not cause and not lost:
        cause = "commands kept coming: the link did not look lost"
        remedy = (
            "a receiver that goes on sending its last values hides a lost link: set its fail-safe "
            "to send nothing, or motor off; wait three seconds"
        )
    elif not cause:
        lost_s = lost[0].t_s
        after = [t for t, r in rates if t > lost_s and abs(r) <= STOPPED_PER_S]
        still_s = after[0] - lost_s if after else None
        late = [s for s in lost if s.t_s > lost_s + 0.2 and abs(s.sent) > 0]
        if late:
            cause = "throttle was still sent after the link was lost"
            remedy = "do not drive; please report it with the recording"
        elif still_s is None or still_s > STOP_S:
            took = "did not stop" if still_s is None else f"took {still_s:.1f} s to stop"
            cause = f"the wheels {took} after the link was lost"
            remedy = "does the speed controller obey neutral, and does each brake press?"
        elif max(min(s.brakes) for s in lost) < 0.3:
            cause = "the brakes were not pressed after the link was lost"
            remedy = "wait three seconds after switching the transmitter off; then report it"
        else:
            seen += f"; wheels standing {still_s:.1f} s after the link counted as lost"
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=still_s,
        high=STOP_S,
        unit="s to standing wheels",
        seen=seen,
        cause=cause,
        remedy=remedy,
    )


def crawled(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """A metre straight ahead: all wheels alike, the accelerometer agrees, at rest at the end."""
    turns = travelled(samples)
    metre = 2.0 * math.pi * config.rover.wheel_radius_m
    far_m = [t * metre for t in turns]
    mean_m = sum(far_m) / 4.0
    cause, remedy = _crawl_fault(samples, far_m, mean_m, config)
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=None if math.isnan(mean_m) else mean_m,
        low=LEAST_CRAWL_M,
        unit="m forward",
        seen=words(turns),
        cause=cause,
        remedy=remedy,
    )


def _crawl_fault(
    samples: Sequence[Sample], far_m: list[float], mean_m: float, config: Config
) -> tuple[str, str]:
    push = _push(samples, 2.0 * math.pi * config.rover.wheel_radius_m) if mean_m > 0.0 else None
    if push is not None and push < -LEAST_PUSH:
        return _not_felt(push)  # what follows from it (a fault, a hold) says less
    faults = sorted({fault for s in samples for fault in s.faults})
    if faults:
        return faults[0], "mend that first; the wheel and tilt items name the wires"
    if math.isnan(mean_m):
        return "an encoder delivers nothing", "mend that first"
    one_way = not config.encoders.one_channel
    backward = [w for w, m in zip(WHEELS, far_m, strict=True) if one_way and m < 0]
    if backward and mean_m > 0:
        return f"{', '.join(backward)} counted backward", f"try wheel.{backward[0]} again"
    if mean_m < LEAST_CRAWL_M:
        if mean_m > 0.0 and min(s.speed_mps for s in samples) < -FELT_BACK_MPS:
            return (
                "the accelerometer contradicts all wheels: by it the rover went backward, and so "
                "was held",
                FORWARD,
            )
        return f"it went {mean_m:.2f} m forward only", "drive a metre straight ahead"
    unlike = max(zip(WHEELS, far_m, strict=True), key=lambda pair: abs(pair[1] / mean_m - 1.0))
    share = unlike[1] / mean_m - 1.0
    if abs(share) > MOST_UNLIKE:
        return (
            f"{unlike[0]} went {share:+.0%} of the others: it slipped, lost counts, its brake "
            "drags, or its tyre differs",
            "drive straight, gently, on firm ground; then look at that wheel",
        )
    if push is None:
        return "it started too gently to be felt", "start more briskly, as a walker would"
    if push < LEAST_PUSH:
        return _not_felt(push)
    if abs(samples[-1].speed_mps) > STANDING_MPS:
        return "it was not at rest at the end", "neutral, and wait three seconds before done"
    return "", ""


def _not_felt(push: float) -> tuple[str, str]:
    return (
        f"the accelerometer felt {push:+.0%} of the start the wheels showed",
        FORWARD,
    )


def _push(samples: Sequence[Sample], metre: float) -> float | None:
    """Speed the accelerometer felt while the rover started, as a share of what the wheels showed.

    None: the start took too long for that.
    """
    rates = _rates(samples)
    peak = max(r for _, r in rates)
    end_s, gained = next((t, r) for t, r in rates if r >= 0.7 * peak)
    start_s = max((t for t, r in rates if t < end_s and abs(r) <= STOPPED_PER_S), default=None)
    if start_s is None or end_s - start_s > LONGEST_START_S:
        return None
    begin_s, end_s = start_s - WINDOW_S, end_s - 0.5 * WINDOW_S  # a mean lags by half its window
    known = [(s.t_s, s.accel_mps2[0]) for s in samples if s.accel_mps2 is not None]
    rest = [a for t, a in known if begin_s - 1.0 <= t < begin_s]
    if not rest:
        return None
    level = sum(rest) / len(rest)
    felt = sum(
        (a - level) * min(0.1, t - before)
        for (before, _), (t, a) in pairwise(known)
        if begin_s <= t <= end_s
    )
    return felt / (gained * metre)
