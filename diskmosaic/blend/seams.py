"""Where tiles are joined: what changed between them is taken whole from one, and seams are led around it.

All of it works on a coarse canvas of COARSE x COARSE pixels: the coarse values of each tile where it was laid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.records.image import FloatImage

COARSE = 4  # px of the canvas to a coarse one, on each axis
NARROW_PX = 3  # fine structure goes from one tile to the next over two boxes of this width
SLOW_PX = 16.0  # Gaussian sigma of what is blended widely
NOISE_SIGMA = 6.0  # a change stands out of the scatter of the tiles' differences by this
MISPLACED_PX = 1.0  # differences that a displacement of this explains are no change
CHANGE_SHARE = 0.08  # of the place's own brightness, and
CHANGE_LEVEL = 0.01  # of the disk's level: smaller changes are blended
GROW_SHARE = 0.3  # of the threshold, down to which a change belongs to it
MARGIN_PX = 8  # a change is taken with so much around it
LEAST_CELLS = 4  # coarse pixels


@dataclass(frozen=True)
class Laid:
    """A tile on the canvas.

    Attributes
    ----------
    window : (slice, slice)
        Of the canvas; its borders are multiples of COARSE.
    value : float32 (h, w)
        Levelled brightness.
    share : float16 (h, w)
        Weight by place, noise and sharpness; 0 where the tile sees nothing.
    frames : float16 (h, w)
        Frames that made each pixel.
    """

    window: tuple[slice, slice]
    value: FloatImage
    share: NDArray[np.float16]
    frames: NDArray[np.float16]

    @property
    def coarse(self) -> tuple[slice, slice]:
        """The window on the coarse canvas."""
        return tuple(slice(part.start // COARSE, part.stop // COARSE) for part in self.window)


@dataclass(frozen=True)
class Slow:
    """A tile on the coarse canvas: means of its pixels, its weight there (0 where not whole)."""

    value: FloatImage
    share: FloatImage


def coarse_of(laid: Laid) -> Slow:
    """Average a laid tile over coarse pixels that it sees whole."""
    size = (laid.value.shape[1] // COARSE, laid.value.shape[0] // COARSE)
    seen = (laid.share > 0).astype(np.float32)
    whole = cv2.resize(seen, size, interpolation=cv2.INTER_AREA) > 0.999
    share = cv2.resize(laid.share.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return Slow(cv2.resize(laid.value, size, interpolation=cv2.INTER_AREA), np.where(whole, share, np.float32(0)))


def changed_places(laid: Sequence[Laid], slow: Sequence[Slow], shape: tuple[int, int]) -> NDArray[np.int16]:
    """Find what changed or moved between tiles.

    Parameters
    ----------
    laid, slow : sequences
        The tiles.
    shape : (h, w)
        Of the coarse canvas.

    Returns
    -------
    int16 (h, w)
        Index into `laid` of the tile that a changed place is to be taken from; -1 where nothing changed.
    """
    low, high = np.full(shape, np.inf, np.float32), np.full(shape, -np.inf, np.float32)
    count = np.zeros(shape, np.int16)
    for one, own in zip(laid, slow, strict=True):
        seen = own.share > 0
        part = one.coarse
        low[part] = np.where(seen, np.minimum(low[part], own.value), low[part])
        high[part] = np.where(seen, np.maximum(high[part], own.value), high[part])
        count[part] += seen
    taken = np.full(shape, -1, np.int16)
    both = count > 1
    if both.sum() < LEAST_CELLS:
        return taken
    difference = np.zeros(shape, np.float32)
    difference[both] = high[both] - low[both]
    middle = np.zeros(shape, np.float32)
    middle[count > 0] = (high[count > 0] + low[count > 0]) / 2
    level = float(np.percentile(middle[count > 0], 90))
    slope = _steepest(middle, count > 0)
    typical = float(np.median(difference[both]))
    limit = NOISE_SIGMA * 1.4826 * typical + MISPLACED_PX / (2 * COARSE) * slope
    limit += CHANGE_LEVEL * level + CHANGE_SHARE * np.abs(middle)
    smooth = cv2.GaussianBlur(difference, (0, 0), 0.7)
    near = (smooth > GROW_SHARE * limit) & both
    cells, number = ndimage.label(near, np.ones((3, 3)))
    strong = np.bincount(cells[(smooth > limit) & both], minlength=number + 1)
    kept = (strong >= LEAST_CELLS)[cells] & near
    reach = 2 * (MARGIN_PX // COARSE) + 1
    wide = cv2.dilate(kept.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    parts, number = ndimage.label(wide, np.ones((3, 3)))
    for index, box in enumerate(ndimage.find_objects(parts), 1):
        here = parts[box] == index
        best = _best_tile(laid, slow, box, here)
        taken[box][here] = best
    return taken


def _steepest(image: FloatImage, known: NDArray[np.bool_]) -> FloatImage:
    """Largest difference within 2 coarse pixels, a little spread; 0 at the border of what is known."""
    kernel = np.ones((3, 3), np.uint8)
    inside = cv2.erode(known.astype(np.uint8), kernel) > 0
    rise = cv2.dilate(image, kernel) - cv2.erode(image, kernel)
    return cv2.blur(np.where(inside, rise, np.float32(0)), (3, 3))


def _best_tile(laid: Sequence[Laid], slow: Sequence[Slow], box: tuple[slice, slice], here: NDArray[np.bool_]) -> int:
    """The tile that sees most of a change; of several that see all of it, the one that weighs most there."""
    best, score = -1, (0.0, 0.0)
    for k, (one, own) in enumerate(zip(laid, slow, strict=True)):
        share = np.zeros(here.shape, np.float32)
        window = one.coarse
        low = [max(a.start, b.start) for a, b in zip(box, window, strict=True)]
        high = [min(a.stop, b.stop) for a, b in zip(box, window, strict=True)]
        if low[0] >= high[0] or low[1] >= high[1]:
            continue
        theirs = tuple(slice(a - w.start, b - w.start) for a, b, w in zip(low, high, window, strict=True))
        mine = tuple(slice(a - w.start, b - w.start) for a, b, w in zip(low, high, box, strict=True))
        share[mine] = own.share[theirs]
        found = (round(float(np.mean(share[here] > 0)), 2), float(share[here].mean()))
        if found > score:
            best, score = k, found
    return best


def owners(laid: Sequence[Laid], taken: NDArray[np.int16], shape: tuple[int, int]) -> NDArray[np.int16]:
    """Return which of `laid` each pixel of the canvas is taken from; -1 where none sees it."""
    owner, strongest = np.full(shape, -1, np.int16), np.zeros(shape, np.float32)
    for k, one in enumerate(laid):
        share = one.share.astype(np.float32)
        own = taken[one.coarse]
        if (own >= 0).any():
            here = np.repeat(np.repeat(own, COARSE, axis=0), COARSE, axis=1)
            share *= np.where(here < 0, 1, np.where(here == k, 1000, 0.001)).astype(np.float32)
        better = share > strongest[one.window]
        owner[one.window][better] = k
        strongest[one.window][better] = share[better]
    return owner


def narrow_weight(owner: NDArray[np.int16], k: int, one: Laid) -> FloatImage:
    """Return how much fine structure is taken from tile k: 1 in its own part, falling to 0 over a few px."""
    mine = (owner[one.window] == k).astype(np.float32)
    mine = cv2.blur(mine, (NARROW_PX, NARROW_PX), borderType=cv2.BORDER_CONSTANT)
    mine = cv2.blur(mine, (NARROW_PX, NARROW_PX), borderType=cv2.BORDER_CONSTANT)
    # sums of boxes leave rounding where there is nothing
    return np.where((one.share > 0) & (mine > 1e-5), mine, np.float32(0))


def slow_differences(
    laid: Sequence[Laid], slow: Sequence[Slow], taken: NDArray[np.int16], shape: tuple[int, int]
) -> list[FloatImage]:
    """Return each tile's slow difference (coarse) from the wide blend of all, which is to be taken off it.

    Changed places and the limb do not speak: there, what lies around them is continued.
    """
    light, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for one, own in zip(laid, slow, strict=True):
        light[one.coarse] += own.share * own.value
        weight[one.coarse] += own.share
    base = light / np.maximum(weight, 1e-12)
    known = weight > 0
    steep = _steepest(base, known) > 0.15 * (float(np.percentile(base[known], 90)) if known.any() else 1.0)
    quiet = (taken < 0) & ~steep
    sigma = SLOW_PX / COARSE
    found = []
    for one, own in zip(laid, slow, strict=True):
        use = ((own.share > 0) & quiet[one.coarse]).astype(np.float32)
        cover = cv2.GaussianBlur(use, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        off = cv2.GaussianBlur((own.value - base[one.coarse]) * use, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        found.append(np.where(cover > 0.02, off / np.maximum(cover, 0.02), 0).astype(np.float32))
    return found
