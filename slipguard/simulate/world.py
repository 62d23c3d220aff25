"""The ground: height and friction by place.

A world is an inclined plane plus any number of features, each a function of position that
adds height. The rover's wheels touch it through one tangent plane a wheel, taken from the
surface on which the wheel's centre moves (the ground raised by a ball of the wheel's
radius), so that a flat world is exactly flat and a bump is exactly as round as the wheel
makes it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Feature = Callable[[Array, Array], Array]
"""Added height in metres at positions x, y (arrays of one shape)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A rectangle of another friction coefficient. x forward, y left, metres."""

    mu: float
    x_m: tuple[float, float] = (-math.inf, math.inf)
    y_m: tuple[float, float] = (-math.inf, math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The ground a scenario plays on.

    Attributes
    ----------
    slope_deg, side_slope_deg : float
        Inclination of the whole world: rising towards +x, rising towards +y (left).
    mu : float
        Friction coefficient outside every patch.
    patches : sequence of Patch
        The last one that holds the wheel counts.
    slip_stiffness : float or None
        Drive force over wheel load per unit of slip ratio on this ground, about 8 on soft soil
        to 25 on hard ground (common practice, no source); None: ``sim.tyre_slip_stiffness``.
    features : sequence of Feature
        Bumps, kerbs, ramps, rough ground: heights that add up.
    """

    slope_deg: float = 0.0
    side_slope_deg: float = 0.0
    mu: float = 0.8
    patches: Sequence[Patch] = ()
    slip_stiffness: float | None = None
    features: Sequence[Feature] = ()

    def height(self, x: Array, y: Array) -> Array:
        """Ground height at positions x, y, metres."""
        z = x * math.tan(math.radians(self.slope_deg))
        z = z + y * math.tan(math.radians(self.side_slope_deg))
        for feature in self.features:
            z = z + feature(x, y)
        return z

    def friction(self, x: float, y: float) -> float:
        """Friction coefficient at one place."""
        mu = self.mu
        for patch in self.patches:
            if patch.x_m[0] <= x <= patch.x_m[1] and patch.y_m[0] <= y <= patch.y_m[1]:
                mu = patch.mu
        return mu


# ---------------------------------------------------------------- features a world is made of


def ridge(x_m: float, y_m: tuple[float, float], height_m: float, length_m: float) -> Feature:
    """A smooth bump across the way: one cosine wave of ``length_m`` along x, centred at
    ``x_m``, between the two ``y_m``."""

    def feature(x: Array, y: Array) -> Array:
        u = np.clip((x - x_m) / length_m, -0.5, 0.5)
        inside = (y >= y_m[0]) & (y <= y_m[1])
        return np.where(inside, height_m / 2 * (1 + np.cos(2 * np.pi * u)), 0.0)

    return feature


def kerb(x_m: float, height_m: float, depth_m: float = math.inf) -> Feature:
    """A step up at ``x_m``; down again after ``depth_m``."""

    def feature(x: Array, y: Array) -> Array:
        return np.where((x >= x_m) & (x <= x_m + depth_m), height_m, 0.0)

    return feature


def ramp(start_m: float, end_m: float, slope_deg: float) -> Feature:
    """A slope between two places along x, flat before and behind."""

    def feature(x: Array, y: Array) -> Array:
        return (np.clip(x, start_m, end_m) - start_m) * math.tan(math.radians(slope_deg))

    return feature


def height_field(height_m: Array, cell_m: float, x_m: float = 0.0, y_m: float = 0.0) -> Feature:
    """Measured or made-up ground as a table of heights.

    ``height_m[i, j]`` is the height at ``x_m + i * cell_m``, ``y_m + j * cell_m``; straight
    between, and as at the nearest edge outside.
    """
    rows, columns = height_m.shape

    def feature(x: Array, y: Array) -> Array:
        u = np.clip((x - x_m) / cell_m, 0.0, rows - 1.0)
        v = np.clip((y - y_m) / cell_m, 0.0, columns - 1.0)
        i = np.minimum(u.astype(int), max(rows - 2, 0))
        j = np.minimum(v.astype(int), max(columns - 2, 0))
        u, v = u - i, v - j
        low = height_m[i, j] * (1 - v) + height_m[i, np.minimum(j + 1, columns - 1)] * v
        i = np.minimum(i + 1, rows - 1)
        high = height_m[i, j] * (1 - v) + height_m[i, np.minimum(j + 1, columns - 1)] * v
        mixed: Array = low * (1 - u) + high * u
        return mixed

    return feature


def axle_twister(
    start_m: float, bumps: int, height_m: float, length_m: float, pitch_m: float
) -> Feature:
    """Ridges alternately under the left and the right wheels, so that a wheel hangs.

    ``pitch_m`` from ridge to ridge; with the wheelbase of the rover, opposite corners stand
    on ridges at the same time.
    """
    ridges = [
        ridge(
            start_m + i * pitch_m,
            (0.0, math.inf) if i % 2 else (-math.inf, 0.0),
            height_m,
            length_m,
        )
        for i in range(bumps)
    ]

    def feature(x: Array, y: Array) -> Array:
        total: Array = np.sum([one(x, y) for one in ridges], axis=0)
        return total

    return feature


def rough(
    seed: int,
    height_sd_m: float,
    start_m: float = 1.0,
    wavelength_m: tuple[float, float] = (0.25, 2.5),
) -> Feature:
    """Rough ground: a sum of waves in all directions, growing in over a metre from ``start_m``
    away from the origin so that the rover starts on level ground."""
    rng = np.random.default_rng(seed)
    n = 24
    short, long = wavelength_m
    waves = np.exp(rng.uniform(math.log(short), math.log(long), n))
    heading, phase = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, 2 * np.pi, n)
    amplitude = np.sqrt(waves)  # long waves are higher
    amplitude *= height_sd_m * math.sqrt(2) / np.linalg.norm(amplitude)
    kx, ky = 2 * np.pi / waves * np.cos(heading), 2 * np.pi / waves * np.sin(heading)

    def feature(x: Array, y: Array) -> Array:
        z = np.zeros(np.broadcast(x, y).shape)
        for i in range(n):
            z += amplitude[i] * np.sin(kx[i] * x + ky[i] * y + phase[i])
        return z * np.clip(np.hypot(x, y) - start_m, 0.0, 1.0)

    return feature


def stones(
    seed: int, height_m: float, spacing_m: float = 0.5, width_m: float = 0.16, start_m: float = 1.0
) -> Feature:
    """Round stones of up to ``height_m``, one somewhere in every square of ``spacing_m``."""
    rng = np.random.default_rng(seed)
    size = 64  # the pattern repeats after 64 squares
    dx, dy = rng.uniform(0.2, 0.8, (2, size, size)) * spacing_m
    tall = rng.uniform(0.2, 1.0, (size, size)) * height_m

    def feature(x: Array, y: Array) -> Array:
        i, j = np.floor(x / spacing_m).astype(int), np.floor(y / spacing_m).astype(int)
        best = np.zeros(np.broadcast(x, y).shape)
        for ii in (i - 1, i, i + 1):
            for jj in (j - 1, j, j + 1):
                a, b = ii % size, jj % size
                u = np.hypot(x - ii * spacing_m - dx[a, b], y - jj * spacing_m - dy[a, b])
                bump = tall[a, b] * np.cos(np.pi * np.minimum(u / width_m, 0.5)) ** 2
                best = np.maximum(best, bump)
        return best * np.clip(np.hypot(x, y) - start_m, 0.0, 1.0)

    return feature


# ---------------------------------------------------------------- what a wheel feels

TILE_CELLS = 48
Tile = list[list[list[float]]]
"""Rows of cells, each [height, slope along x, slope along y]; plain lists are fastest to index."""


@dataclass(slots=True)
class Surface:
    """The surface on which the centre of a wheel moves: height and gradient at a place.

    The ground is raised by a ball of the wheel's radius (grey-scale dilation) in tiles made
    when first needed; a world without features needs none.
    """

    world: World
    radius_m: float
    cell_m: float = field(init=False)
    _tiles: dict[tuple[int, int], Tile] = field(init=False, default_factory=dict)
    _plane: tuple[float, float, float] = field(init=False)

    def __post_init__(self) -> None:
        self.cell_m = self.radius_m / 5
        gx = math.tan(math.radians(self.world.slope_deg))
        gy = math.tan(math.radians(self.world.side_slope_deg))
        self._plane = (gx, gy, self.radius_m * math.sqrt(1 + gx * gx + gy * gy))

    def at(self, x: float, y: float) -> tuple[float, float, float]:
        """Height of the wheel centre when it just touches, and its slope along x and y."""
        if not self.world.features:
            gx, gy, lift = self._plane
            return (x * gx + y * gy + lift, gx, gy)
        u, v = x / self.cell_m, y / self.cell_m
        i, j = math.floor(u), math.floor(v)
        u -= i
        v -= j
        key = (i // TILE_CELLS, j // TILE_CELLS)
        tile = self._tiles.get(key)
        if tile is None:
            tile = self._tiles[key] = self._make(*key)
        i -= key[0] * TILE_CELLS
        j -= key[1] * TILE_CELLS
        row, below = tile[i], tile[i + 1]
        a, b, c, d = row[j], row[j + 1], below[j], below[j + 1]
        wa, wb, wc, wd = (1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v
        return (
            wa * a[0] + wb * b[0] + wc * c[0] + wd * d[0],
            wa * a[1] + wb * b[1] + wc * c[1] + wd * d[1],
            wa * a[2] + wb * b[2] + wc * c[2] + wd * d[2],
        )

    def _make(self, ti: int, tj: int) -> Tile:
        reach = math.ceil(self.radius_m / self.cell_m)
        out = TILE_CELLS + 3  # one more on each side for the gradient
        span = np.arange(-1 - reach, TILE_CELLS + 2 + reach)
        x = (ti * TILE_CELLS + span)[:, None] * self.cell_m
        y = (tj * TILE_CELLS + span)[None, :] * self.cell_m
        ground = np.broadcast_to(self.world.height(*np.broadcast_arrays(x, y)), (len(span),) * 2)
        size = 2 * reach + 1
        offset = np.arange(-reach, reach + 1) * self.cell_m
        room = self.radius_m**2 - offset[:, None] ** 2 - offset[None, :] ** 2
        with np.errstate(invalid="ignore"):
            ball = np.where(room >= 0, np.sqrt(room), -1.0)
        windows = np.lib.stride_tricks.sliding_window_view(ground, (size, size))
        raised = (windows + ball).reshape(out, out, -1)
        best = raised.argmax(axis=2)
        top = np.take_along_axis(raised, best[..., None], axis=2)[..., 0]
        z = top.copy()
        # The maximum lies between grid points: fit a parabola through its neighbours.
        bi, bj = np.divmod(best, size)
        for step, index in ((size, bi), (1, bj)):
            ok = (index > 0) & (index < size - 1)
            low = np.take_along_axis(raised, (best - step * ok)[..., None], axis=2)[..., 0]
            high = np.take_along_axis(raised, (best + step * ok)[..., None], axis=2)[..., 0]
            bend = 2 * top - low - high
            # A sharper bend than a ball's is an edge, and there the grid point is the maximum.
            near = ok & (bend > 1e-12) & (bend < 4 * self.cell_m**2 / self.radius_m)
            z += np.where(near, (high - low) ** 2 / (8 * np.where(near, bend, 1.0)), 0.0)
        gx = (z[2:, 1:-1] - z[:-2, 1:-1]) / (2 * self.cell_m)
        gy = (z[1:-1, 2:] - z[1:-1, :-2]) / (2 * self.cell_m)
        inner = z[1:-1, 1:-1]
        cells: Tile = np.stack((inner, gx, gy), axis=2).tolist()
        return cells
