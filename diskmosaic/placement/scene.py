"""The tiles' structure as placement compares it: at several resolutions, less what all tiles share on the sensor.

A tile that was turned, mirrored or magnified is brought *upright* about its centre; its frame then differs from the
others' by a shift only, and its pixel (0, 0) is the canvas's. What is fixed to the sensor is taken out before.
"""

from __future__ import annotations

from collections.abc import Sequence
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.correlation import Spectra, Texture, padded_shape, spectra, texture
from diskmosaic.arrays.resample import sample_spline, spline_coefficients
from diskmosaic.records.tile import Tile
from diskmosaic.tiles.regions import Regions, find_regions

SEARCH_PX = 480  # longest side of a tile in the search
QUICK_PX = 240  # in a first one, which is enough for most
BAND_PX = (1.5, 12.0)  # Gaussian widths of the structure that is compared, at the resolution in use
PATTERN_TILES = 6  # from so many tiles on, what they share is taken for fixed to the sensor
PATTERN_AREA_PX = 8.0  # Gaussian within which a pattern is held against chance: some twenty independent values ...
PATTERN_DOUBT = 1.5  # ... whose mean square scatters by a third
SPLINE_PX = 12  # around a piece of an image, in which the spline's border dies away
PATTERN_SEEN = 3  # tiles that must see a pixel of the disk there; elsewhere it is not compared


class Scene:
    """The tiles' structure at the resolutions in use, computed once each.

    Parameters
    ----------
    tiles : sequence of Tile
        All of one size.
    turns : (n, 2, 2), optional
        Matrix on (y, x) that brings each tile upright.
    """

    def __init__(self, tiles: Sequence[Tile], turns: NDArray[np.float64] | None = None):
        self.tiles = tiles
        self.images = [
            t.image if np.isfinite(t.image).all() else np.nan_to_num(t.image, posinf=0, neginf=0) for t in tiles
        ]
        self.regions = find_regions(tiles)
        height, width = self.images[0].shape
        self.half = np.array([(height - 1) / 2, (width - 1) / 2])
        self.factor = max(1, round(max(height, width) / SEARCH_PX))
        self.quick_factor = max(1, round(max(height, width) / QUICK_PX))
        self.turns = np.tile(np.eye(2), (len(tiles), 1, 1)) if turns is None else np.array(turns, float)
        self._sensor: dict[int, list[Texture]] = {}
        self._full: NDArray[np.float32] | None = None
        self._lock = Lock()  # pairs are measured in threads
        self._upright: dict[tuple[int, int], tuple[NDArray[np.float64], Texture]] = {}
        self._spectra: dict[tuple[int, int], Spectra] = {}

    def texture(self, k: int, factor: int) -> Texture:
        """Return tile k's structure at ``1/factor`` resolution, upright."""
        plain = self._on_sensor(factor)[k]
        if np.array_equal(self.turns[k], np.eye(2)):
            return plain
        kept = self._upright.get((k, factor))
        if kept is None or not np.array_equal(kept[0], self.turns[k]):
            kept = self._upright[k, factor] = self.turns[k].copy(), turned_texture(plain, self.turns[k])
        return kept[1]

    def spectra(self, k: int, factor: int) -> Spectra:
        """Return the transforms of tile k's structure at ``1/factor`` resolution, upright."""
        of = self.texture(k, factor)
        kept = self._spectra.get((k, factor))
        if kept is None or kept.texture is not of:
            kept = self._spectra[k, factor] = spectra(of, padded_shape(of.values.shape, of.values.shape))
        return kept

    def piece(self, k: int, rows: slice, columns: slice) -> tuple[NDArray[np.float32], Regions, NDArray[np.float32]]:
        """Return a window of tile k's upright canvas at full resolution: image, masks, the sensor's own pattern there.

        The pattern is one of `texture`'s values, as far as it stands out of chance.
        """
        turn, region, pattern = self.turns[k], self.regions[k], self.pattern()
        masks = region.seen, region.sky, region.disk
        if np.array_equal(np.abs(turn), np.eye(2)):
            steps = (slice(None, None, int(turn[0, 0])), slice(None, None, int(turn[1, 1])))
            window = (rows, columns)
            return self.images[k][steps][window], Regions(*(m[steps][window] for m in masks)), pattern[steps][window]
        y, x = np.meshgrid(np.arange(rows.start, rows.stop), np.arange(columns.start, columns.stop), indexing="ij")
        at = self.on_sensor(k, np.stack([y.ravel(), x.ravel()], axis=1).astype(float)).T.reshape(2, *y.shape)
        shape = pattern.shape
        inside = np.logical_and.reduce([(a >= 0) & (a <= n - 1) for a, n in zip(at, shape, strict=True)])
        near = tuple(np.clip(np.rint(a), 0, n - 1).astype(int) for a, n in zip(at, shape, strict=True))
        first = [max(0, int(a.min()) - SPLINE_PX) for a in near]
        part = tuple(slice(f, int(a.max()) + SPLINE_PX) for f, a in zip(first, near, strict=True))
        values = sample_spline(spline_coefficients(self.images[k][part]), at[0] - first[0], at[1] - first[1])
        return values, Regions(*(inside & mask[near] for mask in masks)), pattern[near]

    def pattern(self) -> NDArray[np.float32]:
        """Return what all tiles share on the sensor at full resolution, as far as it stands out of chance.

        The mean over n tiles of their structure s is expected, by chance alone, to have the square ``sum s^2 / n^2``: a
        single tile's spot is no pattern.
        """
        with self._lock:
            if self._full is None:
                self._full = self._shared_pattern()
        return self._full

    def _shared_pattern(self) -> NDArray[np.float32]:
        shape = self.images[0].shape
        if len(self.tiles) < PATTERN_TILES:
            return np.zeros(shape, np.float32)
        total, square, count = (np.zeros(shape, np.float32) for _ in range(3))
        for k in range(len(self.tiles)):
            one = self.full_texture(k)
            total += one.values
            square += np.square(one.values)
            count += one.good
        known = count >= PATTERN_SEEN
        count = np.maximum(count, 1)
        mean = np.where(known, total / count, np.float32(0))
        chance = np.where(known, square / np.square(count), np.float32(0))
        power, expected = (cv2.GaussianBlur(i, (0, 0), PATTERN_AREA_PX) for i in (np.square(mean), chance))
        return mean * np.clip(1 - PATTERN_DOUBT * expected / np.maximum(power, 1e-12), 0, 1)

    def full_texture(self, k: int) -> Texture:
        """Return tile k's structure at full resolution, on its sensor, the pattern not taken out."""
        return texture(self.images[k], self.regions[k].disk, fine_px=BAND_PX[0], coarse_px=BAND_PX[1])

    def upright(self, k: int, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where points (n, 2) on tile k's sensor lie on its upright canvas."""
        return (points - self.half) @ self.turns[k].T + self.half

    def on_sensor(self, k: int, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where points (n, 2) of tile k's upright canvas lie on its sensor."""
        return (points - self.half) @ np.linalg.inv(self.turns[k]).T + self.half

    def _on_sensor(self, factor: int) -> list[Texture]:
        if factor not in self._sensor:
            made = [
                texture(
                    block_means(image, factor),
                    block_means(region.disk.astype(np.float32), factor) > 0.99,
                    fine_px=BAND_PX[0],
                    coarse_px=BAND_PX[1],
                )
                for image, region in zip(self.images, self.regions, strict=True)
            ]
            self._sensor[factor] = _without_pattern(made)
        return self._sensor[factor]


def turned_texture(plain: Texture, turn: NDArray[np.float64]) -> Texture:
    """Return a texture turned about its centre by a matrix on (y, x); what comes from outside is not good."""
    if np.array_equal(np.abs(turn), np.eye(2)):
        steps = (slice(None, None, int(turn[0, 0])), slice(None, None, int(turn[1, 1])))
        return Texture(np.ascontiguousarray(plain.values[steps]), np.ascontiguousarray(plain.good[steps]))
    height, width = plain.values.shape
    middle = np.array([(height - 1) / 2, (width - 1) / 2])
    back = np.linalg.inv(turn)
    y, x = np.arange(height)[:, None] - middle[0], np.arange(width)[None, :] - middle[1]
    rows = back[0, 0] * y + back[0, 1] * x + middle[0]
    columns = back[1, 0] * y + back[1, 1] * x + middle[1]
    values = sample_spline(spline_coefficients(plain.values), rows, columns)
    known = cv2.remap(
        plain.good.astype(np.float32),
        columns.astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    good = known > 0.999
    return Texture(np.where(good, values, np.float32(0)), good)


def _without_pattern(textures: list[Texture]) -> list[Texture]:
    """Subtract the median over tiles: remainders of dust and rings would tie any two tiles at shift zero."""
    if len(textures) < PATTERN_TILES:
        return textures
    shape = textures[0].values.shape
    pattern = np.empty(shape, np.float32)
    enough = np.empty(shape, bool)
    rows = 64
    for top in range(0, shape[0], rows):
        block = np.stack([t.values[top : top + rows] for t in textures])
        good = np.stack([t.good[top : top + rows] for t in textures])
        count = good.sum(axis=0)
        enough[top : top + rows] = count >= PATTERN_SEEN
        block[~good] = np.inf
        block.sort(axis=0)
        middle = np.stack([np.maximum(count - 1, 0) // 2, count // 2])
        middle = np.minimum(middle, len(block) - 1)
        values = np.take_along_axis(block, middle, axis=0).mean(axis=0)
        pattern[top : top + rows] = np.where(count >= PATTERN_SEEN, values, 0)
    cleaned = []
    for one in textures:
        good = one.good & enough
        cleaned.append(Texture(np.where(good, one.values - pattern, 0).astype(np.float32), good))
    return cleaned
