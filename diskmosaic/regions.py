"""Which pixels of the tiles show disk, sky or nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.records import Tile
from diskmosaic.rough_limb import sky_mask

MIN_SEEN = 0.3  # pixels with a smaller share of the tile's frames are not judged by
LEAST_DISK_PX = 50  # pixels that are not sky; a hot one, softened, makes a dozen
LIMB_MARGIN_PX = 25  # structure this near to the limb is not compared: all limbs look alike


@dataclass(frozen=True)
class Regions:
    """Masks of one tile, True where the name says.

    Attributes
    ----------
    seen : bool (h, w)
        Enough frames.
    sky : bool (h, w)
        Beyond the limb.
    disk : bool (h, w)
        On the disk, away from the limb, and seen.
    """

    seen: NDArray[np.bool_]
    sky: NDArray[np.bool_]
    disk: NDArray[np.bool_]

    @property
    def only_sky(self) -> bool:
        """Whether there is nothing of the disk."""
        return np.count_nonzero(self.seen & ~self.sky) < LEAST_DISK_PX


def well_seen(tile: Tile) -> NDArray[np.bool_]:
    """Return True where enough of a tile's frames show something."""
    return np.isfinite(tile.image) & (tile.weight > MIN_SEEN * tile.weight.max())


def find_regions(tiles: Sequence[Tile]) -> list[Regions]:
    """Part disk from sky in all tiles, by the brightness that is typical of their disk."""
    images = [np.where(np.isfinite(tile.image), tile.image, 0).astype(np.float32) for tile in tiles]
    level = float(np.median([np.percentile(image[::4, ::4], 95) for image in images]))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * LIMB_MARGIN_PX + 1,) * 2)
    regions = []
    for tile, image in zip(tiles, images, strict=True):
        seen = well_seen(tile)
        sky = sky_mask(image, level)
        regions.append(Regions(seen, sky, (cv2.dilate(sky.astype(np.uint8), kernel) == 0) & seen))
    return regions
