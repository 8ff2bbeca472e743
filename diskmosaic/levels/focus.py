"""Contrast over the sensor: where a narrow band drifts off the line or the focus falls off, structure is weaker.

It is told as levels are. Where two tiles see the same place, the logarithm of the ratio of the power of their fine
structure is ``c_a - c_b + K(x_a) - K(x_b)``, with a number c of each tile (its seeing) and one map K on the sensor. A
linear K and free numbers c are degenerate, but not in what is asked here: which of the tiles that see a place shows
more of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.levels.blocks import Blocks, compare_overlaps
from diskmosaic.levels.solver import Answer, evaluate_surface, misfit, robust, surface_terms
from diskmosaic.levels.tilt import tilt_by_gains
from diskmosaic.records.image import FloatImage
from diskmosaic.records.light import Levels
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import Tile
from diskmosaic.tiles.regions import well_seen

FINE_PX, WIDE_PX = 1.5, 4.0  # Gaussians of the band whose power is compared: what the air leaves, coarser than noise
LOCAL_PX = 20.0  # structure is taken relative to the light around it
OVER_NOISE = 2.0  # a place's power counts from so many times the noise's on
MOST = 10.0  # times the median power: more is an edge, not structure
LEAST_DROP = 0.15  # of the structure's amplitude over the sensor: less is not worth leading seams by
LEAST_GAIN = 10.0  # F of the map against none: from cells, which err independently; 5 terms by chance: 3.0 at 1 %
LEAST_SLOPE = 5.0  # standard errors of the linear part
LEAST_CELLS = 40
STRENGTH = 4.0  # power of the amplitude by which a tile's share grows: half of it, a sixteenth
POWERS = [(0, 1), (1, 0), (0, 2), (1, 1), (2, 0)]


@dataclass(frozen=True)
class Focus:
    """How clearly structure is seen.

    Attributes
    ----------
    sharpness : float64 (n,)
        Amplitude of each tile's fine structure against the others', on the same places of the Sun; 1 where no overlap
        tells it.
    seen : float32 (h, w) or None
        Amplitude over that at the best place of the sensor; None where the sensor is even.
    """

    sharpness: NDArray[np.float64]
    seen: FloatImage | None

    @property
    def weight(self) -> FloatImage:
        """By which a tile's share in the blend is multiplied over the sensor."""
        return (self.seen / np.median(self.seen)) ** np.float32(STRENGTH)

    @property
    def warning(self) -> str | None:
        """What a person should know."""
        if self.seen is None:
            return None
        y, x = np.unravel_index(int(np.argmin(self.seen)), self.seen.shape)
        return (
            f"fine structure is {100 * (1 - float(self.seen.min())):.0f} % weaker at ({y}, {x}) of the sensor (y, x) "
            "than at its best place (a narrow band that drifts off the line across the field, or the focus): where "
            "tiles overlap, the clearer one was preferred"
        )


def find_focus(tiles: Sequence[Tile], placement: Placement, levels: Levels) -> Focus | None:
    """Compare how clearly the tiles show the same places, and map it over the sensor.

    Parameters
    ----------
    tiles : sequence of Tile
    placement : Placement
    levels : Levels

    Returns
    -------
    Focus or None
        None where overlaps show too little structure. A map only where it stands out of chance and is worth it.
    """
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    if len(placed) < 3:
        return None
    powers = list(tiles)
    for k in placed:
        powers[k] = replace(
            tiles[k], image=structure_power(tiles[k], levels.correct(k, tiles[k].image), levels.gain[k])
        )
    known = [powers[k].image[::8, ::8] for k in placed]
    level = float(np.median([np.median(part[part > 0]) for part in known if (part > 0).any()] or [0.0]))
    if level <= 0:
        return None
    blocks = compare_overlaps(powers, placement, placed, level)
    blocks = blocks.part((blocks.mean_a > 0.02) & (blocks.mean_b > 0.02)) if len(blocks.a) else blocks
    cells = int(blocks.cell.max()) + 1 if len(blocks.a) else 0
    if cells < LEAST_CELLS:
        return None
    with_map, bare = (_solve(blocks, len(tiles), placed, terms) for terms in (POWERS, []))
    before, after = (_cell_error(blocks, one, terms) for one, terms in ((bare, []), (with_map, POWERS)))
    curved = (before - after) / len(POWERS) > LEAST_GAIN * after / max(cells - len(POWERS) - len(placed), 1)
    shape = tiles[0].image.shape
    half = (np.array(shape) - 1) / 2
    slope = _slope(blocks, with_map, placement, half)
    map_of = with_map.surface * curved
    map_of[:2] += slope
    surface = evaluate_surface(map_of, POWERS, shape)
    seen = np.exp((surface - surface.max()) / 2).astype(np.float32)
    even = seen.min() > 1 - LEAST_DROP
    # a linear map and numbers that rise with the places are the same
    numbers = bare.gains if even else with_map.gains + placement.positions @ (slope[::-1] / half)
    heard = np.isin(np.arange(len(tiles)), np.union1d(blocks.a, blocks.b))
    sharpness = np.exp(np.where(heard, numbers - np.median(numbers[heard]), 0) / 2)
    return Focus(sharpness, None if even else seen)


def _slope(blocks: Blocks, answer: Answer, placement: Placement, half: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear part of the map (x, y; middle to edge), by which the tiles' numbers do not rise across the disk.

    0 where they do not rise by more than their scatter allows, or where turned tiles have told it already. Which tile
    shows more does not depend on it; where on the sensor structure is weak does.
    """
    heard = np.union1d(blocks.a, blocks.b)
    if any(np.abs(placement.turn(k) - placement.turn(heard[0])).max() > 0.1 for k in heard):
        return np.zeros(2)
    at = placement.positions[heard] / half
    found = tilt_by_gains(answer.gains[heard], at - at.mean(axis=0), None)
    if found is None or found.slope @ np.linalg.solve(found.covariance, found.slope) < LEAST_SLOPE**2:
        return np.zeros(2)
    return found.slope[::-1]


def structure_power(tile: Tile, image: FloatImage, gain: float) -> FloatImage:
    """Return the power of fine structure relative to the light around it, the noise's own taken off.

    Where it does not stand out of the noise it is 0.
    """
    seen = well_seen(tile) & np.isfinite(image)
    light = np.where(seen, image, np.float32(np.median(image[seen]) if seen.any() else 0)).astype(np.float32)
    around = np.maximum(cv2.GaussianBlur(light, (0, 0), LOCAL_PX), 1e-6 + 0.02 * float(np.median(np.abs(light))))
    band = (cv2.GaussianBlur(light, (0, 0), FINE_PX) - cv2.GaussianBlur(light, (0, 0), WIDE_PX)) / around
    # white noise of 1 under the difference of two Gaussians
    share = (1 / FINE_PX**2 + 1 / WIDE_PX**2 - 4 / (FINE_PX**2 + WIDE_PX**2)) / (4 * np.pi)
    frames = np.median(tile.weight[seen]) / np.maximum(tile.weight, 1e-3) if seen.any() else 1.0
    noise = share * np.square(tile.noise / gain / around) * frames
    power = cv2.blur(np.square(band), (9, 9)) - noise
    power = np.where(seen & (power > OVER_NOISE * noise), power, 0).astype(np.float32)
    # the limb and spots must not be the measure of what is strong
    return np.minimum(power, MOST * np.median(power[power > 0])) if power.any() else power


def _solve(blocks: Blocks, count: int, placed: NDArray[np.intp], powers: list[tuple[int, int]]) -> Answer:
    nothing = np.zeros(count)
    return robust(blocks, count, placed, surface_terms(blocks, powers), (nothing, nothing), np.zeros(0, int))


def _cell_error(blocks: Blocks, answer: Answer, powers: list[tuple[int, int]]) -> float:
    """Sum over the cells of the square of their mean misfit, single outliers cut."""
    left = misfit(blocks, surface_terms(blocks, powers), answer)
    mean = np.bincount(blocks.cell, left) / np.bincount(blocks.cell)
    spread = 1.4826 * np.median(np.abs(mean))
    return float(np.sum(np.minimum(np.abs(mean), 4 * spread) ** 2))
