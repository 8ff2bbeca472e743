"""The tiles' structure as placement compares it: at several resolutions, less what all tiles share on the sensor."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diskmosaic.arrays.correlation import Texture, shrink, texture
from diskmosaic.records import Tile
from diskmosaic.regions import find_regions

SEARCH_PX = 480  # longest side of a tile in the search
BAND_PX = (1.5, 12.0)  # Gaussian widths of the structure that is compared, at the resolution in use
PATTERN_TILES = 6  # from so many tiles on, their median is taken for what is fixed to the sensor
PATTERN_SEEN = 3  # tiles that must see a pixel of the disk there; elsewhere it is not compared


class Scene:
    """The tiles' structure at the resolutions in use, computed once each."""

    def __init__(self, tiles: Sequence[Tile]):
        self.tiles = tiles
        self.images = [np.where(np.isfinite(t.image), t.image, 0).astype(np.float32) for t in tiles]
        self.regions = find_regions(tiles)
        height, width = self.images[0].shape
        self.factor = max(1, round(max(height, width) / SEARCH_PX))
        self._cache: dict[int, list[Texture]] = {}

    def textures(self, factor: int) -> list[Texture]:
        """Structure of all tiles at ``1/factor`` resolution, less what all tiles share on the sensor."""
        if factor not in self._cache:
            made = [
                texture(
                    shrink(image, factor),
                    shrink(region.disk.astype(np.float32), factor) > 0.99,
                    fine_px=BAND_PX[0],
                    coarse_px=BAND_PX[1],
                )
                for image, region in zip(self.images, self.regions, strict=True)
            ]
            self._cache[factor] = _without_pattern(made)
        return self._cache[factor]


def _without_pattern(textures: list[Texture]) -> list[Texture]:
    """Subtract the median over tiles: remainders of dust and rings would tie any two tiles at shift zero."""
    if len(textures) < PATTERN_TILES:
        return textures
    shape = textures[0].values.shape
    pattern = np.empty(shape, np.float32)
    enough = np.empty(shape, bool)
    rows = 64
    for top in range(0, shape[0], rows):
        block = np.stack([t.values[top : top + rows] for t in textures])
        good = np.stack([t.good[top : top + rows] for t in textures])
        enough[top : top + rows] = good.sum(axis=0) >= PATTERN_SEEN
        block[~good] = np.nan
        block[:, ~enough[top : top + rows]] = 0
        pattern[top : top + rows] = np.nanmedian(block, axis=0)
    cleaned = []
    for one in textures:
        good = one.good & enough
        cleaned.append(Texture(np.where(good, one.values - pattern, 0).astype(np.float32), good))
    return cleaned
