"""General-purpose peers that place tiles: OpenCV's stitcher for scans, and plain correlation with least squares.

Both get the tiles in a form that they can use, and the places are read from what they hand back; a peer that fails is
counted with no tile placed.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
from diskmosaic.records.tile import Tile
from skimage.registration import phase_cross_correlation

MIN_SHARE, MIN_LIKE = 0.03, 0.3
"""Least shared area, and least correlation there, of a pair that counts."""


def stitched(tiles: list[Tile]) -> np.ndarray:
    """Place tiles by ``cv2.Stitcher`` in its mode for scans (affine), on 8-bit images at full size.

    Returns
    -------
    (n, 2)
        Places of the tiles' pixel (0, 0), right at their centres; NaN for those that it does not use.
    """
    level = np.percentile(np.stack([tile.image[::8, ::8] for tile in tiles]), 99.5)
    gray = [np.clip(tile.image * (230 / level), 0, 255).astype(np.uint8) for tile in tiles]
    stitcher = cv2.Stitcher.create(cv2.Stitcher_SCANS)
    stitcher.setRegistrationResol(-1)
    positions = np.full((len(tiles), 2), np.nan)
    try:
        state = stitcher.estimateTransform([cv2.cvtColor(image, cv2.COLOR_GRAY2BGR) for image in gray])
    except cv2.error:  # a tile with hardly a corner to match
        return positions
    if state != cv2.Stitcher_OK:
        return positions
    centre = (np.array(tiles[0].image.shape)[::-1] - 1) / 2
    for k, camera in zip(stitcher.component(), stitcher.cameras(), strict=True):
        # an affine matrix on (x, y) from the mosaic to the tile
        at = np.linalg.solve(camera.R.astype(float), [*centre, 1.0])
        positions[k] = (at[:2] - centre)[::-1]
    return positions


def plain(tiles: list[Tile]) -> np.ndarray:
    """Place tiles by scikit-image's `phase_cross_correlation` of all pairs, and plain least squares."""
    images = [tile.image / np.median(tile.image) for tile in tiles]
    shape = np.array(images[0].shape)
    rows, right, weights = [], [], []
    for a, b in combinations(range(len(tiles)), 2):
        found = phase_cross_correlation(images[a], images[b], upsample_factor=20, normalization="phase")[0]
        # the answer is known up to a whole turn of the image: the likeliest of the four counts
        ways = [found - np.sign(found) * shape * turn for turn in ((0, 0), (0, 1), (1, 0), (1, 1))]
        like, shift = max(((_likeness(images[a], images[b], way), tuple(way)) for way in ways), key=lambda one: one[0])
        if like > MIN_LIKE:
            row = np.zeros(len(tiles))
            row[b], row[a] = 1, -1
            rows.append(row)
            right.append(shift)
            weights.append(like)
    positions = np.full((len(tiles), 2), np.nan)
    if not rows:
        return positions
    positions = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
    tied = _largest_group(np.array(rows))
    positions[~tied] = np.nan
    return positions


def _likeness(a: np.ndarray, b: np.ndarray, shift: np.ndarray) -> float:
    """Return the correlation of what both see at a whole shift; -1 where that is little."""
    move = np.rint(shift).astype(int)
    low, high = np.maximum(move, 0), np.minimum(move + b.shape, a.shape)
    size = high - low
    if (size < 8).any() or size[0] * size[1] < MIN_SHARE * a.size:
        return -1.0
    one = a[low[0] : high[0], low[1] : high[1]]
    low, high = low - move, high - move
    other = b[low[0] : high[0], low[1] : high[1]]
    # at fine scales: limb darkening agrees anywhere
    fine = [image - cv2.GaussianBlur(image, (0, 0), 6) for image in (one, other)]
    return float(np.corrcoef(fine[0].ravel(), fine[1].ravel())[0, 1])


def _largest_group(rows: np.ndarray) -> np.ndarray:
    from scipy.sparse.csgraph import connected_components

    touching = np.abs(rows)
    _, label = connected_components(touching.T @ touching, directed=False)
    return label == np.argmax(np.bincount(label))


PEERS = {"cv2 scans": stitched, "phase + lstsq": plain}
