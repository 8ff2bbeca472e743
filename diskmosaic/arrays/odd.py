"""What crossed the field of a single frame: satellites, birds, aircraft, cosmic hits.

A frame is held against what is expected at each place of the *sensor*: the scene, brought there by the frame's own
displacements, times what the sensor shows in all frames alike. So neither the Sun, which moves over the sensor, nor
dust, which stays on it, is odd, whether a flat is there or not. What differs by more than noise, and by more than
displacement and blur can make of the scene there, is something that only this frame saw. All in means of blocks.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.compiled import compiled

SLOPE_SHARE = 0.6  # of the scene's range within a pixel each way: what displacement and blur may change
QUICK_SHARE = 1.0  # the same for a quick look, which moves the scene by whole pixels
PATTERN_SHARE = 0.5  # of the sensor's pattern nearby: what of it is still taken for scene, and moves with it
PATTERN_REACH = 13  # px on a side of what is nearby
FAINTEST = 0.05  # of the scene's median: a pattern is a share of the light, and adds up where there is next to none
SLOW_PX = 65  # what is slower is cloud, not an object
LOST = 5.5  # times the limit, of a frame's own scatter: it shows another place (2 px off: 4.8, anywhere: 6.3 and more)
GROW_PX = 2  # around what stands out: the soft rim of an object
BEYOND_PX = 25  # on a side, over which an object at the border goes on where nothing is expected
MOST = 0.2  # share of a frame: more is no object
HALO_SHARE = 0.4  # of the limit, down to which what touches an object belongs to it
MIDDLE = np.float32(
    1.19
)  # rms distance of the quartiles of 16 normal values, in deviations (simulated; 1.05 to 1.4 of 8 to 15)
BLOCK = 16  # px over which a frame is taken to be moved as a whole, to whole px: the scene's range covers that


def expected_difference(
    scene: NDArray[np.float32],
    spread: NDArray[np.float32],
    noise: float,
    sigma: float,
    share: float = SLOPE_SHARE,
) -> NDArray[np.float32]:
    """Return by how much a frame may differ from the scene.

    Parameters
    ----------
    scene : float32 (h, w)
        Quiet, as bright as a typical frame.
    spread : float32 (h, w)
        How much frames scatter about it there: by their noise, and by what the air bends and blurs.
    noise : float
        Standard deviation of a frame's noise at the scene's median level; above, it grows with the root of the level,
        as that of photons.
    sigma : float
        Deviations of noise that are allowed.
    share : float
        Of the scene's range within a pixel each way, that is allowed besides.
    """
    middle = max(float(np.median(scene)), 1e-6)
    noises = noise * np.sqrt(np.clip(scene / middle, 1, 4))
    kernel = np.ones((3, 3), np.uint8)
    change = cv2.dilate(scene, kernel) - cv2.erode(scene, kernel)
    return np.maximum(sigma * noises + share * change, sigma * spread).astype(np.float32)


def pattern_slack(pattern: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the share of the light by which a frame may differ where the sensor has a pattern (h, w)."""
    return np.float32(PATTERN_SHARE) * cv2.dilate(np.abs(pattern), np.ones((PATTERN_REACH,) * 2, np.uint8))


@compiled
def _count(frame, steps, scene, limit, pattern, slack, height, width, level, loose, faintest):
    odd = 0
    for i in range(steps.shape[0]):
        j = 0
        while j < steps.shape[1]:
            down, right, begin = steps[i, j, 0], steps[i, j, 1], j * BLOCK
            while j < steps.shape[1] and steps[i, j, 0] == down and steps[i, j, 1] == right:
                j += 1
            first, last = max(begin, -right), min(min(j * BLOCK, width), width - right)
            if first >= last:
                continue
            for y in range(max(i * BLOCK, -down), min(min((i + 1) * BLOCK, height), height - down)):
                # unsigned places: the compiler need not think of indices from the end
                there, own = np.uintp(y * width + first), np.uintp((y + down) * width + first + right)
                far = np.int32(0)
                for k in range(last - first):
                    at, other = own + np.uintp(k), there + np.uintp(k)
                    light = level * max(scene[other], faintest)
                    off = abs(frame[at] - level * scene[other] - light * pattern[at])
                    far += np.int32(off > loose * limit[other] + light * slack[at])
                odd += far
    return odd


@lru_cache(8)
def _block_centres(shape: tuple[int, int], cells: tuple[int, int]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where the middles of blocks lie among the cells of a grid (rows, columns)."""
    at = [
        ((np.arange(-(-n // BLOCK)) + 0.5) * BLOCK / n * count - 0.5).astype(np.float32)
        for n, count in zip(shape, cells, strict=True)
    ]
    return tuple(np.ascontiguousarray(part) for part in np.meshgrid(*at, indexing="ij"))


def count_odd(
    frame: NDArray[np.float32],
    field: NDArray[np.float32],
    scene: NDArray[np.float32],
    limit: NDArray[np.float32],
    pattern: NDArray[np.float32],
    slack: NDArray[np.float32],
    level: float,
    faintest: float,
) -> int:
    """Count the pixels of a frame that look odd at first sight: a quick look at every frame.

    Parameters
    ----------
    frame : float32 (h, w)
        On the sensor.
    field : float32 (rows, columns, 2)
        How it is sampled: where the scene's pixels lie on it, off their own place (y, x), px, at a grid's cells.
    scene, limit : float32 (h, w)
        The scene, and see `expected_difference`; a limit of infinity where the scene is not known.
    pattern, slack : float32 (h, w)
        On the sensor: what all frames show besides, as a share of the light, and see `pattern_slack`.
    level : float
        The frame's brightness over the scene's.
    faintest : float
        Light below which a pattern is no share of it any more.
    """
    rows, columns = _block_centres(frame.shape, field.shape[:2])
    parts = [cv2.remap(field[..., k], columns, rows, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE) for k in (0, 1)]
    steps = np.rint(np.stack(parts, axis=-1)).astype(np.int64)
    numbers = (np.float32(level), np.float32(max(level, np.sqrt(level))), np.float32(faintest))
    images = (frame.reshape(-1), steps, *(image.reshape(-1) for image in (scene, limit, pattern, slack)))
    return _count(*images, *frame.shape, *numbers)


@compiled
def _order(values):
    """Sort columns, all of them at once: neighbours are exchanged by turns, which the compiler makes vector code of."""
    count, width = values.shape
    for turn in range(count):
        for k in range(turn % 2, count - 1, 2):
            low, high = values[k], values[k + 1]
            for x in range(width):
                one, other = low[x], high[x]
                low[x], high[x] = (one if one < other else other), (other if one < other else one)


@compiled
def _middle(images, mean, spread, count):
    values = np.empty((images.shape[0], images.shape[2]), np.float32)
    for y in range(images.shape[1]):
        for k in range(images.shape[0]):
            source, target = images[k, y], values[k]
            for x in range(len(source)):
                known = source[x] == source[x]  # not NaN
                target[x] = source[x] if known else np.float32(np.inf)
                count[y, x] += np.int32(known)
        _order(values)
        for x in range(images.shape[2]):
            n = count[y, x]
            cut, total = n // 4, np.float32(0)
            for k in range(cut, n - cut):
                total += values[k, x]
            if n > 0:
                mean[y, x] = total / np.float32(n - 2 * cut)
                spread[y, x] = (values[n - 1 - cut, x] - values[cut, x]) / MIDDLE


def middle_mean(
    images: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.int32]]:
    """Average images without the quarter of each pixel's values that is least, and that which is largest.

    Parameters
    ----------
    images : float32 (n, h, w)
        NaN where not known.

    Returns
    -------
    mean : float32 (h, w)
        0 where nothing is known.
    spread : float32 (h, w)
        Standard deviation of the values, by their quartiles.
    count : int32 (h, w)
        Of the values known.
    """
    shape = images.shape[1:]
    mean, spread, count = np.zeros(shape, np.float32), np.zeros(shape, np.float32), np.zeros(shape, np.int32)
    _middle(images, mean, spread, count)
    return mean, spread, count


def faintest_of(scene: NDArray[np.float32]) -> np.float32:
    """Return the light below which a pattern is no share of it any more."""
    return np.float32(max(FAINTEST * float(np.median(scene)), 1e-6))


def odd_places(
    frame: NDArray[np.float32],
    expected: NDArray[np.float32],
    limit: NDArray[np.float32],
    seen: NDArray[np.bool_],
    sigma: float,
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Tell where a frame shows what is not expected.

    Parameters
    ----------
    frame, expected, limit : float32 (h, w)
        The frame, what is expected of it on the sensor, and by how much it may differ.
    seen : bool (h, w)
        Where something is expected.
    sigma : float
        Deviations that are allowed, also of the frame's own scatter.

    Returns
    -------
    odd : bool (h, w)
    slow : float32 (h, w)
        By what the frame differs slowly, objects left out: cloud.
    """
    off = np.where(seen, frame - expected, np.float32(0))
    slow = np.zeros_like(off)
    # twice: an object must not be taken for a cloud
    for _ in range(2):
        slow += cv2.blur(np.clip(off - slow, -limit, limit), (SLOW_PX, SLOW_PX), borderType=cv2.BORDER_REFLECT)
    size = np.abs(off - slow)
    if not (size > limit)[seen].any():
        return np.zeros(frame.shape, bool), slow
    # where a frame differs everywhere it was blurred or bent more than most: its own scatter counts
    own = 1.4826 * float(np.median((size / limit)[seen & (expected > FAINTEST * float(expected.max()))]))
    limit = limit * np.float32(max(1.0, sigma * own))
    core = (size > limit) & seen
    if not core.any() or core.mean() > MOST or sigma * own > LOST:
        return np.zeros(frame.shape, bool), slow
    near = (size > HALO_SHARE * limit).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * GROW_PX + 1,) * 2)
    grown = core.astype(np.uint8)
    for _ in range(2):
        grown = cv2.dilate(grown, kernel) & (near | core)
    grown = cv2.dilate(grown, np.ones((3, 3), np.uint8))
    if not seen.all():
        # beyond the border of what is expected an object goes on
        beyond = cv2.dilate(grown, np.ones((BEYOND_PX, BEYOND_PX), np.uint8))
        grown = np.where(seen, grown, beyond)
    return grown > 0, slow
