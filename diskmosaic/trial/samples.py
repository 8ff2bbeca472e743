"""What a recording tells about its own sensor: a look at some of its frames, not flat-corrected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.likeness import bands
from diskmosaic.arrays.noise import Variances, level_bins, pair_variances
from diskmosaic.limb.rough import sky_mask
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage

FRAMES = 64  # whose mean is taken: the air blurs the Sun in it, the pattern stays sharp
PAIRS = 4  # of neighbouring frames, a quarter of the sensor each, for photon transfer
LIMB_PX = 25  # from the sky: the limb is no pattern
ODD_PIXEL = 0.2  # a pixel this far from its neighbours' median is hot or dead, not dust


@dataclass(frozen=True)
class Sample:
    """One recording's look.

    Attributes
    ----------
    name : str
        File name.
    frames : int
        In the recording.
    level : float
        ADU above the offset of its bright parts (95th percentile).
    saturated : float
        Share of the pixels at a ceiling that many share; 0 where there is none.
    dust, pixels : float16 (h, w)
        Bands of the mean's logarithm (`diskmosaic.arrays.likeness`), 0 outside `mask`.
    mask : bool (h, w)
        On the disk, away from the limb, no bad pixel.
    noise : tuple of Variances
        Of pairs of neighbouring frames.
    """

    name: str
    frames: int
    level: float
    saturated: float
    dust: NDArray[np.float16]
    pixels: NDArray[np.float16]
    mask: NDArray[np.bool_]
    noise: tuple[Variances, ...]


def take_samples(
    recordings: Sequence[Recording], calibration: Calibration, *, jobs: int = 1, progress: Progress = silent
) -> list[Sample]:
    """Look at every recording.

    Parameters
    ----------
    recordings : sequence of Recording
        The session's tiles, of one size.
    calibration : Calibration
        Dark or offset only, no flat.
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    list of Sample
        In the order of the recordings.
    """
    typical = float(np.median([_bright(calibration.apply(one.gray(one.frame_count // 2))) for one in recordings]))
    samples = ordered_map(lambda one: _sample(one, calibration, typical), recordings, jobs=jobs)
    return list(progress(samples, "trying the flat", total=len(recordings), unit="recordings"))


def sample_of_mean(
    name: str, mean: FloatImage, typical: float, *, frames: int = FRAMES, saturated: float = 0.0, noise=()
) -> Sample:
    """Turn the mean of a recording's frames into its look.

    Parameters
    ----------
    name : str
    mean : float32 (h, w)
        ADU above the offset.
    typical : float
        Brightness of the disk, same unit.
    frames, saturated, noise
        See `Sample`.
    """
    sky = sky_mask(mean, typical).astype(np.uint8)
    near = cv2.dilate(sky, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * LIMB_PX + 1,) * 2))
    lit = mean > 0.01 * typical
    mask = (near == 0) & lit & ~odd_pixels(mean)
    log = np.log(np.where(lit, mean, np.float32(typical)))
    dust, pixels = bands(log, mask)
    return Sample(
        name,
        frames,
        _bright(mean),
        saturated,
        dust.astype(np.float16),
        pixels.astype(np.float16),
        mask,
        tuple(noise),
    )


def odd_pixels(image: FloatImage) -> NDArray[np.bool_]:
    """Hot and dead pixels by their neighbours' median."""
    middle = cv2.medianBlur(np.ascontiguousarray(image, np.float32), 5)
    return np.abs(image - middle) > ODD_PIXEL * np.abs(middle)


def _sample(recording: Recording, calibration: Calibration, typical: float) -> Sample:
    picks = spread_over(recording.frame_count, FRAMES)
    watched = set(picks[:: max(1, len(picks) // 5)])
    total = np.zeros((recording.height, recording.width), np.float32)
    frame, saturated = None, 0.0
    for index in picks:
        raw = recording.gray(index)
        if index in watched:
            saturated = max(saturated, _at_ceiling(raw))
        frame = calibration.apply(raw, frame)
        total += frame
    mean = total / np.float32(len(picks))
    return sample_of_mean(
        recording.name,
        mean,
        typical,
        frames=recording.frame_count,
        saturated=saturated,
        noise=_noise(recording, calibration, mean),
    )


def _noise(recording: Recording, calibration: Calibration, mean: FloatImage) -> list[Variances]:
    if recording.frame_count < 2:
        return []
    bins = level_bins(cv2.GaussianBlur(mean, (0, 0), 2.0), calibration.good & ~odd_pixels(mean))
    edges = np.linspace(0, recording.height, PAIRS + 1).astype(int)
    parts = []
    starts = np.linspace(0, recording.frame_count - 2, PAIRS).astype(int)
    for start, top, bottom in zip(starts, edges[:-1], edges[1:], strict=True):
        first, second = (calibration.apply(recording.gray(int(start) + k))[top:bottom] for k in (0, 1))
        parts.append(pair_variances(first, second, bins[top:bottom], fine=True))
    return parts


def _at_ceiling(raw: NDArray) -> float:
    """Share of the pixels at the frame's largest value, 0 where noise alone explains it."""
    ceiling = raw.max()
    share = float(np.mean(raw == ceiling))
    below = raw[raw < ceiling]
    # noise spreads an unclipped maximum over many values; only a ceiling collects pixels
    return share if below.size and share > 3 * float(np.mean(raw == below.max())) else 0.0


def _bright(image: FloatImage) -> float:
    return float(np.percentile(image[::4, ::4], 95))
