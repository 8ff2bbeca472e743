"""What tiles show on blocks: the same place in two tiles, the sky off the limb, the whole disk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays import cellsums
from diskmosaic.arrays.correlation import overlap_windows
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import Tile
from diskmosaic.tiles.regions import well_seen

BLOCK_PX = 16  # brightness is compared on blocks of this size
CELL_PX = 64  # blocks nearer to each other than this err alike
LIMB_KEEP_OUT = 0.985  # of the radius: beyond, a fraction of a pixel changes the brightness
SKY_FROM = 1.03  # of the radius: nearer, spicules and the blurred limb shine
SKY_CEILING = 0.15  # of the disk's level: what is brighter is no offset
DISK_SHARE = 0.3  # where no limb is known: blocks darker than this share of the tile's brightest are left out


@dataclass(frozen=True)
class Blocks:
    """Places that two tiles see.

    Attributes
    ----------
    a, b : (n,)
        The tiles.
    mean_a, mean_b : (n,)
        Their light, in units of the disk's level.
    at_a, at_b : (n, 2)
        Where on the sensor (y, x), in [-1, 1].
    cell : (n,)
        Number of the pair's cell: blocks of one cell err alike.
    """

    a: NDArray[np.intp]
    b: NDArray[np.intp]
    mean_a: NDArray[np.float64]
    mean_b: NDArray[np.float64]
    at_a: NDArray[np.float64]
    at_b: NDArray[np.float64]
    cell: NDArray[np.intp]

    def part(self, taken: NDArray[np.bool_]) -> Blocks:
        """Return some of the places, their cells counted anew."""
        values = {field.name: getattr(self, field.name)[taken] for field in fields(self)}
        return Blocks(**values | {"cell": np.unique(values["cell"], return_inverse=True)[1]})


@dataclass(frozen=True)
class DiskBlocks:
    """What tiles show of the disk.

    Attributes
    ----------
    tile : (n,)
    light : (n,)
        ADU.
    sensor, disk : (n, 2)
        (y, x) on the sensor in [-1, 1], and from the disk's centre in radii.
    """

    tile: NDArray[np.intp]
    light: NDArray[np.float64]
    sensor: NDArray[np.float64]
    disk: NDArray[np.float64]


def disk_level(tiles: Sequence[Tile], placed: NDArray[np.intp]) -> float:
    """Return the brightness that is typical of the tiles' disk, ADU."""
    return float(np.median([np.nanpercentile(tiles[k].image[::8, ::8], 95) for k in placed]))


def compare_overlaps(tiles: Sequence[Tile], placement: Placement, placed: NDArray[np.intp], level: float) -> Blocks:
    """Compare all overlapping pairs on blocks of the disk; light in units of `level`."""
    shape = tiles[0].image.shape
    half = (np.array(shape) - 1) / 2
    known = {k: well_seen(tiles[k]) for k in placed}
    rows: list[tuple] = []
    cells = 0
    for i, a in enumerate(placed):
        for b in placed[i + 1 :]:
            between = placement.between(a, b)
            if np.allclose(between[:, :2], np.eye(2), atol=1e-3):
                whole = np.rint(between[:, 2])
                other, seen = tiles[b].image, known[b]
                windows = overlap_windows(shape, shape, (int(whole[0]), int(whole[1])))
            else:
                # a tile turned against the other is turned onto it
                other, seen = _turned_onto(tiles[b].image, known[b], between)
                windows = (slice(0, shape[0]), slice(0, shape[1])), (slice(0, shape[0]), slice(0, shape[1]))
            if windows is None or min(w.stop - w.start for w in windows[0]) < 2 * BLOCK_PX:
                continue
            parts = [(tiles[a].image[windows[0]], known[a][windows[0]]), (other[windows[1]], seen[windows[1]])]
            means, wholes = zip(*(block_means(*part) for part in parts), strict=True)
            good = wholes[0] & wholes[1]
            index = np.indices(means[0].shape).reshape(2, -1).T
            grid = index * BLOCK_PX + (BLOCK_PX - 1) / 2
            at_a = grid + np.array([windows[0][0].start, windows[0][1].start])
            good = good & _on_disk(means, tiles, (a, b), placement.to_mosaic(a, at_a), placement.limb)
            take = good.reshape(-1)
            if take.sum() < 4:
                continue
            cell = (index[take] * BLOCK_PX // CELL_PX) @ (4096, 1)
            names, cell = np.unique(cell, return_inverse=True)
            light = [mean.reshape(-1)[take] / level for mean in means]
            rows.append((np.full(take.sum(), a), np.full(take.sum(), b), *light))
            at_b = (at_a[take] - between[:, 2]) @ np.linalg.inv(between[:, :2]).T
            rows[-1] += ((at_a[take] - half) / half, (at_b - half) / half, cells + cell)
            cells += len(names)
    if not rows:
        none, at = np.zeros(0), np.zeros((0, 2))
        return Blocks(none.astype(int), none.astype(int), none, none, at, at, none.astype(int))
    a, b, mean_a, mean_b, at_a, at_b, cell = (np.concatenate(part) for part in zip(*rows, strict=True))
    return Blocks(a, b, mean_a.astype(float), mean_b.astype(float), at_a, at_b, cell)


def sky_levels(
    tiles: Sequence[Tile], placement: Placement, placed: NDArray[np.intp], level: float
) -> dict[int, tuple[float, float]]:
    """Return each tile's light off the limb and its standard error, in units of `level`; tiles without sky left out."""
    found = {}
    limb = placement.limb
    if limb is None:
        return found
    for k in placed:
        mean, whole = block_means(tiles[k].image, well_seen(tiles[k]))
        at = np.indices(mean.shape).reshape(2, -1).T * BLOCK_PX + (BLOCK_PX - 1) / 2
        off = np.hypot(*(placement.to_mosaic(k, at) - limb.centre_yx).T) - BLOCK_PX > SKY_FROM * limb.radius_px
        values = mean.reshape(-1)[whole.reshape(-1) & off].astype(float) / level
        if len(values) < 6:
            continue
        for _ in range(5):
            # prominences shine only upwards
            middle = np.median(values)
            spread = 1.4826 * np.median(np.abs(values - middle))
            values = values[values <= middle + 2.5 * spread + 1e-9]
        if middle < SKY_CEILING:
            # the sky's own slope away from the limb counts as error
            found[int(k)] = (float(middle), float(max(spread, 2e-4)))
    return found


def disk_blocks(tiles: Sequence[Tile], placement: Placement, placed: NDArray[np.intp], outer: float) -> DiskBlocks:
    """Return the blocks of the disk within `outer` radii."""
    half = (np.array(tiles[0].image.shape) - 1) / 2
    limb = placement.limb
    rows = []
    for k in placed:
        mean, whole = block_means(tiles[k].image, well_seen(tiles[k]))
        at = np.indices(mean.shape).reshape(2, -1).T * BLOCK_PX + (BLOCK_PX - 1) / 2
        disk = (placement.to_mosaic(k, at) - limb.centre_yx) / limb.radius_px
        take = whole.reshape(-1) & (np.hypot(*disk.T) < outer) & (mean.reshape(-1) > 0)
        light = mean.reshape(-1)[take].astype(float)
        rows.append((np.full(len(light), k), light, (at[take] - half) / half, disk[take]))
    return DiskBlocks(*(np.concatenate(part) for part in zip(*rows, strict=True)))


def _turned_onto(
    image: FloatImage, known: NDArray[np.bool_], between: NDArray[np.float64]
) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Return an image on another's pixels; `between` (2, 3) leads from its (y, x) to the other's."""
    # OpenCV's points are (x, y)
    matrix = between[::-1, [1, 0, 2]]
    filled = np.where(known, image, np.float32(0))
    size = image.shape[::-1]
    seen = cv2.warpAffine(known.astype(np.float32), matrix, size, flags=cv2.INTER_LINEAR) > 0.999
    return cv2.warpAffine(filled, matrix, size, flags=cv2.INTER_LINEAR), seen


def block_means(image: FloatImage, known: NDArray[np.bool_]) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Return the means of blocks, and which blocks are known whole."""
    mean = cellsums.block_means(np.where(known, image, np.float32(0)), BLOCK_PX)
    return mean, cellsums.block_means(known.astype(np.float32), BLOCK_PX) > 0.999


def _on_disk(means, tiles, pair, at: NDArray[np.float64], limb: Circle | None) -> NDArray[np.bool_]:
    bright = np.ones(means[0].shape, bool)
    for mean, k in zip(means, pair, strict=True):
        ceiling = float(np.nanpercentile(tiles[k].image[::8, ::8], 99))
        bright &= mean > DISK_SHARE * ceiling if limb is None else mean > 0.05 * ceiling
    if limb is not None:
        radius = np.hypot(*(at - limb.centre_yx).T).reshape(means[0].shape)
        bright &= radius + BLOCK_PX < LIMB_KEEP_OUT * limb.radius_px
    return bright
