"""A circle to the left and one to the right: track, steering, yaw gyro; swapped encoders by name.

The rover drives whole turns with the steering held and ends with its nose where it began, so the
angle turned is known without the gyro. Of an axle that does not steer, left and right go
psi (R - track / 2) and psi (R + track / 2); steered wheels go psi sqrt((R -+ track / 2)^2 + l^2), l
from the axle that does not steer (Ackermann geometry; any vehicle dynamics handbook).

Assumes level, firm ground and little speed: tyres that work sideways widen the circle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from slipguard.calibrate.near import need_near
from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.rotation import from_sensor
from slipguard.calibrate.samples import Array, Samples, mean_and_sd
from slipguard.calibrate.straight import COUNT_VAR, _between, _ends
from slipguard.config import Config
from slipguard.reading import WHEELS

SIDE = np.array([-1.0, 1.0, -1.0, 1.0])
"""How the side of a wheel changes its radius in a left turn."""
HEADING_SD_DEG = 2.0
RADIUS_SD_M = 0.0002
"""What a line of ten metres gives."""
GYRO_OFF = 0.15
GYRO_FINE = 0.02
SLIPPED = 0.04
STEADY = 0.03
FAR, SCRUBS = (1 / 1.5, 1.5), (1 / 1.5, 5.0)
"""Track and steer angle over those of the rover file, which are guesses until they are measured
here; tyres that scrub make a track of skid steering that is wider by far (2.6 times in the
simulator)."""


@dataclass(frozen=True, slots=True)
class _Turn:
    """One circle: what was turned, felt, steered and travelled."""

    samples: Samples
    angle_rad: float  # left positive
    gyro_rad: float
    gyro_sd_rad: float
    steer: float
    travel_m: Array

    def radius_m(self, lever: Array, track_m: float) -> float:
        """Of the middle of the axle that does not steer: from its wheels, if there is one."""
        own = np.abs(self.travel_m / self.angle_rad)
        side = SIDE * math.copysign(1.0, self.angle_rad) * track_m / 2.0
        flat = np.sqrt(np.maximum(own**2 - lever**2, 0.0))
        return float(np.mean((flat - side)[_plain(lever)]))


def circle(
    drives: Sequence[Samples],
    config: Config,
    turns: float,
    *,
    heading_sd_deg: float = HEADING_SD_DEG,
    radius_sd_m: float = RADIUS_SD_M,
) -> Calibration:
    """Track, full steering angle and scale of the yaw gyro.

    Parameters
    ----------
    drives : sequence of Samples
        At least one circle to the left and one to the right.
    turns : float
        Whole turns in each.
    heading_sd_deg : float
        How well the nose came back to where it was.
    radius_sd_m : float
        How well ``rover.wheel_radius_m`` is known (``straight`` tells).

    Raises
    ------
    CalibrationError
        No circle to one side; not the turns that were said; steering not held; wheels that
        slipped; swapped encoders, by name; track or steer angle far from the rover file's.
    """
    done = [_turn(samples, config, turns) for samples in drives]
    left = [d for d in done if d.angle_rad > 0]
    right = [d for d in done if d.angle_rad < 0]
    if not left or not right:
        missing = "left" if not left else "right"
        raise drives[0].refuse(f"no circle to the {missing}: give one to each side")
    lever = _lever(config)
    _check_places(done, lever, config)
    sd_angle = math.radians(heading_sd_deg)
    rel_radius = radius_sd_m / config.rover.wheel_radius_m
    tracks = [_track(d, lever) for d in done]
    track = float(np.mean(tracks))
    need_near(
        drives[0], "rover.track_m", track, config.rover.track_m, "m",
        SCRUBS if config.rover.steered == "skid" else FAR,
        "rover.wheel_radius_m or encoders.counts_per_rev (straight tells), a track that is not in "
        "metres, or other turns than were driven",
    )  # fmt: skip
    _check_grip(done, lever, track)
    count_sd = config.count_m * math.sqrt(COUNT_VAR)
    pairs = 2.0 if config.rover.steered in ("skid", "both") else 1.0
    # How the track changes with a common relative error of all travels; the track itself where
    # an axle does not steer, less where sqrt(travel^2 - lever^2) bends it.
    middle = float(np.mean([d.radius_m(lever, track) for d in done]))
    bent = np.min(lever) ** 2 / (middle**2 - track**2 / 4.0) if np.all(lever > 0.0) else 0.0
    grows = track * (1.0 - float(bent))
    one = [
        math.hypot(
            count_sd * math.sqrt(2.0 / pairs) / abs(d.angle_rad), grows * sd_angle / d.angle_rad
        )
        for d in done
    ]
    sd_track = math.hypot(_mean_sd(one), grows * rel_radius)
    gyro = [d.gyro_rad / d.angle_rad for d in done]
    scale = float(np.mean(gyro))
    sd_scale = _mean_sd([math.hypot(d.gyro_sd_rad, sd_angle) / abs(d.angle_rad) for d in done])
    values = [
        Value(name="track", value=track, sd=sd_track, unit="m"),
        Value(name="yaw_gyro_scale", value=scale, sd=sd_scale, unit="-"),
    ]
    settings: dict[str, object] = {"rover.track_m": round(track, 4)}
    notes = []
    if abs(scale - 1.0) > max(GYRO_FINE, 2.0 * sd_scale):
        notes.append(
            f"the yaw gyro reads {100 * (scale - 1):+.1f} %: wrong range setting, or the IMU is "
            "tilted (level first); there is no setting for it, scale it where it is read"
        )
    if config.rover.steered != "skid":
        steering = _steering(left, right, lever, track, count_sd, sd_angle, rel_radius)
        need_near(
            drives[0], "rover.max_steer_deg", steering[0].value, config.rover.max_steer_deg, "deg",
            FAR,
            "rover.wheelbase_m, rover.steered, a steer angle that is not in degrees, or a servo "
            "that does not reach its end",
        )  # fmt: skip
        values += steering
        settings["rover.max_steer_deg"] = round(steering[0].value, 2)
        trim = steering[1]
        if abs(trim.value) > max(1.0, 2.0 * trim.sd):
            way = "left" if trim.value > 0 else "right"
            notes.append(
                f"steers {abs(trim.value):.1f} deg to the {way} at neutral: trim the servo"
            )
    return Calibration(
        step="circle",
        method=f"{turns:g} whole turns to each side, nose back within {heading_sd_deg:g} deg",
        drives=tuple(d.source for d in drives),
        values=tuple(values),
        settings=settings,
        notes=tuple(notes),
    )


def _mean_sd(each: Sequence[float]) -> float:
    """Of a mean of independent values."""
    return math.sqrt(sum(sd**2 for sd in each)) / len(each)


def _lever(config: Config) -> Array:
    """Distance (4,) of each wheel's axle from the one that does not steer."""
    base = config.rover.wheelbase_m
    front, rear = {
        "front": (base, 0.0),
        "rear": (0.0, base),
        "both": (base / 2, base / 2),
        "skid": (0.0, 0.0),
    }[config.rover.steered]
    return np.array([front, front, rear, rear])


def _turn(samples: Samples, config: Config, turns: float) -> _Turn:
    samples.need_imu()
    samples.need_counts()
    before, after = _ends(samples)
    rows = from_sensor(config.imu.rotation_deg)
    block = max(1, round(0.5 / samples.sample_s))
    (w1, s1), (w2, s2) = (
        mean_and_sd(samples.during(s)[2] @ rows.T, block) for s in (before, after)
    )
    t, _, rate = samples.during((before[1], after[0]))
    share = (t - t[0]) / (t[-1] - t[0])
    z = (rate @ rows.T)[:, 2] - (w1[2] + share * (w2[2] - w1[2]))
    felt = float(np.sum((z[1:] + z[:-1]) / 2.0 * np.diff(t)))
    angle = math.copysign(2.0 * math.pi * turns, felt)
    if abs(felt) > 10.0 * abs(angle):
        raise samples.refuse(
            f"turned by {abs(felt) / (2 * math.pi):.0f} turns by the gyro, {turns:g} were said: it "
            "must be in rad/s; in degrees a second it reads 57 times too much"
        )
    if abs(felt / angle - 1.0) > GYRO_OFF:
        raise samples.refuse(
            f"turned by {abs(felt) / (2 * math.pi):.2f} turns by the gyro, {turns:g} were said: "
            "whole turns, and stop when the nose points where it did"
        )
    counted = _between(samples, before, after)
    if config.rover.steered != "skid" and np.any(counted <= 0):
        bad = ", ".join(w for w, c in zip(WHEELS, counted, strict=True) if c <= 0)
        raise samples.refuse(f"{bad} did not count forwards: see to it first (straight)")
    steer = _steer(samples, config)
    _check_sign(samples, config, steer, angle)
    sd = math.hypot(float(s1[2]), float(s2[2])) / 2.0 * (t[-1] - t[0])
    return _Turn(samples, angle, felt, sd, steer, counted * config.count_m)


def _steer(samples: Samples, config: Config) -> float:
    """The steer command while the wheels turned."""
    if config.rover.steered == "skid":
        return 0.0
    rolling = samples.wheel_s[1:][np.any(np.diff(samples.counts, axis=0) != 0, axis=1)]
    inside = (samples.command_s >= rolling[0]) & (samples.command_s <= rolling[-1])
    steer = samples.steer[inside]
    if len(steer) < 10:
        raise samples.refuse("no steer command in it; record throttle and steer as well")
    if float(np.max(steer) - np.min(steer)) > STEADY:
        raise samples.refuse(
            f"steering not held: the command went from {np.min(steer):.2f} to {np.max(steer):.2f}; "
            "turn the wheels before driving off, and hold them until it stands"
        )
    return float(np.mean(steer))


def _check_sign(samples: Samples, config: Config, steer: float, angle_rad: float) -> None:
    """Refuse a command that points the wheels the other way than it turned."""
    behind = config.rover.steered == "rear"
    if steer * angle_rad * (-1.0 if behind else 1.0) < 0.0:
        turned = "left" if angle_rad > 0 else "right"
        points = ", which turns a rover steered behind to the right" if behind else ""
        raise samples.refuse(
            f"turned to the {turned} with a steer command of {steer:+.2f}: the sign of the steer "
            f"command is wrong; positive is wheels that point to the left{points}"
        )


def _track(turn: _Turn, lever: Array) -> float:
    """Of one circle: outer less inner wheels, of the axle that does not steer if there is one."""
    own = np.abs(turn.travel_m / turn.angle_rad)
    if turn.travel_m[0] * turn.travel_m[1] < 0:  # skid steering on the spot
        own = own * np.sign(turn.travel_m) * math.copysign(1.0, turn.angle_rad)
    flat = own if not np.any(lever) else np.sqrt(np.maximum(own**2 - lever**2, 0.0))
    use = _plain(lever)
    outer = float(np.mean([flat[i] for i in use if SIDE[i] * turn.angle_rad > 0]))
    inner = float(np.mean([flat[i] for i in use if SIDE[i] * turn.angle_rad < 0]))
    return outer - inner


def _plain(lever: Array) -> list[int]:
    """Wheels that do not steer; all four where all do."""
    return [i for i in range(4) if lever[i] == 0.0] or list(range(4))


def _expected(turn: _Turn, radius: float, lever: Array, track: float) -> Array:
    """Travel (4,) of each wheel."""
    side = SIDE * math.copysign(1.0, turn.angle_rad) * track / 2.0
    expected: Array = abs(turn.angle_rad) * np.hypot(radius + side, lever)
    return expected


def _check_places(done: Sequence[_Turn], lever: Array, config: Config) -> None:
    """Swapped encoders: does another order of the wheels explain all circles much better?"""
    if config.rover.steered == "skid":
        return
    track = config.rover.track_m

    def misfit(order: Sequence[int]) -> float:
        total = 0.0
        for turn in done:
            travel = turn.travel_m[list(order)]
            placed = _Turn(turn.samples, turn.angle_rad, 0.0, 0.0, 0.0, travel)
            radius = placed.radius_m(lever, track)
            gap = travel - _expected(turn, radius, lever, track)
            total += float(np.sum(gap**2))
        return total

    here = misfit(range(4))
    best = min(permutations(range(4)), key=misfit)
    noise = sum(np.sum((0.02 * d.travel_m) ** 2) for d in done)
    if best != (0, 1, 2, 3) and here > 4.0 * misfit(best) + noise:
        moved = [f"{WHEELS[best[i]]} is on {WHEELS[i]}" for i in range(4) if best[i] != i]
        raise done[0].samples.refuse(
            f"swapped encoders: the channel of {', that of '.join(moved)}; swap the cables"
        )


def _check_grip(done: Sequence[_Turn], lever: Array, track: float) -> None:
    """Wheels that slipped do not fit the circle of the others."""
    if not np.any(lever):
        return
    for turn in done:
        expected = _expected(turn, turn.radius_m(lever, track), lever, track)
        off = turn.travel_m / expected - 1.0
        if float(np.max(np.abs(off))) > SLIPPED:
            wheel = int(np.argmax(np.abs(off)))
            raise turn.samples.refuse(
                f"wheels slipped: {WHEELS[wheel]} went {100 * off[wheel]:+.1f} % off the circle of "
                "the others; slower, on a firm floor"
            )


def _steering(
    left: Sequence[_Turn],
    right: Sequence[_Turn],
    lever: Array,
    track: float,
    count_sd: float,
    sd_angle: float,
    rel_radius: float,
) -> list[Value]:
    """Steer angle at full command, and the angle at neutral, deg."""
    base = float(np.max(lever))
    sides = []
    for group in (left, right):
        angles, sds, steers = [], [], []
        for turn in group:
            radius = turn.radius_m(lever, track)
            angle = math.atan2(base, radius)
            counted = count_sd / math.sqrt(len(_plain(lever)))
            rel = math.hypot(counted / (radius * turn.angle_rad), sd_angle / turn.angle_rad)
            if np.all(lever > 0.0):  # R from sqrt(travel^2 - lever^2): an error grows
                rel *= 1.0 + (base / radius) ** 2
            angles.append(math.degrees(angle))
            sds.append(math.degrees(math.sin(angle) * math.cos(angle) * rel))
            steers.append(abs(turn.steer))
        sides.append((float(np.mean(angles)), _mean_sd(sds), float(np.mean(steers))))
    (a1, s1, u1), (a2, s2, u2) = sides
    if min(u1, u2) < 0.2:
        raise left[0].samples.refuse("steered by less than a fifth: steer fully, to either side")
    full = (a1 + a2) / (u1 + u2)
    mean = math.radians((a1 + a2) / 2.0)
    common = math.degrees(math.sin(mean) * math.cos(mean) * rel_radius) * 2.0
    if np.all(lever > 0.0):
        common *= 1.0 + math.tan(mean) ** 2
    trim = (a1 * u2 - a2 * u1) / (u1 + u2)
    return [
        Value(
            name="full_steer",
            value=full,
            sd=math.sqrt(s1**2 + s2**2 + common**2) / (u1 + u2),
            unit="deg",
        ),
        Value(
            name="steer_at_neutral",
            value=trim,
            sd=math.hypot(s1 * u2, s2 * u1) / (u1 + u2),
            unit="deg",
        ),
    ]
