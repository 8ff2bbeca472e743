"""Dark and flat masters from their recordings.

The flat is a mean of frames, each scaled by its own level (thin cloud, drifting transparency), clipped against a
robust start, scaled to mean 1. What a defocused Sun leaves in it at large scale (the disk is brighter at its centre)
cannot be told from vignetting in the flat itself; `diskmosaic.levels.levels` solves it from the tiles' overlaps.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.noise import UNKNOWN, PhotonTransfer, Variances, fit_transfer, level_bins, pair_variances
from diskmosaic.arrays.stacks import local_outliers
from diskmosaic.errors import bad_input
from diskmosaic.masters.averaging import Frames, clipped_mean
from diskmosaic.masters.slewed import MOVES, light_change, slewed_mean
from diskmosaic.parallel import ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage
from diskmosaic.records.master import Master, Source
from diskmosaic.settings import MasterSettings

TRANSFER_ROWS = 64  # of a band that photon transfer is measured on
HOT_SIGMA = 12.0  # a dark pixel this far from its neighbours' median is hot (common practice, no source)
DEAD_SHARE = 0.35  # a flat pixel this far from its neighbours' median is dead or hot; dust is never that sharp
TRANSFER_VALUES = 8e6  # pixels of frame pairs that photon transfer looks at: the gain then is known to some 0.2 %
SLEWED_LEAST = 0.1  # of a slewed flat's frames: fewer leave a pixel three times as uncertain as the rest
SATURATED_SHARE = 0.001  # more pixels than this at the ceiling spoil a flat


def make_dark(
    recordings: Sequence[Recording],
    settings: MasterSettings,
    *,
    sources: tuple[Source, ...] = (),
    jobs: int = 1,
    progress: Progress = silent,
) -> Master:
    """Average dark frames and map the hot pixels.

    Parameters
    ----------
    recordings : sequence of Recording
        All of one size.
    settings : MasterSettings
    sources : tuple of Source
        Kept with the master.
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    Master
        ``image`` in ADU.
    """
    frames = Frames.of(recordings)
    moments = clipped_mean(frames, settings, scaled=False, jobs=jobs, progress=progress, label="dark")
    image, deviation = moments.result()
    clipped = 1 - float(moments.count.mean()) / len(frames)
    return Master(
        kind="dark",
        image=image,
        uncertainty=_standard_error(deviation, moments.count),
        frames=len(frames),
        clipped=clipped,
        level=float(image.mean(dtype=np.float64)),
        offset=0.0,
        good=~local_outliers(image, sigma=HOT_SIGMA, floor=2.0),
        sources=sources,
    )


def make_flat(
    recordings: Sequence[Recording],
    dark: Master | None,
    settings: MasterSettings,
    *,
    offset: float = 0.0,
    sources: tuple[Source, ...] = (),
    jobs: int = 1,
    progress: Progress = silent,
) -> Master:
    """Average flat frames, each scaled by its own level, to a response of mean 1.

    Parameters
    ----------
    recordings : sequence of Recording
        All of one size.
    dark : Master or None
    settings : MasterSettings
    offset : float
        ADU taken off where there is no dark.
    sources, jobs, progress
        As for `make_dark`.

    Returns
    -------
    Master

    Raises
    ------
    InputError
        Flat of another size than the dark, saturated, or without light.
    """
    if dark is not None:
        wanted, found = (f"{shape[1]}x{shape[0]}" for shape in (dark.image.shape, recordings[0].shape))
        if found != wanted:
            raise bad_input(
                recordings[0].path,
                found=f"a flat of {found} pixels",
                expected=f"{wanted} as the dark has",
                todo="use recordings made with the same camera settings",
            )
    frames = Frames.of(recordings, offset if dark is None else dark.image)
    _refuse_saturated(frames)
    if settings.flat == "slewed" or (settings.flat == "auto" and _moves(frames)):
        return _slewed_flat(frames, settings, 0.0 if dark is not None else offset, sources, jobs, progress)
    moments = clipped_mean(frames, settings, scaled=True, jobs=jobs, progress=progress, label="flat")
    image, deviation = moments.result()
    mean = float(image.mean(dtype=np.float64))
    image /= np.float32(mean)
    good = ~local_outliers(image, sigma=HOT_SIGMA, floor=DEAD_SHARE) & (image > 0.05)
    transfer = _photon_transfer(frames, image * np.float32(mean), good, dark, jobs)
    warnings = []
    if len(frames) < 100:
        warnings.append(
            f"flat: only {len(frames)} frames; its noise goes into every tile (about 500 are usual for tiles of 1,000)"
        )
    return Master(
        kind="flat",
        image=image,
        uncertainty=_standard_error(deviation, moments.count) / np.float32(mean),
        frames=len(frames),
        clipped=1 - float(moments.count.mean()) / len(frames),
        level=mean,
        offset=float(offset if dark is None else 0.0),
        good=good,
        sources=sources,
        warnings=tuple(warnings),
        gain=transfer.gain,
        read_noise=transfer.read_noise,
    )


def _moves(frames: Frames) -> bool:
    """Tell whether the Sun moves over the sensor while a flat is recorded."""
    sample = [frames.light(position) for position in frames.spread(9)]
    # a frame without light tells nothing here; the plain average names it
    return all(cv2.mean(frame)[0] > 0 for frame in sample) and light_change(sample) > MOVES


def _slewed_flat(
    frames: Frames,
    settings: MasterSettings,
    offset: float,
    sources: tuple[Source, ...],
    jobs: int,
    progress: Progress,
) -> Master:
    """Make a flat of frames under which the Sun moves (`diskmosaic.masters.slewed`)."""
    found = slewed_mean(
        frames.light,
        len(frames),
        clip_sigma=settings.clip_sigma,
        pilot_frames=settings.pilot_frames,
        jobs=jobs,
        progress=progress,
    )
    if found is None:
        raise bad_input(
            frames.places[0][0].path,
            found="no frame with enough light",
            expected="a flat over which the Sun moves",
            todo="set its role in session.toml or record the flat again",
        )
    warnings = [
        "flat: slewed (the Sun moves over it): each frame's own brightness was fitted out; vignetting is left to the "
        "levels"
    ]
    share = float(np.mean(found.count < SLEWED_LEAST * len(frames)))
    if share > 0:
        warnings.append(
            f"flat: {100 * share:.1f} % of the sensor were lit in less than {100 * SLEWED_LEAST:.0f} % of the frames; "
            "there it is uncertain"
        )
    good = ~local_outliers(found.image, sigma=HOT_SIGMA, floor=DEAD_SHARE) & (found.image > 0.05)
    typical = [float(np.percentile(frames.light(k), 98)) for k in (0, len(frames) // 2, len(frames) - 1)]
    return Master(
        kind="flat",
        image=found.image,
        # a pixel that no two frames show lit is not known at all: its error is that of taking it for 1
        uncertainty=np.where(np.isfinite(found.uncertainty), found.uncertainty, 1).astype(np.float32),
        frames=len(frames),
        clipped=1 - float(found.count.sum(dtype=np.float64) / max(found.seen.sum(dtype=np.float64), 1)),
        level=float(np.median(typical)),
        offset=float(offset),
        good=good,
        sources=sources,
        warnings=tuple(warnings),
    )


def sky_offset(recordings: Sequence[Recording]) -> tuple[float, str]:
    """Estimate the camera's offset from the darkest sky off the limb, where there is no dark.

    Parameters
    ----------
    recordings : sequence of Recording
        The tiles.

    Returns
    -------
    offset : float
        ADU; 0 where no tile sees sky.
    sentence : str
        What was done, to be shown.
    """
    darkest, brightest = np.inf, 0.0
    for recording in recordings:
        picks = spread_over(recording.frame_count, 5)
        mean = np.mean([recording.gray(int(index)).astype(np.float32) for index in picks], axis=0)
        blocks = cv2.resize(
            mean, (max(mean.shape[1] // 32, 1), max(mean.shape[0] // 32, 1)), interpolation=cv2.INTER_AREA
        )
        darkest, brightest = min(darkest, float(blocks.min())), max(brightest, float(blocks.max()))
    if darkest < 0.15 * brightest:
        return darkest, f"no dark: an offset of {darkest:.1f} ADU was taken from the darkest sky off the limb"
    return 0.0, "no dark and no sky in any tile: the camera's offset is unknown and was taken as 0"


def _photon_transfer(
    frames: Frames, level: FloatImage, good: NDArray[np.bool_], dark: Master | None, jobs: int
) -> PhotonTransfer:
    """Gain and read noise from pairs of neighbouring frames of a flat; `level` (h, w) is its mean in ADU."""
    if len(frames) < 2:
        return UNKNOWN
    read_variance = None
    if dark is not None:
        good = good & dark.good
        spread = float(np.median(np.square(dark.uncertainty, dtype=np.float64))) * dark.frames
        # where a dark's noise is less than its steps, it hides the rounding that lit frames do have
        read_variance = max(spread, 1 / 12) if np.isfinite(spread) else None
    # every fourth band of rows has levels enough, at a quarter of the cost
    rows = np.flatnonzero(np.arange(len(level)) // TRANSFER_ROWS % 4 == 0)
    bins = level_bins(level[rows], good[rows])
    base = frames.base[rows]

    def pair(position: int) -> Variances:
        first, second = (frames.raw(k)[rows] for k in (position, position + 1))
        return pair_variances(*(cv2.subtract(raw, base, dtype=cv2.CV_32F) for raw in (first, second)), bins)

    wanted = int(np.clip(np.ceil(TRANSFER_VALUES / bins.size), 4, 24))
    starts = [k for k in spread_over(len(frames) - 1, wanted) if frames.places[k][0] is frames.places[k + 1][0]]
    return fit_transfer(list(ordered_map(pair, starts, jobs=jobs)), read_variance)


def _refuse_saturated(frames: Frames) -> None:
    """Raise where a flat's brightest value is a ceiling that many pixels share."""
    sample = [frames.raw(position) for position in frames.spread(5)]
    ceiling = max(raw.max() for raw in sample)
    share, below = (float(np.mean([np.mean(raw == value) for raw in sample])) for value in (ceiling, ceiling - 1))
    # noise spreads an unclipped maximum over many values; only a ceiling collects pixels
    if share > SATURATED_SHARE and share > 3 * below:
        raise bad_input(
            frames.places[0][0].path,
            found=f"{100 * share:.1f} % of the pixels at the ceiling of {ceiling}",
            expected="a flat with no saturated pixel",
            todo="record the flat again with a shorter exposure, or set its role to 'ignore' in session.toml",
        )


def _standard_error(deviation: NDArray[np.float32], count: NDArray[np.float32]) -> NDArray[np.float32]:
    return (deviation / np.sqrt(np.maximum(count, 1))).astype(np.float32)
