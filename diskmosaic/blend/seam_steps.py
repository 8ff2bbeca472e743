"""How even the finished disk is: the step of brightness across every seam, as the disk itself shows it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.radial import radius_map
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Circle

DEPTH_PX, LENGTH_PX, GAP_PX = 12, 24, 2  # of the strips on either side of a seam, and how far off it they begin
OUTER = 0.95  # radii: nearer to the limb the centre-to-limb curve makes steps of its own
DARKEST = 0.2  # of the disk's level: sky and spots' cores have no brightness to compare
BAND_ROWS = 512  # rows looked at at a time
EVERY = 7  # one in so many places away from seams is looked at for the scatter


@dataclass(frozen=True)
class SeamStep:
    """Where two tiles meet: their indices, the seam's length (px), log brightness of b over a, its standard error."""

    a: int
    b: int
    length_px: int
    step: float
    sigma: float


def seam_steps(image: FloatImage, tile: NDArray[np.int16], limb: Circle | None) -> list[SeamStep]:
    """Measure the step across each pair's seam.

    Parameters
    ----------
    image : float32 (h, w)
        The uniform disk (the natural one where there is none); NaN where uncovered.
    tile : int16 (h, w)
        Which tile each pixel is from; -1 none.
    limb : Circle or None

    Returns
    -------
    list of SeamStep
        In order of the indices; pairs that share less than two strips' length are left out.

    Notes
    -----
    A step is the median, along the seam, of the difference of mean log brightness of two strips. Its error is what the
    same difference scatters by away from seams, where it is the Sun's own structure, over the root of the number of
    strips that the seam is long.
    """
    level = float(np.nanmedian(image[::4, ::4])) if np.isfinite(image[::4, ::4]).any() else np.nan
    if not level > 0:
        return []
    steps: dict[tuple[int, int], list[NDArray[np.float32]]] = {}
    elsewhere: list[NDArray[np.float32]] = []
    for turned in (False, True):
        rows = image.shape[1] if turned else image.shape[0]
        for start in range(0, rows, BAND_ROWS):
            low, high = max(start - LENGTH_PX, 0), min(start + BAND_ROWS + LENGTH_PX, rows)
            part = (slice(None), slice(low, high)) if turned else (slice(low, high), slice(None))
            light, owner = np.asarray(image[part], np.float32), tile[part]
            good = np.isfinite(light) & (light > DARKEST * level) & (owner >= 0)
            if limb is not None:
                good &= _radius(image.shape, limb, part) < OUTER
            light, owner, good = (np.ascontiguousarray(a.T if turned else a) for a in (light, owner, good))
            if light.shape[1] <= 2 * (DEPTH_PX + GAP_PX):
                continue
            own = slice(start - low, min(start + BAND_ROWS, rows) - low)
            _collect(light, owner, good, own, steps, elsewhere)
    away = np.concatenate(elsewhere) if elsewhere else np.zeros(0, np.float32)
    scatter = 1.4826 * float(np.median(np.abs(away))) if away.size else np.nan
    found = []
    for (a, b), parts in sorted(steps.items()):
        values = np.concatenate(parts)
        if len(values) >= 2 * LENGTH_PX:
            # 1.25: a median's error against a mean's
            sigma = 1.25 * scatter / np.sqrt(len(values) / LENGTH_PX)
            found.append(SeamStep(a, b, len(values), float(np.median(values)), float(sigma)))
    return found


def _radius(shape: tuple[int, int], limb: Circle, part: tuple[slice, slice]) -> NDArray[np.float32]:
    rows, columns = part
    if rows == slice(None):
        # a band of columns is one of rows of the transposed disk
        turned = radius_map(shape[::-1], limb.centre_yx[::-1], limb.radius_px, rows=columns)
        return turned.T
    return radius_map(shape, limb.centre_yx, limb.radius_px, rows=rows)


def _collect(light, owner, good, own: slice, steps, elsewhere) -> None:
    """Add the differences along x of the band's rows `own`: at seams to `steps`, others to `elsewhere`."""
    values = np.where(good, np.log(np.where(good, light, 1)), 0).astype(np.float32)
    step, seam, clear, (first, second) = strips_along_x(values, np.where(good, owner, -1), DEPTH_PX, LENGTH_PX)
    mine = np.zeros((len(step), 1), bool)
    mine[own] = True
    elsewhere.append(step[clear & mine][::EVERY])
    at = seam & mine
    first, second = first[at], second[at]
    value = np.where(first < second, step[at], -step[at])
    names = np.stack([np.minimum(first, second), np.maximum(first, second)], axis=1)
    for pair in np.unique(names, axis=0):
        key = (int(pair[0]), int(pair[1]))
        steps.setdefault(key, []).append(value[(names == pair).all(axis=1)])


def strips_along_x(values: NDArray[np.float32], owner: NDArray[np.int16], depth_px: int, length_px: int):
    """Compare strips to the left and right of every place between two columns.

    Parameters
    ----------
    values : float32 (h, w)
        0 where `owner` is -1.
    owner : int16 (h, w)
        Tile of each pixel; -1 where nothing can be compared.
    depth_px, length_px : int
        Of a strip along x and y, even.

    Returns
    -------
    step : float32 (h, n)
        Mean of the right strip less that of the left; each begins `GAP_PX` off the place.
    seam, clear : bool (h, n)
        Places between two tiles; places with no seam near. Both: strips wholly seen.
    owners : two of int16 (h, n)
        The tile on the left and on the right.
    """
    good = owner >= 0
    box = (depth_px, length_px)
    share = cv2.blur(good.astype(np.float32), box)
    mean = cv2.blur(values, box) / np.maximum(share, 1e-6)
    # blur's window of even width reaches depth/2 to the left and depth/2 - 1 to the right of its anchor
    near, far = GAP_PX + depth_px // 2 - 1, GAP_PX + 1 + depth_px // 2
    step = mean[:, near + far :] - mean[:, : -near - far]
    whole = np.minimum(share[:, near + far :], share[:, : -near - far]) > 0.999
    last = owner.shape[1] - far
    here, there = owner[:, near:last], owner[:, near + 1 : last + 1]
    seam = (here != there) & (here >= 0) & (there >= 0)
    edge = (here != there) | (np.diff(owner, axis=0, prepend=owner[:1]) != 0)[:, near:last]
    reach = np.ones((length_px + 1, 2 * (depth_px + GAP_PX + 1) + 1), np.uint8)
    clear = cv2.dilate(edge.astype(np.uint8), reach) == 0
    return step, seam & whole, clear & whole, (here, there)
