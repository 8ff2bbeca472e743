"""Whether two patterns of a sensor are the same: turned, mirrored, displaced, or of another making.

Patterns are logarithms of a sensor's response, in two bands that tell different things. The *dust* band holds the
shadows of grains, which lie on glass in front of the sensor; the *pixel* band holds how the single pixels differ, which
nothing but reading out other pixels, or turning the file, can move.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.correlation import Texture, even_fast_size
from diskmosaic.arrays.fringes import Carrier
from diskmosaic.arrays.matching import EDGE_PX, refine

FINE_PX = 1.2  # Gaussian; what is finer belongs to the pixels
SOFT_PX = 1.2  # Gaussian more, for the last refinement of a shift
NEAR_PX = 6  # around a grain that belongs to its shadow
MIN_DARK = 60  # pixels in grains, for a shift by them alone
COARSE_PX = 20.0  # what is slower is vignetting, sky and the flat's own light
FRINGE_PX = 32.0  # Gaussian over which fringes are steady
CLIP = 4.0  # deviations of the noisier pattern at which both are cut: one deep grain must not decide
REACH_PX = 30  # shifts looked at, to all sides
PIXEL_SIDE = 1024  # of the cut-out in which pixels are compared: enough to be certain
UNEVEN = 0.1  # of a peak, between its two sides: from there on a shift is off a whole one by some 0.1 px
ORIENTATIONS = tuple((turns, mirrored) for mirrored in (False, True) for turns in range(4))


def bands(log: NDArray[np.float32], mask: NDArray[np.bool_]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Split a logarithm into its dust band and its pixel band, by the masked pixels alone; 0 elsewhere."""
    weight = mask.astype(np.float32)
    filled = np.where(mask, log, np.float32(0)).astype(np.float32)
    full = bool(mask.all())

    def smooth(sigma: float) -> NDArray[np.float32]:
        value = cv2.GaussianBlur(filled, (0, 0), sigma)
        return value if full else value / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-6)

    fine = smooth(FINE_PX)
    small = cv2.resize(filled, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(weight, small.shape[::-1], interpolation=cv2.INTER_AREA)
    # the slow part is smooth enough to be made at a quarter of the size
    slow = cv2.GaussianBlur(small, (0, 0), COARSE_PX / 4)
    slow /= np.maximum(cv2.GaussianBlur(cover, (0, 0), COARSE_PX / 4), 1e-6)
    slow = cv2.resize(slow, log.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.where(mask, fine - slow, 0).astype(np.float32), np.where(mask, filled - fine, 0).astype(np.float32)


@dataclass(frozen=True)
class Waves:
    """Cosine and sine of a carrier's phase, (h, w), made once for many bands."""

    cosine: NDArray[np.float32]
    sine: NDArray[np.float32]

    @classmethod
    def of(cls, carrier: Carrier) -> Waves:
        """Make them."""
        return cls(np.cos(carrier.phase), np.sin(carrier.phase))

    def amplitude(
        self, band: NDArray[np.float32], mask: NDArray[np.bool_] | None = None
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Real and imaginary part of the smooth amplitude `a` in ``band = Re[a exp(i phi)]``, at a quarter size."""
        limit = CLIP * robust_spread(band, mask)
        band = np.clip(band, -limit, limit)
        size = (max(band.shape[1] // 4, 1), max(band.shape[0] // 4, 1))

        def smooth(image: NDArray[np.float32]) -> NDArray[np.float32]:
            small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
            return cv2.GaussianBlur(small, (0, 0), FRINGE_PX / 4, borderType=cv2.BORDER_REFLECT)

        # the mean of cos^2 is 1/2
        half = 0.5 if mask is None else np.maximum(0.5 * smooth(mask.astype(np.float32)), 0.02)
        return smooth(band * self.cosine) / half, -smooth(band * self.sine) / half

    def fringes(self, band: NDArray[np.float32], mask: NDArray[np.bool_] | None = None) -> NDArray[np.float32]:
        """Return the fringes in a band that run with the phase."""
        real, imaginary = (
            cv2.resize(part, band.shape[::-1], interpolation=cv2.INTER_LINEAR) for part in self.amplitude(band, mask)
        )
        return real * self.cosine - imaginary * self.sine


def robust_spread(values: NDArray[np.float32], mask: NDArray[np.bool_] | None = None) -> float:
    """1.48 times the median absolute value: a standard deviation that grains do not pull."""
    chosen = values[::2, ::2] if mask is None else values[::2, ::2][mask[::2, ::2]]
    return max(1.4826 * float(np.median(np.abs(chosen))) if chosen.size else 0.0, 1e-9)


def oriented(image: NDArray, turns: int, mirrored: bool) -> NDArray:
    """Turn an image by `turns` quarter turns (+y towards +x, as `numpy.rot90`), first mirrored left to right."""
    return np.ascontiguousarray(np.rot90(image[:, ::-1] if mirrored else image, turns))


def centred(image: NDArray, shape: tuple[int, int]) -> NDArray:
    """Cut or fill (with 0) an image to `shape` about its middle; half pixels go to the smaller index."""
    out = np.zeros(shape, image.dtype)
    source, target = [], []
    for have, want in zip(image.shape, shape, strict=True):
        size = min(have, want)
        source.append(slice((have - size) // 2, (have - size) // 2 + size))
        target.append(slice((want - size) // 2, (want - size) // 2 + size))
    out[tuple(target)] = image[tuple(source)]
    return out


@dataclass(frozen=True)
class Likeness:
    """How one pattern lies in another.

    Attributes
    ----------
    turns : int
        Quarter turns that bring the flat's pattern onto the tiles', +y towards +x.
    mirrored : bool
        Mirrored left to right first.
    shift : (float, float)
        (dy, dx) px by which the flat's pattern then has to be moved.
    sigma_px : float
        Its standard error.
    correlation : float
    significance : float
        The peak over the robust deviation of the correlation at all other shifts and orientations.
    second : float
        Significance of the best peak in any other orientation.
    expected : float
        Significance that the same pattern would have, by the strength of the flat's.
    """

    turns: int
    mirrored: bool
    shift: tuple[float, float]
    sigma_px: float
    correlation: float
    significance: float
    second: float
    expected: float

    @property
    def upright(self) -> bool:
        """Neither turned nor mirrored."""
        return self.turns == 0 and not self.mirrored


def compare_dust(
    found: NDArray[np.float32],
    known: NDArray[np.float32],
    good: NDArray[np.bool_],
    *,
    orientations: tuple[tuple[int, bool], ...] = ORIENTATIONS,
    exact: bool = True,
) -> Likeness:
    """Find the orientation and the shift at which two dust bands are most alike.

    Parameters
    ----------
    found : float32 (h, w)
        The tiles' pattern.
    known : float32 (h, w)
        The flat's.
    good : bool (h, w)
        Where `found` can be trusted.
    orientations : tuple of (int, bool)
        Quarter turns and mirroring to be tried.
    exact : bool
        Refine the shift at full size; else it is known to some tenths of a pixel.

    Notes
    -----
    Masked normalised correlation of all shifts at once (Padfield 2012, IEEE Trans. Image Process. 21, 2706) at half
    size, then least squares at full size.
    """
    limit = CLIP * max(robust_spread(found, good), robust_spread(known))
    grains = known < -CLIP * robust_spread(known)
    found, known = (np.clip(band, -limit, limit) for band in (found, known))
    reach = REACH_PX // 2
    small, small_good = block_means(found, 2), block_means(good.astype(np.float32), 2) > 0.99
    maps = []
    for turns, mirrored in orientations:
        turned = oriented(block_means(known, 2), turns, mirrored)
        cover = centred(np.ones(turned.shape, bool), small.shape)
        maps.append(_score_map(small, small_good, centred(turned, small.shape), cover, reach))
    tops = [float(score.max()) for score, _ in maps]
    best = int(np.argmax(tops))
    score, root = maps[best]
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    # chance is what the correlation does away from the peak, in every orientation
    away = np.ones(score.shape, bool)
    away[max(row - 6, 0) : row + 7, max(column - 6, 0) : column + 7] = False
    rest = np.concatenate([m[away] if k == best else m.ravel() for k, (m, _) in enumerate(maps)])
    chance = max(1.4826 * float(np.median(np.abs(rest))), 1e-9)
    turns, mirrored = orientations[best]
    start = (int(2 * (row - reach)), int(2 * (column - reach)))
    turned = oriented(known, turns, mirrored)
    cover = centred(np.ones(turned.shape, bool), found.shape)
    match = None
    if exact:
        # what pixels leave in the band stays with them where glass moves before the sensor: it is smoothed away
        soft = [cv2.GaussianBlur(image, (0, 0), SOFT_PX) for image in (found, centred(turned, found.shape))]
        near = _around(centred(oriented(grains, turns, mirrored), found.shape), start)
        match = refine(Texture(soft[0], good & near), Texture(soft[1], cover), start, rigid=True)
    shift = _top(score, row, column, reach) if match is None else match.shift
    ratio = float(np.std(known) / max(np.std(found[good]) if good.any() else 0.0, 1e-9))
    return Likeness(
        turns,
        mirrored,
        (float(shift[0]), float(shift[1])),
        np.nan if match is None else match.sigma_px,
        float(score[row, column] / root[row, column]),
        tops[best] / chance,
        max((top / chance for k, top in enumerate(tops) if k != best), default=0.0),
        min(ratio, 1.0) * float(root[reach, reach]) / chance,
    )


def compare_pixels(found: NDArray[np.float32], known: NDArray[np.float32]) -> Likeness:
    """Find the orientation and the whole shift at which two pixel bands are most alike; as `compare_dust`."""
    side = tuple(min(size, PIXEL_SIDE) for size in found.shape)
    limit_found, limit_known = CLIP * robust_spread(found), CLIP * robust_spread(known)
    a = centred(np.clip(found, -limit_found, limit_found), side)
    padded = tuple(even_fast_size(size + REACH_PX) for size in side)
    spectrum = fft.rfft2(a, padded)
    peaks, chances = [], []
    for turns, mirrored in ORIENTATIONS:
        b = centred(oriented(np.clip(known, -limit_known, limit_known), turns, mirrored), side)
        score = _window(fft.irfft2(spectrum * np.conj(fft.rfft2(b, padded)), padded), REACH_PX)
        score /= max(float(np.sqrt(np.sum(np.square(a)) * np.sum(np.square(b)))), 1e-30)
        score -= np.median(score)  # bands of masked images have a mean
        row, column = (int(place) for place in np.unravel_index(int(np.argmax(score)), score.shape))
        # what single pixels show of a whole shift is even about its peak
        near = np.pad(score, 1)[row : row + 3, column : column + 3]
        uneven = max(abs(near[0, 1] - near[2, 1]), abs(near[1, 0] - near[1, 2]))
        exact = bool(uneven < UNEVEN * score[row, column])
        peaks.append((float(score[row, column]), (row - REACH_PX, column - REACH_PX), exact))
        chances.append(1.4826 * float(np.median(np.abs(score))))
    chance = max(float(np.median(chances)), 1e-9)
    tops = [peak for peak, *_ in peaks]
    best = int(np.argmax(tops))
    _, (dy, dx), exact = peaks[best]
    return Likeness(
        *ORIENTATIONS[best],
        (float(dy), float(dx)),
        0.0 if exact else 0.3,  # else a whole shift's rounding, 1/sqrt(12)
        tops[best],
        tops[best] / chance,
        max(top for k, top in enumerate(tops) if k != best) / chance,
        np.nan,
    )


def _score_map(
    fixed: NDArray[np.float32],
    fixed_good: NDArray[np.bool_],
    moving: NDArray[np.float32],
    moving_good: NDArray[np.bool_],
    reach: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Correlation times the root of the pixels that share it, and that root, for shifts up to `reach`."""
    padded = tuple(even_fast_size(size + reach) for size in fixed.shape)
    a = [fft.rfft2(part, padded) for part in _parts(fixed, fixed_good)]
    b = [np.conj(fft.rfft2(part, padded)) for part in _parts(moving, moving_good)]

    def at(i: int, j: int) -> NDArray[np.float64]:
        return _window(fft.irfft2(a[i] * b[j], padded), reach).astype(np.float64)

    count = np.maximum(np.rint(at(0, 0)), 1)
    mean_a, mean_b = at(1, 0) / count, at(0, 1) / count
    cross = at(1, 1) / count - mean_a * mean_b
    power = np.maximum(at(2, 0) / count - mean_a**2, 0) * np.maximum(at(0, 2) / count - mean_b**2, 0)
    root = np.sqrt(count)
    return root * cross / np.sqrt(np.maximum(power, 1e-20)), root


def _around(grains: NDArray[np.bool_], shift: tuple[int, int]) -> NDArray[np.bool_]:
    """Surroundings of dark grains, moved by a whole shift; all, where there are next to none.

    Grains are steep and fringes are not: where fringes could not be taken out, only there is the shift the dust's.
    """
    margin = EDGE_PX + NEAR_PX  # `refine` takes the first off again
    wide = cv2.dilate(grains.astype(np.uint8), np.ones((2 * margin + 1,) * 2, np.uint8))
    place = np.array([[1, 0, shift[1]], [0, 1, shift[0]]], np.float32)
    wide = cv2.warpAffine(wide, place, grains.shape[::-1], flags=cv2.INTER_NEAREST)
    return wide > 0 if grains.sum() > MIN_DARK else np.ones(grains.shape, bool)


def _top(score: NDArray[np.float64], row: int, column: int, reach: int) -> tuple[float, float]:
    """Place of a peak at half size, by parabolas through its neighbours, in px of the full size."""
    place = []
    for line, at in ((score[:, column], row), (score[row], column)):
        step = 0.0
        if 0 < at < len(line) - 1:
            before, here, after = line[at - 1 : at + 2]
            step = 0.5 * (before - after) / min(before - 2 * here + after, -1e-9)
        place.append(2 * (at + step - reach))
    return place[0], place[1]


def _parts(image: NDArray[np.float32], good: NDArray[np.bool_]) -> Iterator[NDArray[np.float32]]:
    mask = good.astype(np.float32)
    masked = np.where(good, image, np.float32(0))
    yield from (mask, masked, np.square(masked))


def _window(correlation: NDArray, reach: int) -> NDArray:
    """Shifts -reach ... reach of a circular correlation, as (2 reach + 1, 2 reach + 1)."""
    index = np.arange(-reach, reach + 1)
    return correlation[np.ix_(index, index)]
