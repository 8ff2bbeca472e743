"""Local features that several images of one sensor share, each predicted by the others.

Dust is local in place, not in frequency: the agreement between images is judged here in bands of scales, place by
place, as `diskmosaic.arrays.shared` judges it frequency by frequency. Where the images' mean stands far out of its
scatter, at any scale, there is a speck: inside its outline all scales are believed, its sharp edge included.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.resample import smooth_wide

SCALES_PX = (1.0, 2.0, 4.0, 8.0, 16.0)  # Gaussian widths that part the bands
SEED_SIGMA = 6.0  # a mean this far out of its scatter is a speck ...
OUTLINE_SIGMA = 3.0  # ... which reaches to here
REACH = 2.0  # agreement is judged over this many band widths
BELIEVED = (0.6, 0.9)  # shrinkage below the first is chance, above the second is kept whole


def predict_specks(
    images: Sequence[NDArray[np.float32]], weights: Sequence[NDArray[np.float32]], *, min_images: int
) -> list[NDArray[np.float32]]:
    """Return what the others say of each image's share of common local features.

    Parameters
    ----------
    images : sequence of float32 (h, w)
        High-passed, 0 where `weights` is 0.
    weights : sequence of float32 (h, w)
        Inverse variance; 0 where an image may not be used.
    min_images : int
        Places that fewer images see are left at 0.

    Returns
    -------
    list of float32 (h, w)
    """
    found = [np.zeros(image.shape, np.float32) for image in images]
    total_weight = np.maximum(np.sum(weights, axis=0), 1e-12)
    enough = np.sum([weight > 0 for weight in weights], axis=0) >= min_images
    inside = cv2.GaussianBlur(find_specks(images, weights).astype(np.float32), (0, 0), 1.0)
    finer = list(images)
    for scale in (*SCALES_PX, None):  # None: what is coarser than the last
        coarser = None if scale is None else [smooth_wide(image, scale) for image in images]
        bands = finer if coarser is None else [a - b for a, b in zip(finer, coarser, strict=True)]
        finer = coarser
        total = np.sum([w * band for w, band in zip(weights, bands, strict=True)], axis=0)
        predicted = []
        agreement, power = np.zeros_like(total), np.zeros_like(total)
        for band, weight in zip(bands, weights, strict=True):
            rest = np.maximum(total_weight - weight, 0.05 * total_weight)
            others = (total - weight * band) / rest
            predicted.append(others)
            agreement += weight * band * others
            power += weight * np.square(others)
        reach = REACH * (scale or SCALES_PX[-1])
        agreement, power = (smooth_wide(part, reach) for part in (agreement, power))
        shrink = np.clip(agreement / np.maximum(power, 1e-30), 0, 1)
        shrink *= np.clip((shrink - BELIEVED[0]) / (BELIEVED[1] - BELIEVED[0]), 0, 1)
        shrink = np.maximum(shrink, inside) * enough
        for one, others in zip(found, predicted, strict=True):
            one += shrink * others
    return found


def find_specks(images: Sequence[NDArray[np.float32]], weights: Sequence[NDArray[np.float32]]) -> NDArray[np.bool_]:
    """Return True where the images' weighted mean stands out of its scatter, with all that hangs together with it.

    Parameters
    ----------
    images, weights
        As for `predict_specks`.
    """
    outline = np.zeros(images[0].shape, bool)
    for scale in SCALES_PX[:-1]:
        up = [smooth_wide(w * image, scale) for w, image in zip(weights, images, strict=True)]
        down = [smooth_wide(w, scale) for w in weights]
        total = np.maximum(np.sum(down, axis=0), 1e-12)
        mean = np.sum(up, axis=0) / total
        scatter = sum(np.square(u - d * mean) for u, d in zip(up, down, strict=True)) / total**2
        # one place has few images to judge by: its neighbourhood steadies the scatter
        sigma = np.sqrt(np.maximum(smooth_wide(scatter, 4 * scale), 1e-20))
        reach = (np.abs(mean) > OUTLINE_SIGMA * sigma).astype(np.uint8)
        seeds = np.abs(mean) > SEED_SIGMA * sigma
        count, labels = cv2.connectedComponents(reach, connectivity=8)
        kept = np.bincount(labels[seeds], minlength=count) > 0
        kept[0] = False
        size = 2 * int(np.ceil(scale)) + 1
        speck = kept[labels].astype(np.uint8)
        outline |= cv2.dilate(speck, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))) > 0
    return outline
