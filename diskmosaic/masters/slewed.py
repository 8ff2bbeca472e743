"""A flat from frames under which the Sun moves, in focus or not.

Frame k shows ``P_k(x) g(x)``: its own smooth solar brightness, and the pattern of the sensor. The brightness is fitted
to each frame as a low polynomial of the logarithm over block means, on the lit part away from the limb, with the
pattern's own block means taken out (fitted by turns over a sample of frames). The pattern then is the sum of I_k over
the sum of P_k, each frame weighing by its light, with values clipped against a trimmed start; the Sun's fine structure
moves and averages out.

What the polynomial can tell of the pattern itself is lost with it: such a flat holds no vignetting, and the levels take
that from the tiles' overlaps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.parallel import chunks, ordered_map, spread_over
from diskmosaic.progress import Progress, silent

FloatImage = NDArray[np.float32]
Load = Callable[[int], FloatImage]

BLOCK_PX = 16
DEGREE = 4
LIT = 0.3  # of a frame's bright level; darker blocks are sky or the disk's very edge
MARGIN_BLOCKS = 2  # lit blocks this near to dark ones are left out: there the limb's slope is no polynomial
TURNS = 12  # of pattern and brightness; the change is below 1e-4 after half of them
MOVES = 0.03  # rms change of the large-scale light from frame to frame from which a flat counts as slewed
LEAST_LIT = 0.05  # of the sensor, for a frame to be used
CHUNK = 16  # frames summed together; fixed, so that sums do not depend on the number of threads


@dataclass(frozen=True)
class Slewed:
    """What the frames gave.

    Attributes
    ----------
    image : float32 (h, w)
        Pattern, mean 1 over the seen pixels; 1 where none was seen.
    uncertainty : float32 (h, w)
        Standard error from the frames' scatter, the moving Sun's structure included.
    count : float32 (h, w)
        Frames that showed each pixel lit, clipped values left out.
    seen : float32 (h, w)
        The same with clipped values.
    """

    image: FloatImage
    uncertainty: FloatImage
    count: FloatImage
    seen: FloatImage


def light_change(frames: Iterable[FloatImage]) -> float:
    """Return how much the large-scale light differs from frame to frame, each scaled to its own level (rms).

    Parameters
    ----------
    frames : iterable of float32 (h, w)
        A sample over the whole recording.
    """
    blocks = np.stack([_blocks(frame) for frame in frames])
    blocks /= np.maximum(blocks.mean(axis=(1, 2), keepdims=True), 1e-6)
    return float(np.sqrt(np.mean(np.square(blocks - np.median(blocks, axis=0)))))


def slewed_mean(
    load: Load, count: int, *, clip_sigma: float, pilot_frames: int, jobs: int = 1, progress: Progress = silent
) -> Slewed | None:
    """Average frames, each divided by its own smooth brightness.

    Parameters
    ----------
    load : callable
        ``load(k)``: frame k, float32 (h, w), dark taken off.
    count : int
        Frames.
    clip_sigma : float
        Values further off than this many deviations are left out.
    pilot_frames : int
        Frames that start pattern and clipping.
    jobs : int
        Threads; the result does not depend on it.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    Slewed or None
        None where no frame is lit well enough.
    """
    sample = spread_over(count, pilot_frames)
    brightness = _Brightness([_blocks(load(int(index))) for index in sample], load(0).shape)
    start = _start(load, sample, brightness)
    if start is None:
        return None
    centre, spread = start
    limit = np.float32(clip_sigma) * spread if len(sample) >= 8 else None

    def add(positions: range) -> _Sums:
        sums = _Sums(centre.shape)
        for position in positions:
            frame = load(position)
            fitted = brightness.of(frame)
            if fitted is not None:
                sums.add(frame, *fitted, centre, limit)
        return sums

    total = _Sums(centre.shape)
    parts = chunks(count, CHUNK)
    for sums in progress(ordered_map(add, parts, jobs=jobs), "slewed flat", total=len(parts), unit="chunks"):
        total.merge(sums)
    return total.result()


class _Brightness:
    """The frames' own smooth brightness, told from the pattern by a sample of frames."""

    def __init__(self, blocks: Sequence[FloatImage], shape: tuple[int, int]) -> None:
        self._shape = shape
        grid = blocks[0].shape
        centres = [(np.arange(n) + 0.5) * size / n - 0.5 for n, size in zip(grid, shape, strict=True)]
        self._coarse = [_legendre(at, size) for at, size in zip(centres, shape, strict=True)]
        self._fine = [_legendre(np.arange(size), size) for size in shape]
        powers = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
        self._powers = powers
        rows, columns = self._coarse
        self._design = np.stack([np.outer(rows[:, i], columns[:, j]).ravel() for i, j in powers], axis=1)
        self.pattern = np.zeros(blocks[0].size)
        lit = [_lit(one) for one in blocks]
        logs = [np.log(np.maximum(one, 1e-3)).ravel().astype(np.float64) for one in blocks]
        usable = [(log, mask.ravel()) for log, mask in zip(logs, lit, strict=True) if mask.mean() >= LEAST_LIT]
        for _ in range(TURNS if usable else 0):
            total, weight = np.zeros_like(self.pattern), np.zeros_like(self.pattern)
            for log, mask in usable:
                left = log - self._design @ self._fit(log, mask)
                total[mask] += left[mask]
                weight[mask] += 1
            known = weight > 0
            mean = np.where(known, total / np.maximum(weight, 1), 0)
            # what is smooth belongs to the brightness by agreement, or the two would drift
            slow = np.linalg.lstsq(self._design[known], mean[known], rcond=None)[0]
            self.pattern = np.where(known, mean - self._design @ slow, 0)

    def _fit(self, log: NDArray[np.float64], mask: NDArray[np.bool_]) -> NDArray[np.float64]:
        design = self._design[mask]
        # a little stiffness: a small lit part cannot tell all terms
        stiff = 1e-6 * len(design) * np.eye(design.shape[1])
        return np.linalg.solve(design.T @ design + stiff, design.T @ (log - self.pattern)[mask])

    def of(self, frame: FloatImage) -> tuple[FloatImage, NDArray[np.bool_]] | None:
        """Return a frame's smooth brightness and where it is lit, both (h, w); None where too little is."""
        blocks = _blocks(frame)
        mask = _lit(blocks)
        if mask.mean() < LEAST_LIT:
            return None
        fitted = self._fit(np.log(np.maximum(blocks, 1e-3)).ravel().astype(np.float64), mask.ravel())
        table = np.zeros((DEGREE + 1, DEGREE + 1))
        for (i, j), value in zip(self._powers, fitted, strict=True):
            table[i, j] = value
        rows, columns = self._fine
        log = (rows @ table).astype(np.float32) @ columns.T.astype(np.float32)
        size = (self._shape[1], self._shape[0])
        whole = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)
        # off the mask the polynomial is free to run away
        return np.exp(np.where(whole, log, 0)).astype(np.float32), whole


class _Sums:
    """Sums over frames: light, brightness, squares of what is left over brightness, frames."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.light, self.fitted, self.squares = (np.zeros(shape, np.float64) for _ in range(3))
        self.count, self.seen = np.zeros(shape, np.float32), np.zeros(shape, np.float32)

    def add(self, frame, fitted, lit, centre: FloatImage, limit: FloatImage | None) -> None:
        """Add a frame."""
        left = (frame - centre * fitted) / np.sqrt(fitted)  # photon noise makes this equally uncertain at any level
        use = lit if limit is None else lit & (np.abs(left) <= limit)
        self.light += np.where(use, frame, 0)
        self.fitted += np.where(use, fitted, 0)
        self.squares += np.where(use, np.square(left), 0)
        self.count += use
        self.seen += lit

    def merge(self, other: _Sums) -> None:
        """Add another's sums."""
        for name in ("light", "fitted", "squares", "count", "seen"):
            getattr(self, name).__iadd__(getattr(other, name))

    def result(self) -> Slewed:
        """Return the weighted mean and its error."""
        known = self.count > 0
        fitted = np.where(known, self.fitted, 1)
        image = np.where(known, self.light / fitted, np.nan)
        error = np.sqrt(np.where(self.count > 1, self.squares / np.maximum(self.count, 1) / fitted, np.nan))
        mean = float(np.nanmean(image))
        image = np.where(known, image / mean, 1)
        return Slewed(image.astype(np.float32), (error / mean).astype(np.float32), self.count, self.seen)


def _start(load: Load, sample, brightness: _Brightness) -> tuple[FloatImage, FloatImage] | None:
    """First pattern without its largest and smallest value, and the spread of what is left over a frame's light."""
    total = count = None
    for index in sample:
        frame = load(int(index))
        fitted = brightness.of(frame)
        if fitted is None:
            continue
        light, lit = fitted
        ratio = np.where(lit, frame / light, 0).astype(np.float32)
        if total is None:
            total, count = np.zeros(frame.shape, np.float64), np.zeros(frame.shape, np.float32)
            low, high = np.full(frame.shape, np.inf, np.float32), np.full(frame.shape, -np.inf, np.float32)
        total += ratio
        count += lit
        low, high = np.where(lit, np.minimum(low, ratio), low), np.where(lit, np.maximum(high, ratio), high)
    if total is None:
        return None
    many = count >= 4
    extremes = np.where(many, low, 0) + np.where(many, high, 0)
    centre = (total - extremes) / np.maximum(count - np.where(many, 2, 0), 1)
    centre = np.where(count > 0, centre, 1).astype(np.float32)
    squares, largest = np.zeros(centre.shape), np.zeros(centre.shape)
    for index in sample:
        frame = load(int(index))
        fitted = brightness.of(frame)
        if fitted is None:
            continue
        light, lit = fitted
        square = np.where(lit, np.square((frame - centre * light) / np.sqrt(light)), 0)
        squares += square
        largest = np.maximum(largest, square)
    variance = np.where(many, (squares - largest) / np.maximum(count - 2, 1), 0).astype(np.float32)
    # a pixel's own spread from so few frames is rough: neighbours steady it
    steady = cv2.blur(variance, (7, 7))
    typical = float(np.median(steady[many])) if many.any() else 0.0
    return centre, np.sqrt(np.maximum(np.maximum(variance, steady), np.float32(0.25 * typical)))


def _blocks(frame: FloatImage) -> FloatImage:
    size = [max(n // BLOCK_PX, 2) for n in frame.shape]
    return cv2.resize(frame.astype(np.float32, copy=False), (size[1], size[0]), interpolation=cv2.INTER_AREA)


def _lit(blocks: FloatImage) -> NDArray[np.bool_]:
    bright = blocks > LIT * np.percentile(blocks, 98)
    side = 2 * MARGIN_BLOCKS + 1
    # beyond the sensor's border nothing is known: it counts as lit
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return cv2.erode(bright.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=1) > 0


def _legendre(at: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    return np.polynomial.legendre.legvander(2 * (at + 0.5) / size - 1, DEGREE)
