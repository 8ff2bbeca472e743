"""The second pass over a recording: chosen frames measured once more, then warped onto the tile's canvas and summed.

Frames are measured several at once by threads; then the threads sum them together, each in its own rows of the one
canvas. So memory does not grow with the threads, nor does any sum depend on them.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.bands import add_band
from diskmosaic.arrays.noise import grain
from diskmosaic.arrays.warped import covered
from diskmosaic.parallel import chunks, ordered_map
from diskmosaic.progress import Progress
from diskmosaic.tiles.stacking import Stack, Sums

TOGETHER = 8  # frames summed at a time: the canvas goes through the processor's caches once for all of them
NOISE_EVERY = 16  # frames, of which the noise of one is measured
BAND_ROWS = 32  # to a thread; with the masters' and the frame's, a few hundred kB


def lay_frames(stack: Stack, used: NDArray[np.intp], label: str, *, jobs: int, progress: Progress) -> Sums:
    """Sum frames on the tile's canvas.

    Parameters
    ----------
    stack : Stack
        Its second reference made.
    used : int (n,)
        Frames, in order.
    label : str
        For the progress.
    jobs : int
        Threads; the result does not depend on it.
    progress : callable

    Returns
    -------
    Sums
    """
    total = Sums(stack.shape)
    if stack.places is not None:
        total.squares = np.zeros(stack.shape, np.float32)
    for _ in progress(_laid(stack, used, total, jobs), label, total=len(used)):
        pass
    # what was summed on the sensor is raw: calibrating is linear, and done once for all frames
    if stack.places is None:
        scale = np.sum(stack.weight[used] / stack.level[used])
        total.sensor = stack.calibration.apply(total.sensor / np.float32(scale))
        total.sensor *= np.float32(scale / np.sum(stack.weight[used]))
    else:
        weight = np.sum(stack.places[used], axis=0, dtype=np.float64)
        scale = np.einsum("nij,n->ij", stack.places[used], 1 / stack.level[used], dtype=np.float64)
        scale, weight = (_enlarged(part, stack.shape) for part in (scale, weight))
        total.sensor = stack.calibration.apply(total.sensor / scale)
        total.sensor *= scale / weight
    return total


def _enlarged(cells: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float32]:
    """A sum of what the frames have at cells, at every pixel: as linear between the centres as they are."""
    return cv2.resize(cells.astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR)


def _laid(stack: Stack, used: NDArray[np.intp], total: Sums, jobs: int) -> Iterator[None]:
    """Sum frames into `total`, yielding once for each."""
    calibration, (height, width) = stack.calibration, stack.shape
    recording = stack.recording
    dtype = recording.dtype if recording.planes == 1 else np.float32
    gain = np.ones((1, width), np.float32) if calibration.gain is None else calibration.gain
    weights = stack.weight if stack.places is None else stack.places
    raws = np.empty((min(TOGETHER, len(used)), height, width), dtype)
    mended = np.empty((len(raws), len(calibration.bad)), np.float32)
    windows = np.empty((len(raws), 4), np.int64)

    def measure(k: int, index: int) -> NDArray[np.float32]:
        recording.gray(index, raws[k])
        field = stack.refined(raws[k], index)
        mended[k] = calibration.mended(raws[k])
        rows, columns = covered(field, stack.shape)
        windows[k] = rows.start, rows.stop, columns.start, columns.stop
        return field

    for part in chunks(len(used), TOGETHER):
        indices = used[part.start : part.stop]
        count = len(indices)
        fields = list(ordered_map(lambda item: measure(*item), list(enumerate(indices.tolist())), jobs=jobs))
        total.fields += fields
        if part.start % NOISE_EVERY == 0:
            total.noise.append(grain(calibration.apply(raws[0])))
        masters = (calibration.dark, gain, calibration.bad, mended[:count])
        frames = (np.stack(fields), windows[:count], weights[indices], stack.level[indices])

        def lay(band: range, count=count, masters=masters, frames=frames) -> None:
            add_band(raws[:count], masters, *frames, band, (total.light, total.weight, total.sensor), total.squares)

        for _ in ordered_map(lay, chunks(height, BAND_ROWS), jobs=jobs):
            pass
        yield from [None] * count
