"""Dark and flat masters from their recordings.

The flat is a mean of frames, each scaled by its own level (thin cloud, drifting transparency), clipped against a
robust start, scaled to mean 1. What a defocused Sun leaves in it at large scale (the disk is brighter at its centre)
cannot be told from vignetting in the flat itself; `diskmosaic.levels` solves it from the tiles' overlaps.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.noise import UNKNOWN, PhotonTransfer, fit_transfer, level_bins, pair_variances
from diskmosaic.arrays.stacks import Moments, local_outliers, trimmed_start
from diskmosaic.errors import bad_input
from diskmosaic.parallel import chunks, each_counted, ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings import Recording
from diskmosaic.records import Master, Source
from diskmosaic.settings import MasterSettings
from diskmosaic.slewed import MOVES, light_change, slewed_mean

CHUNK = 50  # frames summed together; fixed, so that sums do not depend on the number of threads
BATCH_BYTES = 32 << 20  # of raw frames added at a time
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
    frames = _frame_list(recordings)
    moments = _average(frames, None, settings, scaled=False, jobs=jobs, progress=progress, label="dark")
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
    name = recordings[0].path
    base = None
    if dark is not None:
        if dark.image.shape != (recordings[0].height, recordings[0].width):
            raise bad_input(
                name,
                found=f"a flat of {_size((recordings[0].height, recordings[0].width))} pixels",
                expected=f"{_size(dark.image.shape)} as the dark has",
                todo="use recordings made with the same camera settings",
            )
        base = dark.image
    elif offset:
        base = np.full((recordings[0].height, recordings[0].width), np.float32(offset))
    frames = _frame_list(recordings)
    _refuse_saturated(frames, name)
    if settings.flat == "slewed" or (settings.flat == "auto" and _moves(frames, base)):
        return _slewed_flat(frames, base, settings, 0.0 if dark is not None else offset, sources, jobs, progress)
    moments = _average(frames, base, settings, scaled=True, jobs=jobs, progress=progress, label="flat")
    image, deviation = moments.result()
    mean = float(image.mean(dtype=np.float64))
    image /= np.float32(mean)
    good = ~local_outliers(image, sigma=HOT_SIGMA, floor=DEAD_SHARE) & (image > 0.05)
    transfer = _photon_transfer(frames, image * np.float32(mean), good, base, dark)
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


def _moves(frames: list[tuple[Recording, int]], base: NDArray[np.float32] | None) -> bool:
    """Tell whether the Sun moves over the sensor while a flat is recorded."""
    picks = spread_over(len(frames), 9)
    sample = [_less_base(frames[position], base) for position in picks]
    # a frame without light tells nothing here; the plain average names it
    return all(frame.mean() > 0 for frame in sample) and light_change(sample) > MOVES


def _slewed_flat(
    frames: list[tuple[Recording, int]],
    base: NDArray[np.float32] | None,
    settings: MasterSettings,
    offset: float,
    sources: tuple[Source, ...],
    jobs: int,
    progress: Progress,
) -> Master:
    """Make a flat of frames under which the Sun moves (`diskmosaic.slewed`)."""
    found = slewed_mean(
        lambda position: _less_base(frames[position], base),
        len(frames),
        clip_sigma=settings.clip_sigma,
        pilot_frames=settings.pilot_frames,
        jobs=jobs,
        progress=progress,
    )
    if found is None:
        raise bad_input(
            frames[0][0].path,
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
    typical = [float(np.percentile(_less_base(frames[k], base), 98)) for k in (0, len(frames) // 2, len(frames) - 1)]
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


def _less_base(frame: tuple[Recording, int], base: NDArray[np.float32] | None) -> NDArray[np.float32]:
    recording, index = frame
    raw = recording.gray(index)
    return raw.astype(np.float32) if base is None else cv2.subtract(raw, base, dtype=cv2.CV_32F)


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


def _frame_list(recordings: Sequence[Recording]) -> list[tuple[Recording, int]]:
    first = recordings[0]
    for other in recordings[1:]:
        if (other.height, other.width) != (first.height, first.width):
            raise bad_input(
                other.path,
                found=f"{_size((other.height, other.width))} pixels",
                expected=f"{_size((first.height, first.width))} as {first.path.name} has",
                todo="set the role of one of them to 'ignore' in session.toml",
            )
    return [(recording, index) for recording in recordings for index in range(recording.frame_count)]


def _average(
    frames: list[tuple[Recording, int]],
    base: NDArray[np.float32] | None,
    settings: MasterSettings,
    *,
    scaled: bool,
    jobs: int,
    progress: Progress,
    label: str,
) -> Moments:
    """Clipped mean of all frames; ``scaled`` first brings each to the level that is typical of them."""
    base_mean = 0.0 if base is None else float(base.mean(dtype=np.float64))
    level = None

    def scale(raw: NDArray, position: int) -> np.float32:
        if level is None:
            return np.float32(1)
        own = cv2.mean(raw)[0] - base_mean
        if own <= 0:
            recording, index = frames[position]
            raise bad_input(
                recording.path,
                found=f"frame {index} without light",
                expected="a lit flat",
                todo="set its role in session.toml or record the flat again",
            )
        return np.float32(level / own)

    def load(position: int) -> NDArray[np.float32]:
        recording, index = frames[position]
        raw = recording.gray(index)
        frame = raw.astype(np.float32) if base is None else cv2.subtract(raw, base, dtype=cv2.CV_32F)
        return frame * scale(raw, position)

    sample = spread_over(len(frames), settings.pilot_frames)
    if scaled:
        level = float(np.median([cv2.mean(f[0].gray(f[1]))[0] for f in (frames[i] for i in sample)])) - base_mean
    if len(sample) < 8:  # too few to clip: one outlier among few cannot be told from noise
        start = load(0)
        limit = None
    else:
        start, deviation = trimmed_start(ordered_map(load, sample, jobs=jobs))
        # a pixel's own deviation from so few frames is rough: neighbours steady it
        steady = np.sqrt(cv2.blur(np.square(deviation), (7, 7)))
        limit = np.float32(settings.clip_sigma) * np.maximum(np.maximum(deviation, steady), np.float32(0.5))

    first = frames[0][0]
    kind = first.dtype if first.planes == 1 else np.dtype(np.float32)
    batch = int(np.clip(BATCH_BYTES // (first.height * first.width * kind.itemsize), 1, CHUNK))

    def chunk_moments(positions: range) -> Moments:
        moments = Moments(start, limit)
        raw = np.empty((batch, first.height, first.width), kind)
        for part in chunks(len(positions), batch):
            scales = np.empty(len(part), np.float32)
            for k, position in enumerate(positions[part.start : part.stop]):
                recording, index = frames[position]
                recording.gray(index, out=raw[k])
                scales[k] = scale(raw[k], position)
            moments.add(raw[: len(part)], scales=scales, base=base)
        return moments

    total = Moments(start, limit)
    parts = chunks(len(frames), CHUNK)
    summed = ordered_map(chunk_moments, parts, jobs=jobs)
    for moments in progress(each_counted(summed, parts), label, total=len(frames)):
        if moments is not None:
            total.merge(moments)
    return total


def _photon_transfer(
    frames: list[tuple[Recording, int]],
    level: NDArray[np.float32],
    good: NDArray[np.bool_],
    base: NDArray[np.float32] | None,
    dark: Master | None,
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
    level, good, base = level[rows], good[rows], None if base is None else base[rows]
    bins = level_bins(level, good)
    pairs = int(np.clip(np.ceil(TRANSFER_VALUES / level.size), 4, 24))
    parts = []
    for position in spread_over(len(frames) - 1, pairs):
        if frames[position][0] is not frames[position + 1][0]:
            continue
        first, second = (recording.gray(index)[rows] for recording, index in frames[position : position + 2])
        if base is not None:
            first, second = (cv2.subtract(raw, base, dtype=cv2.CV_32F) for raw in (first, second))
        parts.append(pair_variances(first.astype(np.float32), second.astype(np.float32), bins))
    return fit_transfer(parts, read_variance)


def _refuse_saturated(frames: list[tuple[Recording, int]], name) -> None:
    """Raise where a flat's brightest value is a ceiling that many pixels share."""
    picks = spread_over(len(frames), 5)
    sample = np.stack([frames[i][0].gray(frames[i][1]) for i in picks])
    ceiling = sample.max()
    share = float(np.mean(sample == ceiling))
    # noise spreads an unclipped maximum over many values; only a ceiling collects pixels
    if share > SATURATED_SHARE and share > 3 * float(np.mean(sample == ceiling - 1)):
        raise bad_input(
            name,
            found=f"{100 * share:.1f} % of the pixels at the ceiling of {ceiling}",
            expected="a flat with no saturated pixel",
            todo="record the flat again with a shorter exposure, or set its role to 'ignore' in session.toml",
        )


def _standard_error(deviation: NDArray[np.float32], count: NDArray[np.float32]) -> NDArray[np.float32]:
    return (deviation / np.sqrt(np.maximum(count, 1))).astype(np.float32)


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[1]}x{shape[0]}"
