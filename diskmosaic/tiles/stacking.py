"""Between the two passes over a recording: the mean geometry, and the second reference.

Displacements are taken against the mean geometry of *all* frames (the air's warps average out only over many); the
light comes from the best.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.flow import Reference
from diskmosaic.arrays.kernels import warp_add
from diskmosaic.arrays.warped import covered
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import chunks, ordered_map, spread_over
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.tile import FRAME_DTYPE
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.crossing import Crossings
from diskmosaic.tiles.looking import FINE, Choice, First, Looks

CHUNK = 16  # frames summed together; fixed, so that sums do not depend on the number of threads
SOME = 64  # frames that tell how far the air usually takes a cell
ODD_SIGMA, ODD_PX = 5.0, 0.5  # robust deviations, and px, beyond which a cell's displacement is none
SECOND_FRAMES = 24  # best of the recording, averaged for the second reference


def _usual(fields: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Median of some frames' displacements, cell by cell, and how far from it the air takes them."""
    usual = np.median(fields, axis=0)
    return usual, ODD_SIGMA * 1.4826 * np.median(np.abs(fields - usual), axis=0) + ODD_PX


class Sums:
    """Light and weight summed over frames; `sensor`: in the end, the mean of the light as it lies on the sensor."""

    def __init__(self, shape: tuple[int, int]):
        self.light = np.zeros(shape, np.float32)
        self.weight = np.zeros(shape, np.float32)
        self.sensor = np.zeros(shape, np.float32)
        self.squares: NDArray[np.float32] | None = None  # of the weights, where they differ from place to place
        self.noise: list[float] = []
        self.fields: list[NDArray[np.float32]] = []

    def frame_noise(self) -> float:
        """Typical pixel noise of one frame."""
        return float(np.median(self.noise))


class Stack:
    """Where the frames of a recording lie on the tile's canvas, better and better known."""

    def __init__(
        self,
        recording: Recording,
        calibration: Calibration,
        looks: Looks,
        chosen: Choice,
        first: First,
    ):
        self.recording, self.calibration = recording, calibration
        self.weight, self.places, self.quality = chosen.weight, chosen.places, looks.quality
        self.shape, self.noise = (recording.height, recording.width), first.noise
        # what a frame does not show of the canvas has its displacement from afar, and no say
        self._first = first.reference
        self._windows = [self._first.window(field) for field in looks.fields]
        # in place: of a long recording the fields are the largest thing in memory
        self.fields = looks.fields
        self.fields *= np.float32(first.blocks)  # to full resolution
        whole = self._mean(range(len(self.fields)))
        self.fields -= whole[:, None, None].astype(np.float32)
        bend, shown = np.zeros(self.fields.shape[1:]), np.zeros(self.fields.shape[1:])
        usual, reach = _usual(self.fields[np.flatnonzero(chosen.shown)[spread_over(int(chosen.shown.sum()), SOME)]])
        for k in np.flatnonzero(chosen.shown):
            # what crosses a frame pulls at its displacements by more than the air ever does
            cover = self._first.cover(self._windows[k])[..., None] * (np.abs(self.fields[k] - usual) <= reach)
            bend += cover * self.fields[k]
            shown += cover
        self.fields -= (bend / np.maximum(shown, 1e-3)).astype(np.float32)
        # the canvas lies where the weighted mean of the frames used lies: no shift is left between tile and sensor
        self.whole = whole - np.average(whole, axis=0, weights=self.weight)
        self.fields += self.whole[:, None, None].astype(np.float32)
        self.level = looks.level.astype(np.float32)
        self.level /= np.median(self.level[self.weight > 0])
        self._small = first.aligning.binned(FINE)

    def _mean(self, frames: Iterable[int]) -> NDArray[np.float64]:
        """Whole shifts: means of fields over the cells that a frame shows and that can be trusted."""
        shifts = []
        for k in frames:
            share = self._first.cover(self._windows[k]) * self._first.trust
            share = share / share.sum() if share.any() else np.full(share.shape, 1 / share.size)
            shifts.append(np.sum(self.fields[k] * share[..., None], axis=(0, 1)))
        return np.stack(shifts)

    def sharpen(self, settings: TileSettings, *, jobs: int) -> None:
        """Make the second reference."""
        used = np.flatnonzero(self.weight)
        best = used[np.argsort(-self.quality[used], kind="stable")[:SECOND_FRAMES]]
        shape = (self.shape[0] // FINE, self.shape[1] // FINE)

        def add(part: range) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
            light, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
            for index in best[part.start : part.stop]:
                field = self.fields[index] / np.float32(FINE)
                seen = covered(field, shape)
                half = self._small.apply(block_means(self.recording.gray(int(index)), FINE))
                warp_add(half, field, 1 / float(self.level[index]), light, seen)
                weight[seen] += 1
            return light, weight

        light, weight = (
            sum(parts) for parts in zip(*ordered_map(add, chunks(len(best), CHUNK // 4), jobs=jobs), strict=True)
        )
        mean = np.where(weight > 0, light / np.maximum(weight, 1), np.sum(light) / max(float(np.sum(weight)), 1))
        grid = self.fields.shape[1:3]
        known = {"grid": grid, "noise": self.noise / FINE, "local": settings.local_fields}
        self._reference = Reference(mean, **known, seen=weight > 0)
        seen = {"fields": self.fields, "levels": self.level, "noise": self.noise, "used": used}
        self.crossings = Crossings(self.recording, self.calibration, **seen, sigma=settings.clip_sigma, jobs=jobs)

    def measured(self, index: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return a frame, calibrated, and the field that it is sampled along."""
        raw = np.array(self.recording.gray(int(index)))  # a copy: some files hand out what must not be changed
        field = self.refined(raw, index)
        return self.calibration.apply(raw), field

    def refined(self, raw: NDArray, index: int) -> NDArray[np.float32]:
        """Return the field that a frame is sampled along, measured once more against the second reference.

        What crosses the frame is taken out of `raw`.
        """
        half = self._small.apply(block_means(raw, FINE))
        field = self._reference.refine(half, self.fields[index] / np.float32(FINE))
        return self.crossings.take_out(raw, half, field, index, self._measured_anew) * np.float32(FINE)

    def _measured_anew(self, half: NDArray[np.float32], start: tuple[float, float]) -> NDArray[np.float32]:
        return self._reference.refine(half, self._reference.look(half, start).field)

    def settle(self, fields: list[NDArray[np.float32]], used: NDArray[np.intp]) -> None:
        """Keep the fields that frames were stacked with."""
        self.fields[used] = np.stack(fields)
        self.whole[used] = self._mean(used)

    def table(self) -> NDArray[np.void]:
        """One row per frame, as the archive keeps it."""
        rows = np.zeros(len(self.quality), FRAME_DTYPE)
        rows["frame"] = np.arange(len(self.quality))
        rows["quality"] = self.quality
        rows["level"] = self.level
        rows["shift_y"], rows["shift_x"] = -self.whole[:, 0], -self.whole[:, 1]
        rows["weight"] = self.weight
        return rows
