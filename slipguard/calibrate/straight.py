"""A straight line of measured length: counts a metre of each wheel, and the yaw of the mounting.

A wheel that rolls along a line of length L counts L / q, whatever its speed; what its two ends
lie inside a count is uniform (variance of a difference of two readings: 1/6 of a count squared). A
line that bends a little is longer than its chord, by the cosine of the heading, and left and right
differ by track times the turn: both are taken off with the gyro.

While speed changes on a straight, the horizontal acceleration points forward: its direction in
sensor axes is the yaw of the mounting.

Assumes level ground and wheels that grip. Tyres creep a little under drive; that is part of
the answer, as it is part of driving.
"""

from __future__ import annotations

import math

import numpy as np

from slipguard.calibrate.near import need_near
from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.rotation import from_sensor
from slipguard.calibrate.samples import Array, Samples, Span, mean_and_sd
from slipguard.config import Config
from slipguard.reading import WHEELS

LENGTH_SD_M = 0.005
STAND_S = 2.0
LEAST_M = 3.0
BENT_DEG = 8.0
SLIPPED = 0.05
UNEVEN = 0.015
COUNT_VAR = 1.0 / 6.0
BLOCK_S = 0.25
YAW_SD_DEG = 2.0
FAR = (1 / 1.2, 1.2)
"""Load, wear and a tape make less of a wheel's radius."""


def straight(
    samples: Samples, config: Config, length_m: float, *, length_sd_m: float = LENGTH_SD_M
) -> Calibration:
    """Rolling radius and counts a metre from a line of ``length_m``.

    Parameters
    ----------
    length_m : float
        How far the rover moved, forward, by a tape.
    length_sd_m : float
        How well that is known: tape and reading of both marks.

    Raises
    ------
    CalibrationError
        A dead or backward encoder, by name; wheels that slipped; a line too short or bent; no
        stand before and after it; a radius far from that of the rover file.
    """
    samples.need_imu()
    samples.need_counts()
    per_rev = config.encoders.counts_per_rev
    if per_rev is None:
        raise samples.refuse("the rover file has no encoders.counts_per_rev; give it first")
    if length_m < LEAST_M:
        raise samples.refuse(f"too short: {length_m:g} m, needs {LEAST_M:g} m and better 10 m")
    before, after = _ends(samples)
    counted = _between(samples, before, after)
    _check_wheels(samples, config, counted)
    heading, sd_turn = _heading(samples, config, before, after)
    path, turn = _path_m(samples, config, heading, length_m)
    side = np.array([1.0, -1.0, 1.0, -1.0]) * config.rover.track_m / 2.0
    own = path - side * turn  # left wheels go less far in a left turn
    per_m = counted / own
    spread = per_m / float(np.median(per_m)) - 1.0
    if float(np.max(np.abs(spread))) > SLIPPED:
        wheel = int(np.argmax(np.abs(spread)))
        raise samples.refuse(
            f"{WHEELS[wheel]} went {100 * spread[wheel]:+.1f} % further than the others: it "
            "slipped, lost counts, or has another tyre; drive gently on a firm floor"
        )
    sd_own = np.hypot(length_sd_m * path / length_m, np.abs(side) * sd_turn)
    sd_m = per_m * np.hypot(math.sqrt(COUNT_VAR) / counted, sd_own / own)
    mean = float(np.mean(per_m))
    radius = per_rev / (2.0 * math.pi * mean)
    told = config.rover.wheel_radius_m
    need_near(
        samples, "rover.wheel_radius_m", radius, told, "m", FAR,
        f"the length (by the rover file's radius the counts make {length_m * told / radius:.3g} m, "
        f"not {length_m:g} m), encoders.counts_per_rev, or a radius that is not in metres",
    )  # fmt: skip
    # What the turn is wrong by cancels between left and right; the length does not.
    rel = math.hypot(math.sqrt(COUNT_VAR / 4.0) / float(np.mean(counted)), length_sd_m / length_m)
    yaw, sd_yaw = _mount_yaw(samples, config, before, after)
    notes = [
        f"{WHEELS[i]} differs by {100 * spread[i]:+.1f} % from the others: another tyre, or load"
        for i in range(4)
        if abs(spread[i]) > UNEVEN
    ]
    values = [
        *(
            Value(name=f"{w}_counts_per_m", value=float(per_m[i]), sd=float(sd_m[i]), unit="1/m")
            for i, w in enumerate(WHEELS)
        ),
        Value(name="wheel_radius", value=radius, sd=radius * rel, unit="m"),
    ]
    settings: dict[str, object] = {"rover.wheel_radius_m": round(radius, 5)}
    if sd_yaw < YAW_SD_DEG:
        values.append(Value(name="mount_yaw", value=yaw, sd=sd_yaw, unit="deg"))
        settings["imu.rotation_deg"] = [*config.imu.rotation_deg[:2], round(yaw, 2)]
    else:
        notes.append(
            f"the yaw of the mounting stays unknown (known to {sd_yaw:.1f} deg): drive off and "
            "stop more briskly"
        )
    return Calibration(
        step="straight",
        method=f"counts over {length_m:g} m +- {1e3 * length_sd_m:g} mm, heading by the gyro",
        drives=(samples.source,),
        values=tuple(values),
        settings=settings,
        notes=tuple(notes),
    )


def _ends(samples: Samples) -> tuple[Span, Span]:
    """The stands before and after the drive."""
    stands = [s for s in samples.stands() if s[1] - s[0] >= STAND_S]
    moved = samples.wheel_s[1:][np.any(np.diff(samples.counts, axis=0) != 0, axis=1)]
    if not len(moved):
        raise samples.refuse("no wheel counted at all: are the encoders connected?")
    before = [s for s in stands if s[1] <= moved[0]]
    after = [s for s in stands if s[0] >= moved[-1]]
    if not before or not after:
        where = "before" if not before else "after"
        raise samples.refuse(
            f"did not stand {where} the drive: stand for {STAND_S + 1.5:g} s and more at each end"
        )
    return before[-1], after[0]


def _between(samples: Samples, before: Span, after: Span) -> Array:
    """Counts (4,) between the middles of two stands."""
    first = int(np.searchsorted(samples.wheel_s, (before[0] + before[1]) / 2))
    last = min(
        int(np.searchsorted(samples.wheel_s, (after[0] + after[1]) / 2)), len(samples.wheel_s) - 1
    )
    counted: Array = samples.counts[last] - samples.counts[first]
    return counted


def _check_wheels(samples: Samples, config: Config, counted: Array) -> None:
    """Dead and backward encoders, by name."""
    size = float(np.median(np.abs(counted)))
    dead = [w for w, c in zip(WHEELS, counted, strict=True) if abs(c) < 0.1 * size]
    if dead:
        raise samples.refuse(
            f"{', '.join(dead)} did not count while the others did: dead encoder, loose magnet or "
            "cable"
        )
    wrong = [w for w, c in zip(WHEELS, counted, strict=True) if c < 0]
    if len(wrong) == 4:
        raise samples.refuse("all four wheels counted backwards: drive the line forwards")
    if wrong:
        raise samples.refuse(
            f"{', '.join(wrong)} counts backwards: swap the encoder's two channels, or its sign in "
            "the plugin"
        )


def _heading(
    samples: Samples, config: Config, before: Span, after: Span
) -> tuple[tuple[Array, Array], float]:
    """Times and heading (rad, 0 at the start) of the drive, and how well its end is known."""
    rows = from_sensor(config.imu.rotation_deg)
    block = max(1, round(0.5 / samples.sample_s))
    ends = [mean_and_sd(samples.during(s)[2] @ rows.T, block) for s in (before, after)]
    (w1, s1), (w2, s2) = ends
    t, _, rate = samples.during((before[1], after[0]))
    share = (t - t[0]) / (t[-1] - t[0])
    z = (rate @ rows.T)[:, 2] - (w1[2] + share * (w2[2] - w1[2]))
    heading = np.concatenate(([0.0], np.cumsum((z[1:] + z[:-1]) / 2.0 * np.diff(t))))
    sd = math.hypot(float(s1[2]), float(s2[2])) / 2.0 * (t[-1] - t[0])
    return (t, heading), sd


def _path_m(
    samples: Samples, config: Config, heading: tuple[Array, Array], length_m: float
) -> tuple[float, float]:
    """Length of the way along the middle of the rover, and how far it turned (rad)."""
    t, psi = heading
    way = np.mean(samples.counts, axis=1)
    steps = np.diff(np.interp(t, samples.wheel_s, way))
    middle = (psi[1:] + psi[:-1]) / 2.0
    chord = math.atan2(float(np.sum(steps * np.sin(middle))), float(np.sum(steps * np.cos(middle))))
    bend = float(np.max(np.abs(psi - chord)))
    if math.degrees(bend) > BENT_DEG:
        raise samples.refuse(
            f"not straight: the heading left the line by {math.degrees(bend):.0f} deg; along a "
            "string or a wall, at walking pace"
        )
    share = float(np.sum(steps * np.cos(middle - chord)) / np.sum(steps))
    return length_m / share, float(psi[-1])


def _mount_yaw(samples: Samples, config: Config, before: Span, after: Span) -> tuple[float, float]:
    """Yaw of the sensor in the body and its standard deviation, deg.

    Least squares of horizontal acceleration over the change of speed by the wheels, both in blocks
    of a quarter of a second: the direction needs no scale.
    """
    roll, pitch, _ = config.imu.rotation_deg
    rows = from_sensor((roll, pitch, 0.0))
    t, accel, gyro = samples.during((before[0], after[1]))
    level, rate = accel @ rows.T, (gyro @ rows.T)[:, 2]
    block = max(1, round(BLOCK_S / samples.sample_s))
    blocks = len(t) // block
    if blocks < 8:
        return 0.0, math.inf
    edges = t[: blocks * block : block]
    way = np.interp(edges, samples.wheel_s, np.mean(samples.counts, axis=1)) * config.count_m
    speed = np.diff(way) / np.diff(edges)  # mean speed of each block
    push = np.zeros(blocks)
    push[1:-2] = (speed[2:] - speed[:-2]) / (edges[2:-1] - edges[:-3])
    mean = level[: blocks * block].reshape(blocks, block, 3).mean(axis=1)[:, :2]
    turn = rate[: blocks * block].reshape(blocks, block).mean(axis=1) - np.median(rate)
    fast = np.concatenate((speed, [0.0]))
    mean = mean[1:-2]
    # A bias that drifts while it drives is close to a line.
    drift = np.linspace(-1.0, 1.0, blocks - 3)
    design = np.stack((push[1:-2], np.ones(blocks - 3), drift), axis=1)
    solved, *_ = np.linalg.lstsq(design, mean, rcond=None)
    forward = solved[0]
    yaw = math.atan2(-forward[1], forward[0])
    # Sideways acceleration of a line that bends a little: speed times yaw rate, left positive.
    c, s = math.cos(yaw), math.sin(yaw)
    side = (fast * turn)[1:-2]
    solved, *_ = np.linalg.lstsq(design, mean - np.outer(side, [s, c]), rcond=None)
    forward = solved[0]
    size = float(np.linalg.norm(forward))
    yaw = math.atan2(-forward[1], forward[0])
    across = np.array([math.sin(yaw), math.cos(yaw)])
    left = (mean - np.outer(side, [s, c])) @ across
    left = left - design @ np.linalg.lstsq(design, left, rcond=None)[0]
    spread = float(np.sum((design[:, 0] - design[:, 0].mean()) ** 2))
    if size < 0.3 or spread == 0.0:
        return math.degrees(yaw), math.inf
    sd = math.sqrt(float(np.sum(left**2)) / (len(left) - 3) / spread) / size
    return math.degrees(yaw), math.degrees(sd)
