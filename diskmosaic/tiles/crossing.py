"""What crossed single frames of a recording, found while they are stacked and replaced in them by what is expected.

Birds, aircraft and satellites, cosmic hits. Frames are looked at as means of 2x2 px against a quiet mean of a sample of
them, and against what the sample shows at rest on the sensor (`diskmosaic.arrays.odd`). A frame is changed as the
camera wrote it, before anything is made of it; a frame without anything odd is not touched.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.drops import places_of
from diskmosaic.arrays.kernels import warp
from diskmosaic.arrays.odd import (
    QUICK_SHARE,
    count_odd,
    expected_difference,
    faintest_of,
    middle_mean,
    odd_places,
    pattern_slack,
)
from diskmosaic.arrays.warped import covered
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import ordered_map, spread_over
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage
from diskmosaic.tiles.looking import FINE

Measure = Callable[[FloatImage, tuple[float, float]], NDArray[np.float32]]

SAMPLE = 16  # frames, of whose values at each place the middle half tells what is expected
LEAST = 8  # frames that must show a place
PLAIN = 0.02  # of the light: with less pattern than this nearly everywhere one round tells the scene from it
SURE = 4.0  # standard errors
LIT = 4  # times the faintest light in which a pattern is looked for
FEW = 1e-3  # places with more
ROUNDS = 2  # else
SPREAD_PX = 5  # over which the scatter of the sample is averaged
CROSSED_BLOCKS = 40  # of 2x2 px: what hides as many is worth a word, a cosmic hit is not


class Crossings:
    """Finds what crossed frames, and takes it out of them.

    Parameters
    ----------
    recording : Recording
    calibration : Calibration
    fields : float32 (frames, rows, columns, 2)
        How each frame is sampled onto the canvas, px.
    levels : float32 (frames,)
        Brightness of each; corrected in place where something hid a part of it.
    noise : float
        Of a frame's pixels, ADU.
    used : int (n,)
        Frames that are stacked.
    sigma : float
        Deviations of noise that are allowed; 0: nothing is looked for.
    jobs : int
        Threads.
    """

    def __init__(
        self,
        recording: Recording,
        calibration: Calibration,
        *,
        fields: NDArray[np.float32],
        levels: NDArray[np.float32],
        noise: float,
        used: NDArray[np.intp],
        sigma: float,
        jobs: int,
    ):
        self._recording, self._calibration, self._levels = recording, calibration, levels
        self._small, self._fields = calibration.binned(FINE), fields
        self._shape = (recording.height // FINE, recording.width // FINE)
        self.hidden = np.zeros(len(levels), np.int64)  # blocks of each frame that were replaced
        self._sigma = sigma
        self.looks = sigma > 0 and len(used) >= LEAST
        if self.looks:
            self._learn(used[spread_over(len(used), SAMPLE)], noise, sigma, jobs)

    def told(self, used: NDArray[np.intp]) -> list[str]:
        """Say in how many frames something was found that a person would see."""
        count = int(np.count_nonzero(self.hidden[used] >= CROSSED_BLOCKS))
        return [f"something crossed the field in {count} of the {len(used)} frames used: taken out"] if count else []

    def take_out(
        self, raw: NDArray, half: FloatImage, field: NDArray[np.float32], index: int, measure: Measure
    ) -> NDArray[np.float32]:
        """Replace what crossed a frame, in place.

        Parameters
        ----------
        raw : (h, w)
            As the camera wrote it.
        half : float32
            Its calibrated means of 2x2 px.
        field : float32 (rows, columns, 2)
            That those are sampled along.
        index : int
            Of the frame.
        measure : callable
            ``measure(half, start) -> field`` from a whole displacement (y, x).

        Returns
        -------
        float32 (rows, columns, 2)
            The field, measured anew where something large was found.
        """
        known = (self._scene, self._quick, self._pattern, self._slack) if self.looks else ()
        if not known or not count_odd(half, field, *known, float(self._levels[index]), self._faintest):
            return field
        odd, expected = self._odd(half, field, index)
        if odd.sum() >= CROSSED_BLOCKS:
            # what hides the Sun pulls at the displacements around it: first by the frame's whole displacement alone
            whole = np.median(field, axis=(0, 1))
            odd, expected = self._odd(half, np.broadcast_to(whole, field.shape), index)
            field = measure(np.where(odd, expected, half), (float(whole[0]), float(whole[1])))
            odd, expected = self._odd(half, field, index)
        count = int(odd.sum())
        if count:
            before = float(half.sum(dtype=np.float64))
            half[odd] = expected[odd]
            self._replace(raw, odd, expected)
            self.hidden[index] += count
            self._levels[index] *= np.float32(float(half.sum(dtype=np.float64)) / before)
            if count >= CROSSED_BLOCKS:  # a cosmic hit moves nothing
                field = measure(half, tuple(float(part) for part in field.mean(axis=(0, 1))))
        return field

    def _odd(self, half: FloatImage, field: NDArray[np.float32], index: int) -> tuple[NDArray[np.bool_], FloatImage]:
        """Where a frame shows what is not expected, and what is."""
        level, places = float(self._levels[index]), places_of(field, self._shape)
        scene, share = warp(self._scene, places), warp(self._known, places)
        light = np.maximum(scene, self._faintest)
        expected = np.float32(level) * (scene + light * self._pattern)
        loose = np.float32(max(level, np.sqrt(level)))
        limit = loose * np.maximum(warp(self._limit, places), self._least) + np.float32(level) * light * self._slack
        seen, window = np.zeros(half.shape, bool), covered(places, half.shape)
        seen[window] = share[window] > 0.99
        odd, slow = odd_places(half, expected, limit, seen, self._sigma)
        return odd, expected + slow

    def _replace(self, raw: NDArray, odd: NDArray[np.bool_], expected: FloatImage) -> None:
        """Undo the calibration of what is expected, where it takes the place of what was seen."""
        size = (FINE * odd.shape[1], FINE * odd.shape[0])
        part = (slice(size[1]), slice(size[0]))
        mask = cv2.resize(odd.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        values = cv2.resize(expected, size, interpolation=cv2.INTER_LINEAR)[mask]
        if self._calibration.gain is not None:
            values /= self._calibration.gain[part][mask]
        values += self._calibration.dark[part][mask]
        if np.issubdtype(raw.dtype, np.integer):
            values = np.clip(np.rint(values), 0, np.iinfo(raw.dtype).max)
        raw[part][mask] = values.astype(raw.dtype)

    def _learn(self, sample: NDArray[np.intp], noise: float, sigma: float, jobs: int) -> None:
        """Tell the scene from what stands still on the sensor, by turns."""
        self._pattern = np.zeros(self._shape, np.float32)
        for _ in range(ROUNDS):
            self._scene, spread, seen = self._middle(sample, self._on_canvas, jobs)
            self._scene = _filled(self._scene, seen > 0)
            self._faintest = faintest_of(self._scene)

            def at_rest(index: int) -> tuple[FloatImage, tuple[slice, slice]]:
                half, field = self._read(index)
                places = places_of(field, self._shape)
                scene = warp(self._scene, places)
                return (half - scene) / np.maximum(scene, self._faintest), covered(places, self._shape)

            pattern, rest, many = self._middle(sample, at_rest, jobs)
            # what stands out of the scatter: the Sun's own structure, not quite averaged out, is no pattern
            sure = (many >= LEAST) & (np.abs(pattern) > SURE * rest / np.sqrt(np.maximum(many, 1)))
            self._pattern = np.where(sure, np.clip(pattern, -0.9, 2), np.float32(0))
            if np.mean(np.abs(self._pattern[self._scene > LIT * self._faintest]) > PLAIN) < FEW:
                break
        # few values say little of a scatter, their neighbours say the same
        spread = np.sqrt(cv2.blur(np.square(spread), (SPREAD_PX, SPREAD_PX)))
        self._limit = expected_difference(self._scene, spread, noise / FINE, sigma)
        self._least = np.float32(self._limit.min())
        self._known = (seen >= LEAST).astype(np.float32)
        quick = expected_difference(self._scene, spread, noise / FINE, sigma, QUICK_SHARE)
        self._quick = np.where(seen >= LEAST, quick, np.float32(np.inf))
        self._slack = pattern_slack(self._pattern)

    def _read(self, index: int) -> tuple[FloatImage, NDArray[np.float32]]:
        """A frame's calibrated block means at the level of the mean, and the field they are sampled along."""
        half = self._small.apply(block_means(self._recording.gray(int(index)), FINE))
        return half / self._levels[index], self._fields[index] / np.float32(FINE)

    def _on_canvas(self, index: int) -> tuple[FloatImage, tuple[slice, slice]]:
        half, field = self._read(index)
        return warp(half / (1 + self._pattern), field), covered(field, self._shape)

    def _middle(
        self, sample: NDArray[np.intp], image: Callable[[int], tuple[FloatImage, tuple[slice, slice]]], jobs: int
    ) -> tuple[FloatImage, FloatImage, NDArray[np.int32]]:
        """Of the sample's images inside their windows: mean of the middle half, spread, number."""
        images = np.full((len(sample), *self._shape), np.float32(np.nan))
        for target, (values, window) in zip(images, ordered_map(image, sample, jobs=jobs), strict=True):
            target[window] = values[window]
        return middle_mean(images)


def _filled(image: FloatImage, known: NDArray[np.bool_]) -> FloatImage:
    """Hold what is known at the border of an image beyond it."""
    rows, columns = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    inside = image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    margins = [(at[0], size - 1 - at[-1]) for at, size in zip((rows, columns), image.shape, strict=True)]
    return np.pad(inside, margins, mode="edge")
