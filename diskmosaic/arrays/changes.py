"""Grains of dust that came or went between a flat and the images of the same sensor, told with a known error rate.

What each image shows beyond the flat is its own scene, unless something changed: then all images show it alike. How
much each scene adds is judged from the image itself, place by place and scale by scale, and so is the error of what
they say together. Two questions are put to a place, and each has its own bar:

- *Is it chance?* Of all places and scales looked at, none may be told by chance in more than ALPHA of the evenings
  (Bonferroni; from memory).
- *Is it one image's scene?* Without the image that speaks loudest the others must still say it, now of this one place
  alone. A spot or a filament is in one image at a place of the sensor.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from diskmosaic.arrays.consensus import deviation, trimmed_mean
from diskmosaic.arrays.grains import Grain, dark_limit, off_the_rim, places

ALPHA = 1e-3  # evenings in which a flat that fits may be said to have grains that came, or that went
LEAST_IMAGES = 3  # with one left out, two have to agree
SCALES_PX = (1.5, 3.0, 5.0, 8.0)  # Gaussians that shadows of 8 to 60 px, or the rims of hollow ones, are like
WIDER = 1.6  # of the second Gaussian, which is taken off: the best near-match of a Laplacian (Marr & Hildreth 1980)
STEP_PX = 1.5  # a scale is looked at in pixels that are so many times finer
LOCAL_PX = 32.0  # Gaussian, or half a square, over which the error is judged
WHOLE = 0.97  # of a filter's weight must lie inside the mask
ROUNDS = 3
TUKEY = 4.685
GONE = 0.25  # of a dark place's dust: it may hold two grains, the lesser of which is gone
HALF = 0.5  # of a grain's depth: a misfit of it, or its brim, is less
MIN_DEPTH = 0.01  # what is shallower does not matter to a picture
AROUND = 3.0  # sides of a grain's window that its error is judged in, each way
PIECE_PX = 25.0  # pieces of one hollow shadow lie no further apart
BRIM_PX = 40.0  # twice the Gaussian of the dust band, beyond which a grain lays no brim


def find_new(
    rests: Sequence[NDArray[np.floating]], masks: Sequence[NDArray[np.bool_]], known: NDArray[np.float32]
) -> list[Grain]:
    """Find grains that the images show and the flat does not.

    Parameters
    ----------
    rests : sequence of float (h, w)
        Dust bands of the images less the flat's, fringes taken out of both; any finite value outside the masks.
    masks : sequence of bool (h, w)
    known : float32 (h, w)
        The flat's dust band.

    Returns
    -------
    list of Grain
        The deepest first; `depth` is what the images show there, smoothed over the scale it was found at.
    """
    shape = known.shape
    looks = [_look(rests, masks, scale) for scale in SCALES_PX]
    tests = sum(float(seen.sum()) / (2 * np.pi * STEP_PX**2) for *_, seen in looks)
    bar = significant(ALPHA, tests)
    found: list[Grain] = []
    for scale, (mean, total, without, seen) in zip(SCALES_PX, looks, strict=True):
        # a grain of the flat that is drawn not quite as the images have it leaves up to half of itself
        reach = 2 * int(np.ceil(2 * scale)) + 1
        own = -cv2.erode(known, np.ones((reach, reach), np.uint8))
        own = cv2.resize(own, mean.shape[::-1], interpolation=cv2.INTER_AREA)
        tell = seen & (total < -bar) & (without < -significant(ALPHA, 1)) & (-mean > np.maximum(HALF * own, MIN_DEPTH))
        factor = np.array(shape) / np.array(mean.shape)
        for grain, _ in places(tell, mean, least=1):
            place = tuple((np.array(grain.place_yx) + 0.5) * factor - 0.5)
            across = max(grain.across_px * float(factor.mean()), 2 * scale)
            found.append(Grain((float(place[0]), float(place[1])), across, grain.depth))
    found.sort(key=lambda grain: (-grain.depth, grain.place_yx))
    whole: list[Grain] = []
    for grain in found:
        if not any(_apart(grain, deeper) < PIECE_PX for deeper in whole):
            whole.append(grain)
    return whole


def find_gone(
    rests: Sequence[NDArray[np.floating]], masks: Sequence[NDArray[np.bool_]], known: NDArray[np.float32]
) -> list[Grain]:
    """Find grains of the flat that the images do not show; as `find_new`.

    Each grain's own picture is laid on what each image shows beyond the flat: -1 where the grain is gone, 0 where it is
    still there, in between where one of two grains is gone whose shadows run together. The error is the scatter that
    the same picture gives all around.
    """
    answers = []
    for grain, window in places(known < -dark_limit(known), known):
        if not off_the_rim(grain, known.shape):
            continue
        mean, total, without = _laid(rests, masks, known, window)
        answers.append((grain, mean, total, without))
    bar = significant(ALPHA, len(answers))
    one = significant(ALPHA, 1)
    gone = [grain for grain, mean, total, without in answers if mean < -GONE and total < -bar and without < -one]
    return sorted(gone, key=lambda grain: (-grain.depth, grain.place_yx))


def less_brims(new: Sequence[Grain], gone: Sequence[Grain]) -> list[Grain]:
    """Leave out new grains that are but the brim which the dust band lays around a deeper one that is gone."""
    return [
        grain
        for grain in new
        if not any(_apart(grain, other) < BRIM_PX and grain.depth < HALF * other.depth for other in gone)
    ]


def significant(alpha: float, tests: float) -> float:
    """Return the deviation that chance exceeds with probability `alpha` in so many one-sided tests."""
    return float(-ndtri(alpha / max(tests, 1)))


def _apart(grain: Grain, other: Grain) -> float:
    return float(np.hypot(*np.subtract(grain.place_yx, other.place_yx)) - other.across_px / 2)


def _look(rests, masks, scale: float):
    """What the images say at one scale, at a size to suit: mean, its significance, and without the loudest; where."""
    factor = max(int(scale / STEP_PX), 1)
    height, width = masks[0].shape
    size = (max(width // factor, 1), max(height // factor, 1))
    sigma = scale / factor
    filtered = [_filtered(rest, mask, size, sigma) for rest, mask in zip(rests, masks, strict=True)]
    seen = [ok for _, ok in filtered]
    count = np.sum(seen, axis=0, dtype=np.float32)
    mean = trimmed_mean([image for image, _ in filtered], seen)
    quiet = LOCAL_PX / factor
    weights: list[NDArray[np.float32]] = []
    weight = total = np.zeros(mean.shape, np.float32)
    for last in (False,) * (ROUNDS - 1) + (True,):
        before, weights = weights, []
        sums = weight, total
        weight, total = np.zeros(mean.shape, np.float32), np.zeros(mean.shape, np.float32)
        for k, (image, ok) in enumerate(filtered):
            own = image.astype(np.float32)
            # an image that outweighs the others would lie next to a mean that it has made itself
            others = mean
            if before:
                rest = np.maximum(sums[0] - before[k], np.float32(1e-9))
                others = np.where(sums[0] > before[k], (sums[1] - before[k] * own) / rest, mean).astype(np.float32)
            spread = np.nan_to_num(deviation(own, ok, others, quiet_px=quiet), nan=np.float32(1e3)) + np.float32(1e-9)
            spread = cv2.resize(spread, mean.shape[::-1], interpolation=cv2.INTER_LINEAR)
            trust = np.where(ok, 1 / np.square(spread), 0).astype(np.float32)
            if not last:
                miss = (own - others) / (np.float32(TUKEY) * spread)
                trust *= np.square(np.clip(1 - np.square(miss), 0, None))
            weight += trust
            total += trust * own
            weights.append(trust)
        mean = np.where(weight > 0, total / np.maximum(weight, 1e-9), 0).astype(np.float32)
    told = total / np.sqrt(np.maximum(weight, 1e-9))
    without = np.full(mean.shape, -np.inf, np.float32)
    for (image, ok), trust in zip(filtered, weights, strict=True):
        rest = weight - trust
        others = np.where(rest > 1e-6 * weight, (total - trust * image) / np.sqrt(np.maximum(rest, 1e-9)), 0)
        without = np.where(ok, np.maximum(without, others), without)
    enough = count >= LEAST_IMAGES
    # what else all images share (fringes whose phase nobody could fit) is everywhere around: it belongs to the error
    excess = np.maximum(_typical(np.where(enough, told, 0), 2 * int(LOCAL_PX / factor) + 1), 1)
    return mean, told / excess, np.where(enough, without, 0) / excess, enough


def _filtered(rest, mask, size: tuple[int, int], sigma: float) -> tuple[NDArray[np.float16], NDArray[np.bool_]]:
    """A band of one scale, by the masked pixels alone, and where it is whole."""
    cover = mask.astype(np.float32)
    light = np.where(mask, rest, 0).astype(np.float32)
    value, weight = (cv2.resize(part, size, interpolation=cv2.INTER_AREA) for part in (light, cover))
    narrow, wide = (
        tuple(cv2.GaussianBlur(part, (0, 0), width, borderType=cv2.BORDER_CONSTANT) for part in (value, weight))
        for width in (sigma, WIDER * sigma)
    )
    whole = wide[1] > WHOLE
    band = narrow[0] / np.maximum(narrow[1], 1e-3) - wide[0] / np.maximum(wide[1], 1e-3)
    return np.where(whole, band, 0).astype(np.float16), whole


def _typical(values: NDArray[np.floating], side: int) -> NDArray[np.float32]:
    """Robust deviation of what lies within a square around each place: places that stand out have no say."""
    # a median over so many pixels is quick on 8 bits
    values = np.abs(values)
    step = np.float32(max(float(values.max()) / 255, 1e-3))
    middle = cv2.medianBlur((values / step).astype(np.uint8), side).astype(np.float32)
    return np.float32(1.4826) * step * (middle + np.float32(0.5))


def _laid(rests, masks, known, window) -> tuple[float, float, float]:
    """How strongly a grain's picture is in what the images show beyond the flat: mean, significance, without one."""
    shape = tuple(part.stop - part.start for part in window)
    picture = known[window] - known[window].mean()
    power = float(np.sum(np.square(picture)))
    wide = tuple(
        slice(max(int(part.start - AROUND * size), 0), min(int(part.stop + AROUND * size), whole))
        for part, size, whole in zip(window, shape, known.shape, strict=True)
    )
    row, column = (part.start - around.start for part, around in zip(window, wide, strict=True))
    own = np.zeros(tuple(part.stop - part.start - size + 1 for part, size in zip(wide, shape, strict=True)), bool)
    near = tuple(
        slice(max(at - size // 2, 0), at + size // 2 + 1) for at, size in zip((row, column), shape, strict=True)
    )
    own[near] = True
    values, weights = [], []
    total, cover = np.zeros(own.shape, np.float32), np.zeros(own.shape, np.float32)
    for rest, mask in zip(rests, masks, strict=True):
        if mask[window].mean() < WHOLE:
            continue
        use = mask[wide]
        answers = cv2.matchTemplate(np.where(use, rest[wide], 0).astype(np.float32), picture, cv2.TM_CCORR) / power
        seen = cv2.matchTemplate(use.astype(np.float32), np.ones(shape, np.float32), cv2.TM_CCORR)
        whole = seen > WHOLE * picture.size
        if (whole & ~own).sum() < picture.size:
            continue
        weight = 1 / max(_spread(answers[whole & ~own]), 1e-3) ** 2
        values.append(float(answers[row, column]))
        weights.append(weight)
        total += np.float32(weight) * np.where(whole, answers, 0)
        cover += np.float32(weight) * whole
    if len(values) < LEAST_IMAGES:
        return 0.0, 0.0, 0.0
    value, weight = np.array(values), np.array(weights)
    told, all_weight = float(np.sum(weight * value)), float(np.sum(weight))
    mean = told / all_weight
    # images that differ by more than their errors are as unsure as they differ; what all share around is no change
    differ = float(np.sqrt(np.sum(weight * np.square(value - mean)) / (len(value) - 1)))
    around = cover > HALF * all_weight
    shared = _spread(total[around & ~own] / np.sqrt(cover[around & ~own]))
    excess = max(1.0, differ, shared)
    without = (told - weight * value) / np.sqrt(all_weight - weight)
    return mean, told / np.sqrt(all_weight) / excess, float(without.max()) / excess


def _spread(values: NDArray[np.floating]) -> float:
    return 1.4826 * float(np.median(np.abs(values))) if values.size else 0.0
