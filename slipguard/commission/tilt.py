"""Rest, tilt and turn: axes and signs of the IMU, in the rover's axes as the file has them.

With the nose up by an angle a, an accelerometer at rest reads f = g (sin a, 0, cos a); with the
left side up g (0, sin a, cos a). The gyro turns by -a about y for the first, by +a about x for the
second: du/dt = -w x u for the upward vector u in body axes (any mechanics text).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from slipguard.commission.brakes import gone
from slipguard.commission.items import Item
from slipguard.commission.result import Result
from slipguard.commission.sample import Sample
from slipguard.config import Config
from slipguard.reading import WHEELS, Triple

GRAVITY_MPS2 = 9.81
NEAR_G_MPS2 = 1.0
"""How far the length of gravity may be off: bias and scale of hobby sensors. Judgement."""
QUIET_RADPS = 0.1
LEVEL_DEG = 20.0
"""A bench is that level; an IMU that reads more is mounted askew. Judgement."""
END_S = 0.5
LEAST_TILT_DEG = 8.0
OFF_DEG = 25.0
"""Between one axis and its neighbour lie 90 degrees; hands are no better than this. Judgement."""
GYRO_SHARE = 0.4
"""How far the gyro's angle may be from the accelerometer's, as a share of it. Judgement."""
LEAST_TURN_DEG = 45.0
MOST_TURN_DEG = 150.0
STILL_TURNS = 0.02

Found = tuple[float, str, str]
"""The number compared, cause and remedy."""


def _mean(samples: Sequence[Sample], name: str) -> Triple | None:
    known = [v for s in samples if (v := getattr(s, name)) is not None]
    if not known:
        return None
    x, y, z = (sum(axis) / len(known) for axis in zip(*known, strict=True))
    return (x, y, z)


def _without_imu(item: Item) -> Result:
    return Result(
        key=item.key,
        state="failed",
        seen="no IMU sample",
        cause="nothing arrives from the IMU",
        remedy="check its plug, bus and address; slipguard plugins check --rover FILE",
    )


def at_rest(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """Everything delivers, nothing moves, gravity points down."""
    late = [s for s in samples if s.t_s >= samples[-1].t_s - 3.0]
    force, rate = _mean(late, "accel_mps2"), _mean(late, "gyro_radps")
    if force is None or rate is None:
        return _without_imu(item)
    cause, remedy = _unrest(late, force, rate, config)
    g = math.hypot(*force)
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=force[2],
        low=GRAVITY_MPS2 - NEAR_G_MPS2,
        high=GRAVITY_MPS2 + NEAR_G_MPS2,
        unit="m/s2 upwards",
        seen=f"specific force {force[0]:+.2f}, {force[1]:+.2f}, {force[2]:+.2f} m/s2 (length "
        f"{g:.2f}), gyro {math.hypot(*rate):.3f} rad/s",
        cause=cause,
        remedy=remedy,
    )


def _unrest(
    samples: Sequence[Sample], force: Triple, rate: Triple, config: Config
) -> tuple[str, str]:
    turns = gone(samples)
    silent = [w for w, t in zip(WHEELS, turns, strict=True) if math.isnan(t)]
    moving = [w for w, t in zip(WHEELS, turns, strict=True) if t > STILL_TURNS]
    g = math.hypot(*force)
    if silent:
        return f"nothing arrives from the encoder of {', '.join(silent)}", "check plug and channel"
    if 0.8 < g < 1.2:
        return "the accelerometer gives g, not m/s2", "multiply by 9.80665 where it is read"
    if abs(g - GRAVITY_MPS2) > NEAR_G_MPS2:
        return (
            f"the accelerometer reads {g:.2f} m/s2 at rest",
            "check its range setting and unit; was the rover at rest?",
        )
    if math.hypot(*rate) > QUIET_RADPS:
        return (
            f"the gyro reads {math.hypot(*rate):.2f} rad/s at rest",
            "was the rover at rest? Check the unit (rad/s); a bias goes into imu.gyro_bias_radps",
        )
    if moving:
        return f"{', '.join(moving)} counts though nothing moves", "check shielding, supply, ground"
    lean = math.degrees(math.acos(max(-1.0, min(1.0, force[2] / g))))
    if lean <= LEVEL_DEG:
        return "", ""
    if lean > 180.0 - LEVEL_DEG:
        return (
            "the IMU hangs upside down",
            "add 180 to the roll of imu.rotation_deg, or mount it the other way up",
        )
    axis = max(range(3), key=lambda i: abs(force[i]))
    up = f"{'-' if force[axis] < 0 else '+'}{'xyz'[axis]}"
    return (
        f"the IMU leans by {lean:.0f} degrees: its {up} axis points up, not +z",
        f"set imu.rotation_deg (now {_shown(config)}), or mount it flat",
    )


def _shown(config: Config) -> str:
    return "[" + ", ".join(f"{a:g}" for a in config.imu.rotation_deg) + "]"


def tilted(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """Nose or left side up: along the right axis, the right way round, and the gyro agrees."""
    after = _mean([s for s in samples if s.t_s >= samples[-1].t_s - END_S], "accel_mps2")
    level = _most_level(samples)
    before = _mean(level, "accel_mps2")
    if before is None or after is None:
        return _without_imu(item)
    samples = [s for s in samples if s.t_s >= level[0].t_s]
    dx, dy = after[0] - before[0], after[1] - before[1]
    tilt_deg = math.degrees(math.asin(min(1.0, math.hypot(dx, dy) / GRAVITY_MPS2)))
    # Direction of the change, in the plane of the rover, less the one it must have.
    off_deg = math.degrees(math.atan2(dy, dx)) - (0.0 if item.key == "tilt.nose" else 90.0)
    off_deg = (off_deg + 180.0) % 360.0 - 180.0
    # Turning needed about x and y for that change: (dy, -dx) / g.
    about = (math.radians(tilt_deg) * dy, -math.radians(tilt_deg) * dx)
    turned = _angle(samples)
    along = _along(turned, about)
    cause, remedy = "", ""
    if tilt_deg < LEAST_TILT_DEG:
        cause = f"it was tilted by {tilt_deg:.0f} degrees only, or the accelerometer does not move"
        remedy = "tilt by 15 to 30 degrees and keep it there until you say done"
    elif abs(off_deg) > OFF_DEG:
        cause, remedy = _mounting(off_deg, config)
    else:
        cause, remedy = _gyro(along, tilt_deg)
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=off_deg,
        low=-OFF_DEG,
        high=OFF_DEG,
        unit="degrees off the axis",
        seen=f"tilted by {tilt_deg:.0f} degrees, {abs(off_deg):.0f} degrees beside the way it "
        f"should; by the gyro {along:+.0f} degrees",
        cause=cause,
        remedy=remedy,
    )


def _mounting(off_deg: float, config: Config) -> tuple[str, str]:
    """An IMU turned by a is seen to lean by -a."""
    turn = -off_deg
    near = round(turn / 90.0) * 90
    roll, pitch, yaw = config.imu.rotation_deg
    now = f"imu.rotation_deg, now {_shown(config)}"
    if abs(turn - near) > OFF_DEG or near == 0:
        return (
            f"the IMU sits turned by about {turn:+.0f} degrees about its upright axis, or the "
            "rover was lifted askew",
            f"try again; then mount it square, or measure {now}, with slipguard calibrate",
        )
    near = 180 if abs(near) == 180 else near
    new = (yaw + near + 180.0) % 360.0 - 180.0
    new = 180.0 if new == -180.0 else new
    return (
        f"the IMU sits turned by {near} degrees about its upright axis, or its x and y axes have "
        "wrong signs",
        f"set {now}, to [{roll:g}, {pitch:g}, {new:g}], or mount it with x forward",
    )


def _gyro(along_deg: float, tilt_deg: float) -> tuple[str, str]:
    share = along_deg / tilt_deg
    if abs(share - 1.0) <= GYRO_SHARE:
        return "", ""
    if share > 20.0:
        return "the gyro gives degrees a second, not rad/s", "multiply by pi / 180 where it is read"
    if abs(share + 1.0) <= GYRO_SHARE:
        return (
            "the gyro turns the other way than the accelerometer: a sign is wrong in one of them",
            "check the axes where the IMU is read: all six in one right-handed system",
        )
    return (
        f"the gyro turned by {along_deg:.0f} degrees where the accelerometer tilted by "
        f"{tilt_deg:.0f}",
        "check the gyro's axes and range setting; tilt in one smooth movement",
    )


def _pieces(samples: Sequence[Sample]) -> list[list[Sample]]:
    """Stretches of half a second."""
    found: list[list[Sample]] = []
    for sample in samples:
        if not found or sample.t_s - found[-1][0].t_s >= END_S:
            found.append([])
        found[-1].append(sample)
    return found[:-1] or found


def _unrest_radps(piece: Sequence[Sample]) -> float:
    """Scatter of the gyro: its mean holds the bias, which could cancel a movement."""
    mean = _mean(piece, "gyro_radps")
    if mean is None:
        return math.inf
    off = [math.dist(s.gyro_radps, mean) ** 2 for s in piece if s.gyro_radps is not None]
    return math.sqrt(sum(off) / len(off))


def _most_level(samples: Sequence[Sample]) -> list[Sample]:
    """The stretch, but for the end, in which gravity was nearest to the upright axis, and still."""

    def lean(piece: list[Sample]) -> float:
        force = _mean(piece, "accel_mps2")
        if force is None:
            return math.inf
        return math.hypot(*force[:2]) / GRAVITY_MPS2 + _unrest_radps(piece)

    return min(_pieces(samples), key=lean)


def _angle(samples: Sequence[Sample]) -> Triple:
    """Integral of the gyro less its stillest half second, degrees about each axis."""
    bias = _mean(min(_pieces(samples), key=_unrest_radps), "gyro_radps") or (0.0, 0.0, 0.0)
    total = [0.0, 0.0, 0.0]
    last_s: float | None = None
    for sample in samples:
        if sample.gyro_radps is None:
            continue
        dt_s = 0.0 if last_s is None else max(0.0, min(0.1, sample.t_s - last_s))
        last_s = sample.t_s
        for axis in range(3):
            total[axis] += math.degrees((sample.gyro_radps[axis] - bias[axis]) * dt_s)
    return (total[0], total[1], total[2])


def _along(turned: Triple, about: tuple[float, float]) -> float:
    """Share of a turn about the axis that ``about`` points along, degrees."""
    length = math.hypot(*about) or 1.0
    return (turned[0] * about[0] + turned[1] * about[1]) / length


def turned_left(item: Item, samples: Sequence[Sample], config: Config) -> Result:
    """A quarter turn to the left, seen by the upright axis of the gyro."""
    if not any(s.gyro_radps is not None for s in samples):
        return _without_imu(item)
    angle = _angle(samples)[2]
    cause, remedy = "", ""
    if angle < -LEAST_TURN_DEG:
        cause = "the gyro's upright axis has the wrong sign, or the rover was turned to the right"
        remedy = "try again; then check the sign of gyro z where it is read: left is positive"
    elif abs(angle) < LEAST_TURN_DEG:
        cause = "the gyro's upright axis hardly moved"
        remedy = "turn by a quarter; then check that gyro z is read at all"
    elif angle > MOST_TURN_DEG:
        cause = "the gyro's scale is wrong (degrees for radians?), or it was turned too far"
        remedy = "try again; then check the unit (rad/s) and the range setting"
    return Result(
        key=item.key,
        state="failed" if cause else "passed",
        value=angle,
        low=LEAST_TURN_DEG,
        high=MOST_TURN_DEG,
        unit="degrees to the left",
        seen=f"gyro {angle:+.0f} degrees about the upright axis",
        cause=cause,
        remedy=remedy,
    )
