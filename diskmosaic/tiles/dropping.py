"""The second pass over a recording for a finer grid: chosen frames dropped onto it, each pixel's light kept.

Frames are measured as for the usual grid, several at once by threads; then the threads lay them down together, each in
its own rows of the one canvas. So memory does not grow with the threads, nor does any sum depend on them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.drops import drop, places_of
from diskmosaic.arrays.noise import grain
from diskmosaic.parallel import chunks, ordered_map
from diskmosaic.progress import Progress
from diskmosaic.records.image import FloatImage
from diskmosaic.records.tile import Tile
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.finer import finer_shape
from diskmosaic.tiles.stacking import Stack, Sums

TOGETHER = 8  # frames laid down at a time: the canvas goes through the processor's caches once for all of them
LEAST = 1e-12  # of a weight that is divided by
BAND_ROWS = 128  # of the finer grid, to a thread
UNEVEN = 0.3  # scatter of the weights over their mean: more, and single places hang on few frames (0.2 is common
# practice for space telescopes, from memory; a recording's frames lie at random)


def drop_frames(
    stack: Stack, used: NDArray[np.intp], settings: TileSettings, label: str, *, jobs: int, progress: Progress
) -> Sums:
    """Lay frames onto the finer grid.

    Parameters
    ----------
    stack : Stack
        Its second reference made.
    used : int (n,)
        Frames, in order.
    settings : TileSettings
    label : str
        For the progress.
    jobs : int
        Threads; the result does not depend on it.
    progress : callable

    Returns
    -------
    Sums
        Light and weight on the finer grid, what lies on the sensor on the frames' own.
    """
    total = Sums(stack.shape)
    canvas = np.zeros((2, *finer_shape(stack.shape, settings.finer)), np.float32)
    total.light, total.weight = canvas
    waiting: list[tuple[NDArray[np.float32], NDArray[np.float32], float, float]] = []

    def lay(band: range) -> None:
        for frame, places, gain, weight in waiting:
            rows = slice(band.start, band.stop)
            drop(frame, places, settings.finer, settings.pixel_share, canvas, rows, gain=gain, weight=weight)

    def lay_all() -> None:
        for _ in ordered_map(lay, chunks(canvas.shape[1], BAND_ROWS), jobs=jobs):
            pass
        total.noise.append(grain(waiting[-1][0]))
        waiting.clear()

    measured = ordered_map(stack.measured, used, jobs=jobs)
    for index, (frame, field) in zip(used, progress(measured, label, total=len(used)), strict=True):
        gain, weight = 1 / float(stack.level[index]), float(stack.weight[index])
        cv2.scaleAdd(frame, weight * gain, total.sensor, total.sensor)
        total.fields.append(field)
        waiting.append((frame, places_of(field, stack.shape), gain, weight))
        if len(waiting) == TOGETHER:
            lay_all()
    if waiting:
        lay_all()
    total.sensor /= np.float32(np.sum(stack.weight[used]))
    return total


class Dropped:
    """Averages of images on the sensor over a finer tile's frames, as those were laid onto its grid.

    Parameters
    ----------
    tile : Tile
        With the fields of its frames.
    """

    def __init__(self, tile: Tile) -> None:
        shifts, self._weights = tile.moves()
        self._levels = tile.frames["level"][tile.frames["weight"] > 0].astype(np.float64)
        self._tile, self._shape = tile, tile.frame_shape
        # a field samples, a shift moves: their signs are opposite
        self._fields = tile.fields - shifts[:, None, None].astype(np.float32)

    @property
    def brightening(self) -> float:
        """Mean factor by which the frames were scaled to the tile's level."""
        return float(np.sum(self._weights / self._levels) / self._weights.sum())

    def ratio(self, image: FloatImage) -> FloatImage:
        """Return the frames' mean of an image that is about 1; 1 where there is no light."""
        return 1 + self._mean(image - 1, np.ones_like(self._levels))

    def light(self, image: FloatImage) -> FloatImage:
        """Return the frames' mean of an image in ADU, each scaled to the tile's level as its frame was."""
        return self._mean(image, 1 / self._levels)

    def _mean(self, image: FloatImage, gains: NDArray[np.float64]) -> FloatImage:
        sums = np.zeros((2, *self._tile.image.shape), np.float32)
        grid = (self._tile.finer, self._tile.pixel_share)
        image = np.ascontiguousarray(image, np.float32)
        for field, gain, weight in zip(self._fields, gains, self._weights, strict=True):
            places = places_of(field, self._shape)
            drop(image, places, *grid, sums, slice(0, sums.shape[1]), gain=float(gain), weight=float(weight))
        return np.where(sums[1] > 0, sums[0] / np.maximum(sums[1], LEAST), 0).astype(np.float32)


def uneven(weight: NDArray[np.float32], whole: float, settings: TileSettings) -> list[str]:
    """Say where frames lay too much alike to fill a finer grid.

    Parameters
    ----------
    weight : float32 (H, W)
        Of the finer grid.
    whole : float
        Sum of the frames' weights.
    settings : TileSettings
    """
    # where all frames reach: borders are covered by some only
    reached = cv2.boxFilter(weight, -1, (15, 15), borderType=cv2.BORDER_REPLICATE) > 0.9 * whole
    if not reached.any():
        return []
    scatter = float(np.std(weight[reached], dtype=np.float64)) / whole
    if scatter < UNEVEN:
        return []
    empty = 100 * float(np.mean(weight[reached] == 0))
    return [
        f"the frames lie too much alike to fill a grid {settings.finer:g} times finer: its weights scatter by "
        f"{100 * scatter:.0f} %, {empty:.1f} % of its pixels are empty; raise tiles.pixel_share, stack more frames, or "
        "lower tiles.finer"
    ]
