"""A drive fused once: all that the detectors of spin, lock and rolling read, as arrays.

Estimates do not depend on the thresholds of these detectors but through one door: brakes the
guard presses on findings tell the fusion which way a wheel can slip. A recording does not react
to them. Here they are *held fixed*: those that the guard with the given config presses. So what
detectors find on a fused drive is exact for that config, and for others but for this effect.
"""

from __future__ import annotations

import zipfile
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.detect.detectors import Detectors
from slipguard.detect.wheels import CountedWay
from slipguard.errors import RecordingError
from slipguard.estimate import Estimate
from slipguard.frame import GAP_S
from slipguard.fuse.fusion import Fusion
from slipguard.fuse.intake import Intake
from slipguard.reading import WHEELS, Reading
from slipguard.recording import open_recording
from slipguard.replay import engine_for
from slipguard.respond.respond import Responder

Array = NDArray[np.float64]
Rows = NDArray[np.int64]
Flags = NDArray[np.bool_]

ROW_VALUES, SLIP_VALUES = 15, 9
"""How many numbers are collected for a row, and for a wheel that slips in it."""
BLOCK = 4096
"""Rows in one call of compiled code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fused:
    """A drive of n rows. Wheel values are kept only where a wheel slips: m values.

    Attributes
    ----------
    t_s, dt_s : (n,) float
    speed_mps, speed_sd_mps, distance_m : (n,) float
    at_rest : (n,) bool
    asked : (n,) int
        Direction that motion is judged against: 1, 0, -1, or ``UNKNOWN``.
    travel_m : (n, 4) float
        Rim travel by the encoders.
    broken : (n, 4) bool
        Wheels whose encoder is held to be wrong.
    wheel, row : (m,) int
        Which wheel slips, and in which row; sorted by wheel, then row.
    slip_mps, slip_sd_mps, ratio, excess_m, excess_sd_m : (m,) float
    opposed, may_lock : (m,) bool
    """

    t_s: Array
    dt_s: Array
    speed_mps: Array
    speed_sd_mps: Array
    distance_m: Array
    at_rest: Flags
    asked: Rows
    travel_m: Array
    broken: Flags
    wheel: Rows
    row: Rows
    slip_mps: Array
    slip_sd_mps: Array
    ratio: Array
    excess_m: Array
    excess_sd_m: Array
    opposed: Flags
    may_lock: Flags

    @property
    def hours(self) -> float:
        """How long was recorded."""
        return recorded_h(self.t_s)


def recorded_h(t_s: Array) -> float:
    """Hours of a drive, times of its rows (n,): without its gaps, and without what a clock that
    was set says."""
    steps = np.diff(t_s)
    return float(steps[(steps > 0.0) & (steps <= GAP_S)].sum()) / 3600.0


def fuse(drive: Path, config: Config) -> Fused:
    """Replay a drive once and keep what the detectors read. A long one runs compiled.

    Raises
    ------
    RecordingError
        The drive cannot be read, or holds no rows.
    """
    engine, rows = engine_for(open_recording(drive))
    follow = _compiled if engine == "compiled" else _stepped
    collected = Collected()
    for watched in follow(config, (row.reading for row in rows)):
        collected.add(*watched)
    if not collected.rows:
        raise RecordingError(f"{drive}: the drive holds no rows")
    return collected.fused()


Watched = tuple[Estimate, float, int, Sequence[bool], Sequence[bool]]
"""What ``Collected`` takes."""


def _stepped(config: Config, readings: Iterable[Reading]) -> Iterator[Watched]:
    intake, fusion = Intake(config), Fusion(config)
    detectors, responder = Detectors(config), Responder(config)
    watch = detectors.watch
    for reading in readings:
        frame = intake.take(reading)
        estimate = fusion.step(frame, responder.brakes, detectors.broken)
        findings = detectors.step(frame, estimate, responder.brakes)
        yield estimate, frame.dt_s, watch.motion_asked, watch.may_lock, watch.broken
        responder.step(frame, estimate, findings)


def _compiled(config: Config, readings: Iterator[Reading]) -> Iterator[Watched]:
    # Here and not above: numba takes a second to import.
    from slipguard.compiled import CompiledDrive

    drive = CompiledDrive(config)
    while block := list(islice(readings, BLOCK)):
        yield from watched(drive.run(drive.plain(block)))


def watched(out: Array) -> Iterator[Watched]:
    """What ``Collected`` takes of rows of output of a ``CompiledDrive``."""
    from slipguard.compiled import core, estimate_of

    for row in map(tuple, out.tolist()):
        broken = tuple(map(bool, row[core.BROKEN : core.MAY_LOCK]))
        may_lock = tuple(map(bool, row[core.MAY_LOCK : core.THROTTLE]))
        yield estimate_of(row), row[core.DT], int(row[core.ASKED]), may_lock, broken


class Collected:
    """Takes estimates one by one. Add them all, then ask for them ``fused``."""

    def __init__(self) -> None:
        self.rows = 0
        self._rows = array("d")  # flat: an hour as tuples would be a gigabyte
        self._slips = array("d")
        self._ways = [CountedWay() for _ in WHEELS]

    def add(
        self,
        estimate: Estimate,
        dt_s: float,
        asked: int,
        may_lock: Sequence[bool],
        broken: Sequence[bool],
    ) -> None:
        """Take one estimate and what its detectors were told with it."""
        self._rows.extend(
            (
                estimate.t_s,
                dt_s,
                estimate.speed_mps,
                estimate.speed_sd_mps,
                estimate.distance_m,
                estimate.at_rest,
                asked,
                *estimate.wheel_travel_m,
                *broken,
            )
        )
        for i, travel in enumerate(estimate.wheel_travel_m):
            self._ways[i].step(travel)
            slip, rim = estimate.slip_mps[i], estimate.wheel_speed_mps[i]
            if slip == 0.0:
                continue
            self._slips.extend(
                (
                    i,
                    self.rows,
                    slip,
                    estimate.slip_sd_mps[i],
                    estimate.slip_ratio[i],
                    estimate.excess_travel_m[i],
                    estimate.excess_sd_m[i],
                    self._ways[i].opposed(rim, slip),
                    may_lock[i],
                )
            )
        self.rows += 1

    def fused(self) -> Fused:
        """All of it, as arrays."""
        rows = np.array(self._rows).reshape(-1, ROW_VALUES)
        slips = np.array(self._slips).reshape(-1, SLIP_VALUES)
        slips = slips[np.argsort(slips[:, 0], kind="stable")].T.copy()
        whole = rows.T.copy()
        return Fused(
            t_s=whole[0],
            dt_s=whole[1],
            speed_mps=whole[2],
            speed_sd_mps=whole[3],
            distance_m=whole[4],
            at_rest=whole[5] != 0.0,
            asked=whole[6].astype(np.int64),
            travel_m=rows[:, 7:11].copy(),
            broken=rows[:, 11:15] != 0.0,
            wheel=slips[0].astype(np.int64),
            row=slips[1].astype(np.int64),
            slip_mps=slips[2],
            slip_sd_mps=slips[3],
            ratio=slips[4],
            excess_m=slips[5],
            excess_sd_m=slips[6],
            opposed=slips[7] != 0.0,
            may_lock=slips[8] != 0.0,
        )


def save(fused: Fused, file: Any) -> None:
    """Write a fused drive to an open binary file."""
    arrays: dict[str, Any] = {f.name: getattr(fused, f.name) for f in fields(Fused)}
    np.savez_compressed(file, **arrays)


def load(path: Path) -> Fused | None:
    """Read a fused drive back, exactly; None where the file is not there or damaged."""
    try:
        with np.load(path, allow_pickle=False) as arrays:
            return Fused(**{f.name: arrays[f.name] for f in fields(Fused)})
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
        return None
