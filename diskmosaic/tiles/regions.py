"""Which pixels of the tiles show disk, sky or nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.limb.rough import sky_mask
from diskmosaic.records.image import FloatImage
from diskmosaic.records.tile import Tile

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
    level = float(np.median([np.percentile(_filled(tile.image[::4, ::4]), 95) for tile in tiles]))
    regions = []
    for tile in tiles:
        seen = well_seen(tile)
        sky = sky_mask(_filled(tile.image), level)
        disk = seen
        if sky.any():
            # within 0.5 px of the distance: it is counted along steps of 5 x 5 px
            away = cv2.distanceTransform((~sky).astype(np.uint8), cv2.DIST_L2, 5)
            disk = seen & (away > LIMB_MARGIN_PX)
        regions.append(Regions(seen, sky, disk))
    return regions


def _filled(image: FloatImage) -> FloatImage:
    """Return an image with 0 where nothing is known."""
    known = np.isfinite(image)
    return np.asarray(image, np.float32) if known.all() else np.where(known, image, np.float32(0)).astype(np.float32)
