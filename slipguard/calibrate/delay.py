"""Brisk starts and stops: how much later than the IMU's the wheels' data arrive.

From one standstill to the next the accelerometer, less the bias that would leave a speed at the end
(a zero-velocity update: Foxlin, *IEEE Computer Graphics and Applications* 25, 2005, from memory),
gives the rims' travel p(t) up to a scale s. The wheels counted s p(t - d) + const. Least squares
over s, d and the constant (Gauss and Newton): travel is a step, and its change with d, the speed,
is a bump, so the two are told apart. Each stretch has its own noise and its own phase of the
counts, so the uncertainty comes from the scatter of the stretches, widened by Student's t for few.

Where the nose rises or sinks on the way, the pitch gyro says how much gravity gets into x. A tyre
that grips turns faster under drive and slower under braking: its rim runs ahead by v^2 / (2 g
``rover.tyre_slip_stiffness``), as if the data came v / (2 g stiffness) earlier. That is taken off,
and known to half of it.

Assumes firm ground, and wheels that grip.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from slipguard.calibrate.near import need_gravity
from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.rotation import from_sensor
from slipguard.calibrate.samples import TURNING_RADPS, Array, Samples, Span, student
from slipguard.config import Config
from slipguard.reading import WHEELS
from slipguard.settings import GRAVITY_MPS2

LEAST = 5
LEAST_M = 0.15
"""Less is a wheel that stopped on an edge, or a rover that was nudged."""
REST_S = 0.9
"""No count for so long is a rest."""
MARGIN_S = 0.6
"""A stretch begins and ends so long before and after its counts: they may be a quarter of a second
late, and the first one comes when the rover rolls already."""
SETTLE_S, ROLLS_S = 0.3, 0.4
"""Left out of a rest at its two ends, where the gyro's offset is read."""
SLOW_MPS2 = 0.3
"""Speed reached over half the time it took; slower, and the ground's unevenness drowns it."""
TURNED_DEG = 10.0
SLIPPED = 0.05
SCALE_OFF = 0.15
MOST_S = 0.25
"""What ``encoders.delay_s`` and ``imu.delay_s`` can say."""
DISAGREE_M, DISAGREE_COUNTS = 0.003, 0.2
"""Residuals: what a floor and noise make of the one, four encoders in nearly the same phase of the
other."""
STEPS = 12
FAR = (0.5, 2.0)
"""A scale beyond these is no slip: counts or samples are in another measure."""
CREEP_DOUBT = 0.5
"""How well the tyres' stiffness is known, as in the filter."""
POOR_S = 0.01


class _SpoiltError(Exception):
    """A stretch is of no use; says why, in words that follow their number."""


@dataclass(frozen=True, slots=True)
class _Fit:
    """What one stretch says."""

    late_s: float
    scale: float
    creep_s: float  # how much earlier the creep of the tyres makes the counts look


def delay(samples: Samples, config: Config) -> Calibration:
    """How late the wheels' data arrive, from starts and stops straight ahead or back.

    Raises
    ------
    CalibrationError
        Too few starts and stops that are of use, and what spoilt the others; they disagree; data
        later than the settings can say.
    """
    samples.need_imu()
    samples.need_counts()
    need_gravity(samples, samples.accel_mps2)
    if config.encoders.counts_per_rev is None:
        raise samples.refuse("the rover file has no encoders.counts_per_rev; give it first")
    fits, spoilt = [], Counter[str]()
    for rests in _stretches(samples, config):
        try:
            fits.append(_fit(samples, config, *rests))
        except _SpoiltError as why:
            spoilt[str(why)] += 1
    if len(fits) < LEAST:
        others = "".join(f", {n} {why}" for why, n in spoilt.most_common())
        raise samples.refuse(
            f"{len(fits)} usable starts and stops{others}; needs {LEAST} and better ten: straight, "
            "brisk but without slip, two seconds of rest before and after each"
        )
    each = np.array([fit.late_s for fit in fits])
    late, freedom = float(np.mean(each)), len(each) - 1
    scatter = student(freedom) / 2.0 * float(np.std(each, ddof=1)) / math.sqrt(len(each))
    sd = math.hypot(scatter, CREEP_DOUBT * float(np.mean([fit.creep_s for fit in fits])))
    if sd > POOR_S:
        raise samples.refuse(
            f"the {len(each)} starts and stops disagree: from {1e3 * np.min(each):.0f} to "
            f"{1e3 * np.max(each):.0f} ms; more of them, brisker, on a firm, even floor"
        )
    settings, notes = _settings(samples, config, late, sd)
    scale = float(np.mean([fit.scale for fit in fits]))
    if abs(scale - 1.0) > SLIPPED:
        more = "more" if scale > 1.0 else "less"
        notes.append(
            f"by the counts it went {100 * abs(scale - 1.0):.0f} % {more} than by the "
            "accelerometer: rover.wheel_radius_m is off (straight), or all wheels slipped"
        )
    notes += [f"left out: {n} {why}" for why, n in spoilt.most_common()]
    return Calibration(
        step="delay",
        method=f"counts against the accelerometer over {len(each)} starts and stops",
        drives=(samples.source,),
        values=(Value(name="wheels_later_than_imu", value=late, sd=sd, unit="s"),),
        settings=settings,
        notes=tuple(notes),
    )


def _settings(
    samples: Samples, config: Config, late: float, sd: float
) -> tuple[dict[str, object], list[str]]:
    """Only the difference was measured: the IMU's delay is kept, unless the IMU is the later."""
    wheels, notes = config.imu.delay_s + late, []
    settings: dict[str, object] = {
        "encoders.delay_s": round(max(0.0, wheels), 4),
        "encoders.delay_sd_s": 0.0,  # nothing is left to be learnt on the way
    }
    if wheels < -2.0 * sd:
        settings["imu.delay_s"] = round(-late, 4)
        notes.append(f"the IMU is the later one, by {-1e3 * late:.0f} ms: see imu.delay_s")
    most = max(wheels, -late)
    if most > MOST_S:
        raise samples.refuse(
            f"the {'wheels' if wheels > 0.0 else 'IMU samples'} come {1e3 * most:.0f} ms late, and "
            f"{1e3 * MOST_S:.0f} can be allowed for: read and send them more often"
        )
    return settings, notes


def _stretches(samples: Samples, config: Config) -> list[tuple[Span, Span]]:
    """The rests, by the counts alone, before and after each stretch in which it moved."""
    way = np.mean(samples.counts, axis=1)
    moves = samples.wheel_s[1:][np.any(np.diff(samples.counts, axis=0) != 0, axis=1)]
    bounds = np.concatenate((samples.wheel_s[:1], moves, samples.wheel_s[-1:]))
    rests = [
        (float(bounds[i]), float(bounds[i + 1])) for i in np.flatnonzero(np.diff(bounds) >= REST_S)
    ]
    found: list[tuple[Span, Span]] = []
    for before, after in pairwise(rests):
        inside = (samples.wheel_s >= before[1]) & (samples.wheel_s <= after[0])
        if np.ptp(way[inside]) * config.count_m >= LEAST_M:
            found.append((before, after))
    return found


def _fit(samples: Samples, config: Config, before: Span, after: Span) -> _Fit:
    """Lateness and scale of one stretch, by counts and accelerometer."""
    start = before[1] - min(MARGIN_S, (before[1] - before[0]) / 2.0)
    end = after[0] + min(MARGIN_S, (after[1] - after[0]) / 2.0)
    # Where it stands a count is wrong by the same for long; while it rolls that averages out.
    inside = (samples.wheel_s >= before[1]) & (samples.wheel_s < after[0])
    counted = (samples.counts[inside] - samples.counts[inside][0]) * config.count_m
    way = np.mean(counted, axis=1)
    _check_wheels(counted, float(np.ptp(way)), config)
    t, speed, travel = _motion(samples, config, start, end, before, after)
    ahead = speed * np.abs(speed) / (2.0 * GRAVITY_MPS2 * config.rover.tyre_slip_stiffness)
    top = float(np.max(np.abs(speed)))
    if top < SLOW_MPS2 * (after[0] - before[1]) / 2.0:
        raise _SpoiltError("too slow to start or to stop")
    if config.encoders.one_channel:
        way *= math.copysign(1.0, travel[-1])
    late, scale, off, creep_s = 0.0, 1.0, 0.0, 0.0
    for _ in range(STEPS):
        p, v, creep = (
            np.interp(samples.wheel_s[inside] - late, t, x) for x in (travel + ahead, speed, ahead)
        )
        design = np.stack((p, np.ones_like(p), -v), axis=1)
        solved, *_ = np.linalg.lstsq(design, np.stack((way, creep), axis=1), rcond=None)
        scale, creep_s = float(solved[0, 0]), -float(solved[2, 1])
        off = float(np.std(way - design @ solved[:, 0]))
        if scale < -FAR[0]:
            raise _SpoiltError(
                "in which the wheels went against the accelerometer: IMU or counts backward"
            )
        if not FAR[0] <= scale <= FAR[1]:
            raise _SpoiltError(
                "in which the wheels' way is less than half or more than twice that by the "
                "accelerometer: encoders.counts_per_rev or rover.wheel_radius_m is off"
            )
        late = max(-2.0 * MOST_S, min(2.0 * MOST_S, late + float(solved[2, 0]) / scale))
    if abs(scale - 1.0) > SCALE_OFF or off > DISAGREE_M + DISAGREE_COUNTS * config.count_m:
        raise _SpoiltError("in which wheels and accelerometer disagree: slip, or level is missing")
    return _Fit(late, scale, creep_s)


def _check_wheels(counted: Array, way_m: float, config: Config) -> None:
    """All four go alike, all the time: counted travel (n, 4)."""
    apart = np.abs(counted - np.median(counted, axis=1)[:, None])
    if float(np.max(apart)) > SLIPPED * way_m + 1.5 * config.count_m:
        wheel = WHEELS[int(np.argmax(np.max(apart, axis=0)))]
        raise _SpoiltError(f"in which {wheel} slipped or counted otherwise than the others")


def _motion(
    samples: Samples, config: Config, start: float, end: float, before: Span, after: Span
) -> tuple[Array, Array, Array]:
    """Times, speed and travel (n,) from standstill to standstill, by the IMU alone."""
    rows = from_sensor(config.imu.rotation_deg)
    t, accel, gyro = samples.during((start, end))
    rate = gyro @ rows.T
    stands = [samples.during((a + SETTLE_S, b - ROLLS_S))[2] @ rows.T for a, b in (before, after)]
    if min(len(t), *map(len, stands)) < 10:
        raise _SpoiltError("with too few IMU samples")
    w1, w2 = (stand.mean(axis=0) for stand in stands)
    if float(np.linalg.norm(w2 - w1)) > TURNING_RADPS:
        raise _SpoiltError("without standstill before and after")
    share = ((t - t[0]) / (t[-1] - t[0]))[:, None]
    turned = _summed(t, rate - (w1 + share * (w2 - w1)))
    if math.degrees(float(np.max(np.abs(turned[:, 2])))) > TURNED_DEG:
        raise _SpoiltError("not straight")
    # A nose that sinks takes the reaction to gravity out of x: + g times the pitch.
    push = (accel @ rows.T)[:, 0] + GRAVITY_MPS2 * turned[:, 1]
    speed = _summed(t, push)
    speed -= speed[-1] * share[:, 0]
    middles = np.concatenate((speed[:1], (speed[1:] + speed[:-1]) / 2.0))
    return t, speed, _summed(t, middles)


def _summed(t: Array, samples: Array) -> Array:
    """Integral over times (n,) of samples (n,) or (n, c).

    Each stands for the time since the one before, as in the filter, which the setting is for.
    """
    steps = (samples.T * np.diff(t, prepend=t[0])).T
    return np.cumsum(steps, axis=0)
