"""The sensor's pattern as the motion inside the recordings tells it: from two means of the same frames.

A tile keeps the mean of its frames as they lie on the sensor beside the mean of its frames laid upon each other. The
Sun moved between the frames, the pattern did not, and the tile knows by how much: what the two means say of the pattern
holds nothing of the Sun (`diskmosaic.arrays.standing`), however strong its own structure and however few the tiles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.standing import find_standing, response
from diskmosaic.arrays.warped import warped_mean
from diskmosaic.parallel import ordered_map
from diskmosaic.progress import Progress, silent
from diskmosaic.records.image import FloatImage
from diskmosaic.records.tile import Tile
from diskmosaic.remainder.imprint import Smear
from diskmosaic.remainder.remainder import high_pass
from diskmosaic.tiles.finer import tile_on_frames
from diskmosaic.tiles.regions import Regions, find_regions
from diskmosaic.trial.samples import odd_pixels

LEAST_TILES = 2  # each half of the tiles has to say something
LEAST_FRAMES = 8  # fewer have hardly moved
LEAST_MOTION_PX = 0.3  # rms
MOST_MOTION_PX = 40.0  # further off than this the frames' average over displacements takes minutes
BORDER_PX = 12  # from the limb and from the sensor's border: there the means see different things
LEAST_COVER = 1e-3
TRAIL = 2.5  # times the rms displacement: so far a bad pixel's trail reaches


def find_pattern(
    tiles: Sequence[Tile], regions: Sequence[Regions], *, jobs: int = 1, progress: Progress = silent
) -> FloatImage | None:
    """Find what the frames of all tiles share at rest.

    Parameters
    ----------
    tiles : sequence of Tile
        On their frames' pixels.
    regions : sequence of Regions
        Of the tiles.
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    float32 (h, w) or None
        Logarithm of the pattern on the sensor. None where the tiles do not tell: no mean on the sensor kept, stills,
        hardly any motion, too few tiles.
    """
    telling = [pair for pair in zip(tiles, regions, strict=True) if _tells(pair[0])]
    if len(telling) < LEAST_TILES:
        return None
    parts = ordered_map(lambda pair: _residual(*pair), telling, jobs=jobs)
    label = "pattern by the Sun's motion on the sensor"
    residuals, masks, responses = zip(*progress(parts, label, total=len(telling), unit="tiles"), strict=True)
    pattern = find_standing(residuals, masks, responses, workers=jobs)
    return high_pass(pattern, np.ones(pattern.shape, bool))  # what is slower is left to the levels' surface


def less_pattern(tile: Tile, pattern: FloatImage) -> Tile:
    """Take a pattern on the sensor out of a tile, smeared as its frames have smeared it.

    Parameters
    ----------
    tile : Tile
    pattern : float32 (h, w)
        Its logarithm.
    """
    return replace(tile, image=tile.image / Smear(tile).ratio(np.exp(pattern)))


def mend_by_motion(
    tiles: Sequence[Tile], *, jobs: int = 1, progress: Progress = silent
) -> tuple[list[Tile], FloatImage | None]:
    """Take the pattern that `find_pattern` finds out of all tiles; also returns it."""
    seen = [tile_on_frames(tile) for tile in tiles]
    pattern = find_pattern(seen, find_regions(seen), jobs=jobs, progress=progress)
    if pattern is None:
        return list(tiles), None
    return list(ordered_map(lambda tile: less_pattern(tile, pattern), tiles, jobs=jobs)), pattern


def _tells(tile: Tile) -> bool:
    if tile.sensor_mean is None or tile.fields is None:
        return False
    shifts, weights = tile.moves()
    if len(weights) < LEAST_FRAMES:
        return False
    rms = np.sqrt(np.average(np.sum(shifts**2, axis=1), weights=weights))
    return bool(rms >= LEAST_MOTION_PX and np.abs(shifts).max() <= MOST_MOTION_PX)


def _residual(tile: Tile, region: Regions) -> tuple[FloatImage, NDArray[np.bool_], NDArray[np.float32]]:
    """log of the mean on the sensor over the tile put back there; where that is known; what it shows of a pattern."""
    local, weights = tile.local_moves()
    lit = np.isfinite(tile.image) & (tile.image > 0)
    back, cover = warped_mean(np.where(lit, tile.image, np.float32(0)), -local, weights)
    back /= np.maximum(cover, LEAST_COVER)
    disk = np.zeros(lit.shape, np.uint8)
    disk[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = 1
    disk &= cv2.erode((lit & region.disk).astype(np.uint8), np.ones((2 * BORDER_PX + 1,) * 2, np.uint8))
    # a bad pixel that no master knows leaves a trail in the tile
    reach = 2 * int(np.ceil(TRAIL * np.sqrt(np.mean(np.square(local))))) + 1
    odd = cv2.dilate(odd_pixels(tile.sensor_mean).astype(np.uint8), np.ones((reach, reach), np.uint8))
    mask = (disk > 0) & (back > 0) & (tile.sensor_mean > 0) & (odd == 0)
    ratio = np.where(mask, tile.sensor_mean, np.float32(1)) / np.where(mask, back, np.float32(1))
    return np.log(ratio), mask, response(tile.image.shape, local, weights)
