"""One recording becomes one tile: calibrate, grade, choose, align, stack.

Two passes over the file and memory that does not grow with its length. The first measures every frame, as means of
4x4 px, against a reference made from a small sample. From the best frames, put into the mean geometry of *all* (the
air's warps average out only over many), comes a second reference of 2x2 px; the second pass holds the frames it stacks
against that, and adds them up.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.drops import noise_of_drops
from diskmosaic.arrays.flow import fine, structure
from diskmosaic.arrays.noise import grain
from diskmosaic.errors import bad_input
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import chunks, ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.dropping import drop_frames, uneven
from diskmosaic.tiles.laying import lay_frames
from diskmosaic.tiles.looking import FINE, First, Looks, choose
from diskmosaic.tiles.stacking import CHUNK, Stack


def stack_tile(
    recording: Recording,
    calibration: Calibration,
    settings: TileSettings,
    *,
    masters: dict[str, str] | None = None,
    jobs: int = 1,
    progress: Progress = silent,
) -> Tile:
    """Stack the best frames of a recording.

    Parameters
    ----------
    recording : Recording
    calibration : Calibration
        Dark and flat for its frames.
    settings : TileSettings
    masters : dict, optional
        Role -> SHA-256, kept with the tile.
    jobs : int
        Threads; the result does not depend on it.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    Tile

    Raises
    ------
    InputError
        A recording without light.
    """
    count = recording.frame_count
    _refuse_dark(recording, calibration)
    if count == 1:
        return _single(recording, calibration, masters or {})

    said = []
    if settings.per_patch and settings.finer > 1:
        settings = settings.model_copy(update={"per_patch": False})
        said = ["tiles.per_patch is left out on a finer grid: frames count the same everywhere there"]
    first = First(recording, calibration, settings)
    graded = (look for part in ordered_map(first.look_at, chunks(count, CHUNK), jobs=jobs) for look in part)
    graded = progress(graded, f"{recording.name}: grade", total=count)
    looks = Looks.gather(graded, count, first.grid, graded=settings.per_patch)
    chosen = choose(looks, settings)
    stack = Stack(recording, calibration, looks, chosen, first)
    stack.sharpen(settings, jobs=jobs)
    used = np.flatnonzero(chosen.weight)
    label = f"{recording.name}: stack"
    if settings.finer > 1:
        total = drop_frames(stack, used, settings, label, jobs=jobs, progress=progress)
    else:
        total = lay_frames(stack, used, label, jobs=jobs, progress=progress)
    stack.settle(total.fields, used)
    with np.errstate(invalid="ignore", divide="ignore"):
        image = np.divide(total.light, total.weight, out=total.light)  # NaN where no frame reaches
    weights = chosen.weight[used].astype(float)
    noise = total.frame_noise() * np.sqrt(np.sum(weights**2)) / np.sum(weights)
    if total.squares is not None:  # as many frames of equal weight would be as quiet
        seen = total.weight > 0
        np.divide(np.square(total.weight), total.squares, out=total.weight, where=seen)
        noise = total.frame_noise() / np.sqrt(np.median(total.weight[seen]))
    warnings = [*recording.warnings, *chosen.warnings, *stack.crossings.told(used), *said]
    if settings.finer > 1:
        noise *= noise_of_drops(settings.finer, settings.pixel_share)
        warnings += uneven(total.weight, float(weights.sum()), settings)
    return Tile(
        name=recording.name,
        image=image,
        weight=total.weight,
        noise=float(noise),
        frames=stack.table(),
        fields=stack.fields[used] - stack.whole[used, None, None].astype(np.float32),
        sensor_mean=total.sensor,
        sharpness=float(np.average(stack.quality[used], weights=weights)) * first.reference.contrast,
        time_utc=_mean_time(recording, used, weights),
        recording=recording.path.name,
        masters=dict(masters or {}),
        warnings=tuple(warnings),
        places=None if chosen.places is None else chosen.places[used],
        finer=settings.finer,
        pixel_share=settings.pixel_share if settings.finer > 1 else 1.0,
    )


def _refuse_dark(recording: Recording, calibration: Calibration) -> None:
    picks = spread_over(recording.frame_count, 5)
    frames = [calibration.apply(recording.gray(index)) for index in picks]
    if len(frames) > 1:
        noise = float(np.median([np.std(cv2.subtract(frames[0], frame)) for frame in frames[1:]]))
    else:
        noise = grain(frames[0])
    light = max(float(np.percentile(frame, 99.5)) for frame in frames)
    if light <= max(3 * noise, 0.5):
        raise bad_input(
            recording.path,
            found="no light in its frames",
            expected="a part of the Sun's disk",
            todo="set its role to 'dark' or 'ignore' in session.toml",
        )


def _single(recording: Recording, calibration: Calibration, masters: dict[str, str]) -> Tile:
    """A ready-stacked still is a tile already."""
    image = calibration.apply(recording.gray(0)).copy()
    frames = np.zeros(1, FRAME_DTYPE)
    frames["quality"] = frames["level"] = frames["weight"] = 1
    stamp = recording.timestamp()
    contrast = float(np.std(fine(structure(block_means(image, FINE))))) / max(float(image.mean()), 1e-6)
    return Tile(
        name=recording.name,
        image=image,
        weight=np.ones(image.shape, np.float32),
        noise=grain(image),
        frames=frames,
        sharpness=contrast,
        time_utc=None if stamp is None else _iso(stamp),
        recording=recording.path.name,
        masters=masters,
        warnings=tuple(recording.warnings),
    )


def _mean_time(recording: Recording, used: NDArray[np.intp], weights: NDArray[np.float64]) -> str | None:
    if recording.times is None:
        stamp = recording.timestamp()
        return None if stamp is None else _iso(stamp)
    ticks = recording.times[used].astype("datetime64[us]").astype(np.int64)
    mean = ticks[0] + round(float(np.average(ticks - ticks[0], weights=weights)))
    return _iso(np.datetime64(int(mean), "us"))


def _iso(stamp: np.datetime64) -> str:
    return str(stamp.astype("datetime64[ms]"))
