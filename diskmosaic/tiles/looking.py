"""The first pass over a recording: its first reference, frames held against it, and which of them are stacked.

Frames are looked at as means of blocks; the reference is the mean of the sharpest of a small sample.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.flow import AGREES, Look, Reference, fine, structure
from diskmosaic.arrays.kernels import warp, warp_add
from diskmosaic.arrays.noise import grain
from diskmosaic.arrays.steady import find_steady
from diskmosaic.arrays.warped import covered
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import spread_over
from diskmosaic.recordings.recordings import Recording
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.moments import weigh_places

SAMPLE = 24  # frames that the first reference is chosen from
REFERENCE_FRAMES = 8  # best of the sample, averaged
PARTS = 8  # on a side, of which the middle one tells whether something crosses a frame ...
CROSSED = 1.15  # ... by so many times as much structure (without, frames of two images of the real Sun reach 1.03)
MIN_LEVEL = 0.3  # of the recording's median; darker frames are behind a cloud
COARSE, FINE = 4, 2  # px of the blocks that frames are looked at in, in the first and in the second pass
STEADY_SAMPLE = 48  # frames that a pattern at rest is found from, once the sample shows that there is one
STEADY_BORDER_PX = 12  # of frames and limb, where that is not judged
LEAST_BLOCKS = 100_000  # of 4x4 px; smaller frames have too few to be graded by, and are looked at in 2x2 at once


class First:
    """The first reference, and frames as means of 4x4 px held against it.

    Attributes
    ----------
    aligning : Calibration
        Of the frames that are held against a reference: a pattern that stays on the sensor is taken out of them, where
        there is one that would mislead. Never of the light that is stacked.
    """

    def __init__(self, recording: Recording, calibration: Calibration, settings: TileSettings):
        self.blocks = COARSE if recording.height * recording.width >= LEAST_BLOCKS * COARSE**2 else FINE
        self._recording, self._small = recording, calibration.binned(self.blocks)
        self.aligning = calibration
        self.grid = tuple(max(round(n / settings.field_step_px), 1) for n in (recording.height, recording.width))
        picks = spread_over(recording.frame_count, SAMPLE)
        sample = [self._read(index) for index in picks]
        grains = np.array([grain(self._recording.gray(index)) for index in picks])
        self.noise = float(np.median(grains))
        self._refer(picks, sample, grains, settings)
        steady = find_steady(
            sample,
            self.reference.image,
            lambda: [self._read(index) for index in spread_over(recording.frame_count, STEADY_SAMPLE)],
            grid=self.grid,
            noise=self.noise / self.blocks,
            border=STEADY_BORDER_PX // self.blocks,
        )
        if steady is not None:
            self.aligning = calibration.less(_enlarged(steady, self.blocks, (recording.height, recording.width)))
            self._small = self._small.less(steady)
            cleaning = np.exp(-steady)
            self._refer(picks, [frame * cleaning for frame in sample], grains, settings)

    def _refer(
        self,
        picks: list[int],
        sample: list[NDArray[np.float32]],
        grains: NDArray[np.float64],
        settings: TileSettings,
    ) -> None:
        """Make the reference from a sample, and note where frames between those of the sample are looked for first."""
        order = np.argsort(-_sharpness(sample, grains / self.blocks), kind="stable")
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
            seen = covered(field, light.shape)
            warp_add(sample[index], field, 1 / looks[index].level, light, seen)
            weight[seen] += 1
        beyond = warp(sample[order[0]], looks[order[0]].field - middle.astype(np.float32))
        mean = np.where(weight > 0, light / np.maximum(weight, 1), beyond)
        asked = {"local": settings.local_fields, "graded": settings.per_patch}
        self.reference = Reference(mean, **known, **asked, seen=weight > 0)
        at = np.array(picks, float)[agrees]
        near = (track - middle)[agrees]
        calm = np.stack([np.median(near[max(0, k - 2) : k + 3], axis=0) for k in range(len(near))])
        frames = np.arange(self._recording.frame_count)
        self._starts = np.stack([np.interp(frames, at, calm[:, axis]) for axis in (0, 1)], axis=-1)

    def look_at(self, indices: range) -> list[Look]:
        """Hold some frames against the reference."""
        return [self.reference.look(self._read(index), tuple(self._starts[index])) for index in indices]

    def _read(self, index: int) -> NDArray[np.float32]:
        return self._small.apply(block_means(self._recording.gray(index), self.blocks))


@dataclass(frozen=True)
class Looks:
    """What was measured of every frame of a recording; attributes as of `Look`, a value a frame.

    The fields are the largest thing that is kept of a long recording: once they are here they are not copied.
    """

    fields: NDArray[np.float32]
    quality: NDArray[np.float64]
    level: NDArray[np.float64]
    agreement: NDArray[np.float64]
    grades: NDArray[np.float32] | None = None

    @classmethod
    def gather(cls, looks: Iterable[Look], count: int, grid: tuple[int, int], *, graded: bool = False) -> Looks:
        """Take looks as they come, `graded` place by place or not."""
        grades = np.empty((count, *grid), np.float32) if graded else None
        gathered = cls(np.empty((count, *grid, 2), np.float32), *np.empty((3, count)), grades)
        for k, look in enumerate(looks):
            gathered.fields[k] = look.field
            gathered.quality[k], gathered.level[k], gathered.agreement[k] = look.quality, look.level, look.agreement
            if grades is not None:
                grades[k] = look.grades
        return gathered


@dataclass(frozen=True)
class Choice:
    """Which frames are stacked."""

    weight: NDArray[np.float32]  # per frame, 0: not used
    places: NDArray[np.float32] | None  # the same cell by cell (n, rows, columns); None: everywhere the same
    shown: NDArray[np.bool_]  # frames that show this field at all
    warnings: tuple[str, ...]


def _sharpness(sample: list[NDArray[np.float32]], noise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Contrast of each frame's finest structure beyond its noise; 0 for one behind a cloud.

    A frame that has much more than the middle one of its parts tells is not sharp: something crosses it.
    """
    middle = np.zeros((33, 33), np.float32)
    middle[16, 16] = 1
    left = float(np.sum(np.square(fine(structure(middle)))))  # of white noise of variance 1
    level = np.array([max(float(np.mean(frame)), 1e-6) for frame in sample])
    squares = [np.square(fine(structure(frame))) for frame in sample]
    power = np.array([float(np.mean(square)) for square in squares])
    power = np.maximum(power - left * noise**2, 0) / level**2
    shown = level > MIN_LEVEL * np.median(level)
    parts = np.stack([cv2.resize(square, (PARTS, PARTS), interpolation=cv2.INTER_AREA).ravel() for square in squares])
    parts = np.maximum(parts - left * noise[:, None] ** 2, 0) / level[:, None] ** 2
    typical = np.median(parts[shown], axis=0)
    telling = typical > 0.25 * typical.mean()  # not sky
    if telling.any():
        even = np.median(parts[:, telling] / typical[telling], axis=1) * np.median(power[shown])
        power = np.where(power > CROSSED * even, 1e-3 * even, power)  # the last choice
    return np.where(shown, power, 0)


def choose(looks: Looks, settings: TileSettings) -> Choice:
    """Keep the sharpest share of the frames that show the field."""
    quality, agreement, level = looks.quality, looks.agreement, looks.level
    count = len(quality)
    shown = (agreement > AGREES) & (level > MIN_LEVEL * np.median(level))
    if not shown.any():
        shown[:] = True
    wanted = int(np.ceil(settings.keep * count))
    wanted = min(max(wanted, settings.min_frames), int(shown.sum()))
    weight, places = np.zeros(count, np.float32), None
    if looks.grades is None:
        weight[np.argsort(np.where(shown, -quality, np.inf), kind="stable")[:wanted]] = 1
    else:
        places = weigh_places(looks.grades, shown, wanted)
        weight = places.mean(axis=(1, 2))
    lost = int((~shown).sum())
    warnings = (
        (f"{lost} of {count} frames do not show the field (cloud or lost guiding) and were dropped",)
        if lost > 0.1 * count
        else ()
    )
    return Choice(weight, places, shown, warnings)


def _enlarged(blocks: NDArray[np.float32], factor: int, shape: tuple[int, int]) -> NDArray[np.float32]:
    """What is known of whole blocks, at every pixel, linear between; the border beyond the last block repeats it."""
    full = cv2.resize(blocks, None, fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
    beyond = [(0, size - known) for size, known in zip(shape, full.shape, strict=True)]
    return np.pad(full, beyond, mode="edge")
