"""Tiles cut from a known Sun at known places, for the benchmarks of placement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from diskmosaic.synthetic import Sun, sensor_pattern
from diskmosaic.synthetic.camera import PAD_PX, Warps
from scipy import ndimage

LEVEL = 20_000.0
"""Counts at the disk's centre."""
BORDER = 12
"""Rows beyond a window that the spline's prefilter wants: it has died away there."""


@dataclass(frozen=True)
class Cut:
    """Tiles, the true places (n, 2) of their pixel (0, 0), and each tile's displacements (2, h, w), or None.

    What lies at ``place + (y, x) + warp`` on the Sun is seen at (y, x).
    """

    tiles: list[Tile]
    places: np.ndarray
    warps: list[np.ndarray | None]


@dataclass(frozen=True)
class Cutting:
    """How tiles are cut.

    Attributes
    ----------
    grid : (rows, columns)
    overlap : share of a tile's side
    noise : rms, share of the disk's centre
    gains : each tile's own, evenly between the two
    pattern : rms, over the sensor, of what is left of dust, rings and uneven pixels; 0: none
    warp_px : rms length of smooth displacements that stay in a tile, mean 0 over the tile
    warp_scale_px : their correlation length
    turn_deg : from the first tile recorded to the last the field turns evenly by so much (+x towards +y)
    margin : sky that the grid takes in beyond the limb, in radii
    mount_px : tiles lie off the grid by up to this
    """

    grid: tuple[int, int] = (3, 4)
    overlap: float = 0.2
    noise: float = 0.005
    gains: tuple[float, float] = (0.7, 1.0)
    pattern: float = 0.0
    warp_px: float = 0.0
    warp_scale_px: float = 80.0
    turn_deg: float = 0.0
    margin: float = 0.04
    mount_px: float = 20.0

    def shape(self, radius_px: float) -> tuple[int, int]:
        """Return the tiles' size (h, w) on a disk of this radius."""
        wide = 2 * radius_px * (1 + self.margin) + 2 * self.mount_px
        return tuple(int(wide / (n - (n - 1) * self.overlap)) for n in self.grid)


def cut(sun: Sun, kind: Cutting, rng: np.random.Generator, *, suns=None) -> Cut:
    """Cut the grid's tiles, in random order.

    `suns`, where given, draws the Sun anew for every tile: a function of the tile's number that returns its image.
    """
    shape = kind.shape(sun.radius_px)
    steps = [(np.arange(n) - (n - 1) / 2) * s * (1 - kind.overlap) for n, s in zip(kind.grid, shape, strict=True)]
    places = np.array([(y, x) for y in steps[0] for x in steps[1]])
    off = rng.uniform(-kind.mount_px, kind.mount_px, places.shape)
    places += np.array(sun.centre_yx) - (np.array(shape) - 1) / 2 + off
    places = places[rng.permutation(len(places))]
    fixed = _remainder(shape, kind.pattern, rng) if kind.pattern else np.float32(1)
    air = Warps(shape, kind.warp_px / np.sqrt(2), kind.warp_scale_px)
    tiles, warps = [], []
    for k, place in enumerate(places):
        warp = air.draw(rng)
        warps.append(None if warp is None else warp[:, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX])
        angle = np.deg2rad(kind.turn_deg) * (k / max(len(places) - 1, 1) - 0.5)
        image = _window(sun.image if suns is None else suns(k), place, shape, warps[-1], angle)
        image *= np.float32(LEVEL * rng.uniform(*kind.gains)) * fixed
        image += np.float32(LEVEL * kind.noise) * rng.standard_normal(shape, np.float32)
        frames = np.zeros(1, FRAME_DTYPE)
        frames["weight"] = 1
        name, weight = f"tile_{k:02d}", np.ones(shape, np.float32)
        when = f"2041-03-09T10:{k:02d}:00.000" if kind.turn_deg else None
        tiles.append(Tile(name, image, weight, LEVEL * kind.noise, frames, 1.0, when, f"{name}.ser"))
    return Cut(tiles, places, warps)


def _window(image: np.ndarray, place: np.ndarray, shape: tuple[int, int], warp, angle: float) -> np.ndarray:
    """Cut a window at a place that is no whole pixel, by a cubic spline; the image's border is repeated."""
    border = BORDER + int(abs(np.sin(angle)) * max(shape))
    whole = np.floor(place).astype(int) - border
    rows, columns = (
        np.clip(np.arange(w, w + s + 2 * border), 0, n - 1) for w, s, n in zip(whole, shape, image.shape, strict=True)
    )
    around = image[rows[:, None], columns[None]]
    if warp is None and angle == 0:
        return ndimage.affine_transform(around, [1, 1], place - whole, shape, np.float32, 3, mode="mirror")
    half = (np.array(shape) - 1) / 2
    y, x = np.mgrid[: shape[0], : shape[1]] - half[:, None, None]
    y, x = np.cos(angle) * y + np.sin(angle) * x, np.cos(angle) * x - np.sin(angle) * y
    y, x = y + (place - whole + half)[0], x + (place - whole + half)[1]
    if warp is not None:
        y, x = y + warp[0], x + warp[1]
    return ndimage.map_coordinates(around, [y, x], np.float32, 3, mode="mirror")


def _remainder(shape: tuple[int, int], rms: float, rng: np.random.Generator) -> np.ndarray:
    """Return what a flat leaves behind of a sensor's pattern, of a given rms."""
    drawn = sensor_pattern(*shape, rng)
    log = np.log(drawn.dust * drawn.rings * drawn.response)
    return np.exp(log * (rms / log.std())).astype(np.float32)


def errors(placement: Placement, places: np.ndarray) -> np.ndarray:
    """Return each placed tile's error (n, 2), the mean taken off."""
    placed = np.isfinite(placement.positions[:, 0])
    off = placement.positions[placed] - places[placed]
    return off - off.mean(axis=0)
