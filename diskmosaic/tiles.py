"""One recording becomes one tile: calibrate, grade, choose, align, stack.

Two passes over the file and memory that does not grow with its length. The first pass measures every frame against a
reference made from a small sample; the second stacks the best. Displacements are taken against the mean geometry of
*all* frames (the air's warps average out only over many); the light comes from the best.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import shrink
from diskmosaic.arrays.flow import Look, Reference, fine, structure
from diskmosaic.arrays.kernels import warp, warp_add
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
MIN_CORRELATION = 0.5  # of the recording's median; frames of another place reach 0.4 by chance


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

    small = calibration.halved()

    def half(index: int) -> NDArray[np.float32]:
        return small.apply(shrink(recording.gray(index), 2))

    reference = _reference(half, count, settings)

    def look_at(indices: range) -> list[Look]:
        return [reference.look(half(index)) for index in indices]

    looks: list[Look] = []
    graded = (look for part in ordered_map(look_at, chunks(count, CHUNK), jobs=jobs) for look in part)
    looks.extend(progress(graded, f"{recording.name}: grade", total=count))
    chosen = _choose(looks, settings)
    stack = _Stack(recording, calibration, looks, chosen, reference.trust)
    total = _Sums(stack.shape)
    used = np.flatnonzero(chosen.weight)
    parts = chunks(len(used), CHUNK)
    stacked = ordered_map(lambda part: stack.add(used[part.start : part.stop]), parts, jobs=jobs)
    for sums in progress(each_counted(stacked, parts), f"{recording.name}: stack", total=len(used)):
        if sums is not None:
            total.merge(sums)
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
        sharpness=float(np.average([looks[k].quality for k in used], weights=weights)) * reference_contrast(reference),
        time_utc=_mean_time(recording, used, weights),
        recording=recording.path.name,
        masters=dict(masters or {}),
        warnings=tuple(recording.warnings) + chosen.warnings,
    )


def reference_contrast(reference: Reference) -> float:
    """Return the rms of the reference's finest structure relative to its level: makes qualities of tiles comparable."""
    level = float(np.mean(reference.half))
    return float(np.sqrt(np.mean(np.square(reference.fine)))) / max(level, 1e-6)


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
    grain = cv2.filter2D(image, cv2.CV_32F, np.outer([1, -2, 1], [1, -2, 1]).astype(np.float32))
    contrast = float(np.std(fine(structure(shrink(image, 2))))) / max(float(image.mean()), 1e-6)
    return Tile(
        name=recording.name,
        image=image,
        weight=np.ones(image.shape, np.float32),
        noise=1.4826 * float(np.median(np.abs(grain))) / 6,
        frames=frames,
        sharpness=contrast,
        time_utc=None if stamp is None else _iso(stamp),
        recording=recording.path.name,
        masters=masters,
        warnings=tuple(recording.warnings),
    )


def _reference(half, count: int, settings: TileSettings) -> Reference:
    """Average the sharpest frames of a sample, aligned as wholes."""
    picks = spread_over(count, SAMPLE)
    sample = [half(index) for index in picks]
    sharpness = [float(np.mean(np.square(fine(structure(frame))))) / float(np.mean(frame)) ** 2 for frame in sample]
    order = np.argsort(sharpness)[::-1]
    step = max(settings.field_step_px // 2, 4)
    first = Reference(sample[order[0]], step_px=step, local=False)
    total, weight = np.zeros_like(sample[0]), 0.0
    for index in order[:REFERENCE_FRAMES]:
        look = first.look(sample[index])
        if look.correlation < 0.1 and index != order[0]:
            continue
        total += warp(sample[index], look.field) / np.float32(look.level)
        weight += 1
    return Reference(total / np.float32(weight), step_px=step, local=settings.local_fields)


def _choose(looks: list[Look], settings: TileSettings) -> _Choice:
    """Keep the sharpest share of the frames that show the field."""
    quality = np.array([look.quality for look in looks])
    correlation = np.array([look.correlation for look in looks])
    level = np.array([look.level for look in looks])
    shown = (correlation > MIN_CORRELATION * np.median(correlation)) & (level > 0.3 * np.median(level))
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

    def merge(self, other: _Sums) -> None:
        self.light += other.light
        self.weight += other.weight
        self.sensor += other.sensor
        self.noise += other.noise

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
        trust: NDArray[np.float32],
    ):
        self.recording, self.calibration = recording, calibration
        self.looks, self.weight = looks, chosen.weight
        self.shape = (recording.height, recording.width)
        fields = np.stack([look.field for look in looks]) * np.float32(2)  # to full resolution
        share = (trust / trust.sum()).reshape(1, -1, 1)
        self.whole = np.sum(fields.reshape(len(fields), -1, 2).astype(np.float64) * share, axis=1)
        bends = fields - self.whole[:, None, None].astype(np.float32)
        bends -= bends[chosen.shown].mean(axis=0, dtype=np.float64).astype(np.float32)
        # the canvas lies where the weighted mean of the frames used lies: no shift is left between tile and sensor
        self.whole = self.whole - np.average(self.whole, axis=0, weights=self.weight)
        self.fields = bends + self.whole[:, None, None].astype(np.float32)
        self.level = np.array([look.level for look in looks], np.float32)
        self.level /= np.median(self.level[self.weight > 0])

    def add(self, indices: NDArray[np.intp]) -> _Sums:
        """Sum some frames."""
        sums = _Sums(self.shape)
        frame = None
        for index in indices:
            frame = self.calibration.apply(self.recording.gray(int(index)), frame)
            field, weight = self.fields[index], float(self.weight[index])
            seen = self._seen(field)
            warp_add(frame, field, weight / float(self.level[index]), sums.light, seen)
            cv2.scaleAdd(frame, weight / float(self.level[index]), sums.sensor, sums.sensor)
            sums.weight[seen] += np.float32(weight)
        sums.noise.append(_grain(frame))
        return sums

    def _seen(self, field: NDArray[np.float32]) -> tuple[slice, slice]:
        slices = []
        for axis in (0, 1):
            size = self.shape[axis]
            start = max(0, int(np.ceil(-float(field[..., axis].min()))))
            stop = min(size, size - int(np.ceil(float(field[..., axis].max()))))
            slices.append(slice(start, max(stop, start)))
        return slices[0], slices[1]

    def table(self) -> NDArray[np.void]:
        """One row per frame, as the archive keeps it."""
        rows = np.zeros(len(self.looks), FRAME_DTYPE)
        rows["frame"] = np.arange(len(self.looks))
        rows["quality"] = [look.quality for look in self.looks]
        rows["level"] = self.level
        rows["shift_y"], rows["shift_x"] = -self.whole[:, 0], -self.whole[:, 1]
        rows["weight"] = self.weight
        return rows


def _grain(frame: NDArray[np.float32]) -> float:
    """Pixel noise from the second difference along both axes (Immerkaer 1996), on every fourth row."""
    rows = frame[: frame.shape[0] // 4 * 4]
    mixed = rows[0::4] - 2 * rows[1::4] + rows[2::4]
    mixed = mixed[:, :-2] - 2 * mixed[:, 1:-1] + mixed[:, 2:]
    return float(np.mean(np.abs(mixed))) * np.sqrt(np.pi / 2) / 6


def _mean_time(recording: Recording, used: NDArray[np.intp], weights: NDArray[np.float64]) -> str | None:
    if recording.times is None:
        stamp = recording.timestamp()
        return None if stamp is None else _iso(stamp)
    ticks = recording.times[used].astype("datetime64[us]").astype(np.int64)
    mean = ticks[0] + round(float(np.average(ticks - ticks[0], weights=weights)))
    return _iso(np.datetime64(int(mean), "us"))


def _iso(stamp: np.datetime64) -> str:
    return str(stamp.astype("datetime64[ms]"))
