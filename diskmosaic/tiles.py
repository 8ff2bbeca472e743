"""One recording becomes one tile: calibrate, grade, choose, align, stack.

Two passes over the file and memory that does not grow with its length. The first measures every frame, as means of
4x4 px, against a reference made from a small sample. From the best frames, put into the mean geometry of *all* (the
air's warps average out only over many), comes a second reference of 2x2 px; the second pass holds the frames it stacks
against that, and adds them up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.flow import AGREES, Look, Reference, fine, structure
from diskmosaic.arrays.kernels import block_means, warp, warp_add
from diskmosaic.calibration import Calibration
from diskmosaic.errors import bad_input
from diskmosaic.parallel import chunks, each_counted, ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings import Recording
from diskmosaic.records import FRAME_DTYPE, Tile
from diskmosaic.settings import TileSettings

CHUNK = 16  # frames summed together; fixed, so that sums do not depend on the number of threads
SAMPLE = 24  # frames that the first reference is chosen from
REFERENCE_FRAMES = 8  # best of the sample, averaged
SECOND_FRAMES = 24  # best of the recording, averaged for the second reference
MIN_LEVEL = 0.3  # of the recording's median; darker frames are behind a cloud
COARSE, FINE = 4, 2  # px of the blocks that frames are looked at in, in the first and in the second pass
LEAST_BLOCKS = 100_000  # of 4x4 px; smaller frames have too few to be graded by, and are looked at in 2x2 at once


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

    first = _First(recording, calibration, settings)
    looks: list[Look] = []
    graded = (look for part in ordered_map(first.look_at, chunks(count, CHUNK), jobs=jobs) for look in part)
    looks.extend(progress(graded, f"{recording.name}: grade", total=count))
    chosen = _choose(looks, settings)
    stack = _Stack(recording, calibration, looks, chosen, first)
    stack.sharpen(settings, jobs=jobs)
    total = _Sums(stack.shape)
    used = np.flatnonzero(chosen.weight)
    parts = chunks(len(used), CHUNK)
    stacked = ordered_map(lambda part: stack.add(used[part.start : part.stop]), parts, jobs=jobs)
    for sums in progress(each_counted(stacked, parts), f"{recording.name}: stack", total=len(used)):
        if sums is not None:
            total.merge(sums)
    stack.settle(total.fields, used)
    with np.errstate(invalid="ignore", divide="ignore"):
        image = np.where(total.weight > 0, total.light / total.weight, np.float32(np.nan)).astype(np.float32)
    weights = chosen.weight[used].astype(float)
    noise = total.frame_noise() * np.sqrt(np.sum(weights**2)) / np.sum(weights)
    return Tile(
        name=recording.name,
        image=image,
        weight=total.weight,
        noise=float(noise),
        frames=stack.table(),
        fields=stack.fields[used] - stack.whole[used, None, None].astype(np.float32),
        sensor_mean=total.sensor / np.float32(weights.sum()),
        sharpness=float(np.average([looks[k].quality for k in used], weights=weights)) * first.reference.contrast,
        time_utc=_mean_time(recording, used, weights),
        recording=recording.path.name,
        masters=dict(masters or {}),
        warnings=tuple(recording.warnings) + chosen.warnings,
    )


@dataclass(frozen=True)
class _Choice:
    weight: NDArray[np.float32]  # per frame, 0: not used
    shown: NDArray[np.bool_]  # frames that show this field at all
    warnings: tuple[str, ...]


def _refuse_dark(recording: Recording, calibration: Calibration) -> None:
    picks = spread_over(recording.frame_count, 5)
    frames = [calibration.apply(recording.gray(index)) for index in picks]
    if len(frames) > 1:
        noise = float(np.median([np.std(cv2.subtract(frames[0], frame)) for frame in frames[1:]]))
    else:
        noise = _grain(frames[0])
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
        noise=_grain(image),
        frames=frames,
        sharpness=contrast,
        time_utc=None if stamp is None else _iso(stamp),
        recording=recording.path.name,
        masters=masters,
        warnings=tuple(recording.warnings),
    )


class _First:
    """The first reference, and frames as means of 4x4 px held against it."""

    def __init__(self, recording: Recording, calibration: Calibration, settings: TileSettings):
        self.blocks = COARSE if recording.height * recording.width >= LEAST_BLOCKS * COARSE**2 else FINE
        self._recording, self._small = recording, calibration.binned(self.blocks)
        self.grid = tuple(max(round(n / settings.field_step_px), 1) for n in (recording.height, recording.width))
        picks = spread_over(recording.frame_count, SAMPLE)
        sample = [self._read(index) for index in picks]
        self.noise = float(np.median([_grain(self._recording.gray(index)) for index in picks[:: len(picks) // 4 or 1]]))
        sharpness = [float(np.mean(np.square(fine(structure(f))))) / max(float(np.mean(f)), 1e-6) ** 2 for f in sample]
        order = np.argsort(sharpness)[::-1]
        known = {"grid": self.grid, "noise": self.noise / self.blocks}
        sharpest = Reference(sample[order[0]], **known, local=False)
        looks = [sharpest.look(frame, sharpest.whole_shift(frame)) for frame in sample]
        agrees = np.array([look.agreement > AGREES for look in looks])
        agrees[order[0]] = True
        # the canvas lies in the middle of where the sample lies: little of a drifting recording falls off it
        track = np.array([look.field[0, 0] for look in looks], np.float64)
        middle = np.median(track[agrees], axis=0)
        light = np.zeros_like(sample[0])
        weight = np.zeros_like(light)
        for index in [index for index in order if agrees[index]][:REFERENCE_FRAMES]:
            field = looks[index].field - middle.astype(np.float32)
            seen = _seen(field, light.shape)
            warp_add(sample[index], field, 1 / looks[index].level, light, seen)
            weight[seen] += 1
        beyond = warp(sample[order[0]], looks[order[0]].field - middle.astype(np.float32))
        mean = np.where(weight > 0, light / np.maximum(weight, 1), beyond)
        self.reference = Reference(mean, **known, local=settings.local_fields)
        # where frames between those of the sample are looked for first
        at = np.array(picks, float)[agrees]
        near = (track - middle)[agrees]
        calm = np.stack([np.median(near[max(0, k - 2) : k + 3], axis=0) for k in range(len(near))])
        frames = np.arange(recording.frame_count)
        self._starts = np.stack([np.interp(frames, at, calm[:, axis]) for axis in (0, 1)], axis=-1)

    def look_at(self, indices: range) -> list[Look]:
        return [self.reference.look(self._read(index), tuple(self._starts[index])) for index in indices]

    def _read(self, index: int) -> NDArray[np.float32]:
        return self._small.apply(block_means(self._recording.gray(index), self.blocks))


def _choose(looks: list[Look], settings: TileSettings) -> _Choice:
    """Keep the sharpest share of the frames that show the field."""
    quality = np.array([look.quality for look in looks])
    agreement = np.array([look.agreement for look in looks])
    level = np.array([look.level for look in looks])
    shown = (agreement > AGREES) & (level > MIN_LEVEL * np.median(level))
    if not shown.any():
        shown[:] = True
    wanted = int(np.ceil(settings.keep * len(looks)))
    wanted = min(max(wanted, settings.min_frames), int(shown.sum()))
    order = np.argsort(np.where(shown, -quality, np.inf), kind="stable")[:wanted]
    weight = np.zeros(len(looks), np.float32)
    weight[order] = 1
    lost = int((~shown).sum())
    warnings = (
        (f"{lost} of {len(looks)} frames do not show the field (cloud or lost guiding) and were dropped",)
        if lost > 0.1 * len(looks)
        else ()
    )
    return _Choice(weight, shown, warnings)


class _Sums:
    """Light and weight summed over frames; the light once more as it lies on the sensor."""

    def __init__(self, shape: tuple[int, int]):
        self.light = np.zeros(shape, np.float32)
        self.weight = np.zeros(shape, np.float32)
        self.sensor = np.zeros(shape, np.float32)
        self.noise: list[float] = []
        self.fields: list[NDArray[np.float32]] = []

    def merge(self, other: _Sums) -> None:
        self.light += other.light
        self.weight += other.weight
        self.sensor += other.sensor
        self.noise += other.noise
        self.fields += other.fields

    def frame_noise(self) -> float:
        """Typical pixel noise of one frame."""
        return float(np.median(self.noise))


class _Stack:
    """Warps chosen frames onto the tile's canvas and sums them."""

    def __init__(
        self,
        recording: Recording,
        calibration: Calibration,
        looks: list[Look],
        chosen: _Choice,
        first: _First,
    ):
        self.recording, self.calibration = recording, calibration
        self.looks, self.weight = looks, chosen.weight
        self.shape, self.noise = (recording.height, recording.width), first.noise
        trust = first.reference.trust
        self._share = (trust / trust.sum()).reshape(1, -1, 1)
        self.fields = np.stack([look.field for look in looks]) * np.float32(first.blocks)  # to full resolution
        self.whole = self._mean(self.fields)
        bends = self.fields - self.whole[:, None, None].astype(np.float32)
        bends -= bends[chosen.shown].mean(axis=0, dtype=np.float64).astype(np.float32)
        # the canvas lies where the weighted mean of the frames used lies: no shift is left between tile and sensor
        self.whole = self.whole - np.average(self.whole, axis=0, weights=self.weight)
        self.fields = bends + self.whole[:, None, None].astype(np.float32)
        self.level = np.array([look.level for look in looks], np.float32)
        self.level /= np.median(self.level[self.weight > 0])
        self._small = calibration.binned(FINE)

    def _mean(self, fields: NDArray[np.float32]) -> NDArray[np.float64]:
        return np.sum(fields.reshape(len(fields), -1, 2).astype(np.float64) * self._share, axis=1)

    def sharpen(self, settings: TileSettings, *, jobs: int) -> None:
        """Make the second reference."""
        used = np.flatnonzero(self.weight)
        best = used[np.argsort([-self.looks[k].quality for k in used], kind="stable")[:SECOND_FRAMES]]
        shape = (self.shape[0] // FINE, self.shape[1] // FINE)

        def add(part: range) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
            light, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
            for index in best[part.start : part.stop]:
                field = self.fields[index] / np.float32(FINE)
                seen = _seen(field, shape)
                half = self._small.apply(block_means(self.recording.gray(int(index)), FINE))
                warp_add(half, field, 1 / float(self.level[index]), light, seen)
                weight[seen] += 1
            return light, weight

        light, weight = (
            sum(parts) for parts in zip(*ordered_map(add, chunks(len(best), CHUNK // 4), jobs=jobs), strict=True)
        )
        mean = np.where(weight > 0, light / np.maximum(weight, 1), np.sum(light) / max(float(np.sum(weight)), 1))
        grid = self.fields.shape[1:3]
        self._reference = Reference(mean, grid=grid, noise=self.noise / FINE, local=settings.local_fields)

    def add(self, indices: NDArray[np.intp]) -> _Sums:
        """Sum some frames."""
        sums = _Sums(self.shape)
        raw = frame = None
        for index in indices:
            raw = self.recording.gray(int(index), raw)
            half = self._small.apply(block_means(raw, FINE))
            field = self._reference.refine(half, self.fields[index] / np.float32(FINE)) * np.float32(FINE)
            frame = self.calibration.apply(raw, frame)
            weight, seen = float(self.weight[index]), _seen(field, self.shape)
            warp_add(frame, field, weight / float(self.level[index]), sums.light, seen)
            cv2.scaleAdd(frame, weight / float(self.level[index]), sums.sensor, sums.sensor)
            sums.weight[seen] += np.float32(weight)
            sums.fields.append(field)
        sums.noise.append(_grain(frame))
        return sums

    def settle(self, fields: list[NDArray[np.float32]], used: NDArray[np.intp]) -> None:
        """Keep the fields that frames were stacked with."""
        self.fields[used] = np.stack(fields)
        self.whole[used] = self._mean(self.fields[used])

    def table(self) -> NDArray[np.void]:
        """One row per frame, as the archive keeps it."""
        rows = np.zeros(len(self.looks), FRAME_DTYPE)
        rows["frame"] = np.arange(len(self.looks))
        rows["quality"] = [look.quality for look in self.looks]
        rows["level"] = self.level
        rows["shift_y"], rows["shift_x"] = -self.whole[:, 0], -self.whole[:, 1]
        rows["weight"] = self.weight
        return rows


def _seen(field: NDArray[np.float32], shape: tuple[int, int]) -> tuple[slice, slice]:
    """The rectangle that a frame sampled along a field covers."""
    slices = []
    for axis in (0, 1):
        size = shape[axis]
        start = min(size, max(0, int(np.ceil(-float(field[..., axis].min())))))
        stop = min(size, size - int(np.ceil(float(field[..., axis].max()))))
        slices.append(slice(start, max(stop, start)))
    return slices[0], slices[1]


def _grain(frame: NDArray) -> float:
    """Pixel noise from the second difference along both axes (Immerkaer 1996), on some of the rows.

    Robust: the median of the absolute values, so that stars of heat and the limb have no say.
    """
    step = max(3, min(frame.shape[0] // 64, 16))
    first, second, third = (frame[k : frame.shape[0] - 2 + k : step].astype(np.float32) for k in range(3))
    mixed = first - 2 * second + third
    mixed = mixed[:, :-2] - 2 * mixed[:, 1:-1] + mixed[:, 2:]
    return 1.4826 * float(np.median(np.abs(mixed))) / 6


def _mean_time(recording: Recording, used: NDArray[np.intp], weights: NDArray[np.float64]) -> str | None:
    if recording.times is None:
        stamp = recording.timestamp()
        return None if stamp is None else _iso(stamp)
    ticks = recording.times[used].astype("datetime64[us]").astype(np.int64)
    mean = ticks[0] + round(float(np.average(ticks - ticks[0], weights=weights)))
    return _iso(np.datetime64(int(mean), "us"))


def _iso(stamp: np.datetime64) -> str:
    return str(stamp.astype("datetime64[ms]"))
