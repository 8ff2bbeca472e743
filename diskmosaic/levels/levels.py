"""What makes tiles equally bright: a gain and an offset per tile and one surface fixed to the sensor.

Where two tiles see the same place of the Sun, the logarithm of their ratio is

    log (T_a - o_a) - log (T_b - o_b) = g_a - g_b + S(x_a) - S(x_b)

with the gains g, the offsets o (what the sky shows off the limb: scattered light, a dark that does not fit), and a
surface S on the sensor common to all tiles: what the flat got wrong at large scale, above all the centre-to-limb slope
of the defocused Sun. A tile over which thin cloud drifted may have a slope of its own, where its overlaps show it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.levels.blocks import DiskBlocks, compare_overlaps, disk_blocks, disk_level, sky_levels
from diskmosaic.levels.focus import find_focus
from diskmosaic.levels.solver import Answer, basis, evaluate_surface, solve, surface_powers
from diskmosaic.levels.surface_by_disk import hear_disk, less_unsure, surface_rms
from diskmosaic.levels.tilt import (
    OUTER,
    Tilt,
    combine,
    tilt_by_flat,
    tilt_by_gains,
    tilt_by_roundness,
    tilt_of_bare_sensor,
    with_flat,
)
from diskmosaic.records.light import Levels
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import Tile
from diskmosaic.settings import LevelSettings

OFFSET_SPREAD = 5e-4  # least difference of offsets between tiles, share of the disk's level
SKY_OWN = 0.003  # share of the disk's level that a clear sky off the limb has of its own: no offset of the camera
UNSURE = 0.005  # of the overall tilt, per disk radius: from here on a better way to it is told
TURN_ONE = ". One tile recorded once more with the camera turned by 180 degrees would tell it"


def solve_levels(tiles: Sequence[Tile], placement: Placement, settings: LevelSettings) -> Levels:
    """Solve the gains and offsets of all placed tiles and the sensor surface.

    Parameters
    ----------
    tiles : sequence of Tile
    placement : Placement
    settings : LevelSettings

    Returns
    -------
    Levels
        Gains have geometric mean 1 over the placed tiles; tiles left out keep gain 1.
    """
    count = len(tiles)
    shape = tiles[0].image.shape
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    level = disk_level(tiles, placed) if len(placed) else 1.0
    blocks = compare_overlaps(tiles, placement, placed, level)
    sky = sky_levels(tiles, placement, placed, level)
    powers = surface_powers(settings.surface_order)
    turned = len(placed) > 1 and any(np.abs(placement.turn(k) - placement.turn(placed[0])).max() > 0.1 for k in placed)
    if turned and settings.surface_order:
        # the sensor's slope does not turn with the tiles: then overlaps see it
        powers = [(0, 1), (1, 0), *powers]
    warnings: list[str] = []
    if len(blocks.a):
        solved, powers = solve(blocks, count, placed, powers, _offset_prior(count, sky))
    else:
        if len(placed) > 1:
            warnings.append("no overlap shows enough of the disk to compare the tiles' brightness")
        offsets, sigma = _offset_prior(count, sky)
        unknown = np.diag(
            np.concatenate([np.full(count, np.nan), np.zeros(len(powers)), sigma**2, np.zeros(2 * count)])
        )
        solved = Answer(np.zeros(count), np.zeros(len(powers)), offsets, np.zeros((count, 2)), unknown, np.nan)
    disk = None
    if len(blocks.a) and placement.limb is not None and len(placed) > 2:
        disk = disk_blocks(tiles, placement, placed, OUTER)
        solved = hear_disk(solved, disk, _levelled(disk, solved, level, powers), powers)
    if len(blocks.a):
        solved = less_unsure(solved, powers)
    first = len(solved.gains)
    unsure = surface_rms(solved.covariance[first : first + len(powers), first : first + len(powers)], powers)
    if len(blocks.a) and unsure > UNSURE:
        warnings.append(
            f"how brightness runs across the sensor is told to {100 * unsure:.1f} % rms only: tiles that hardly move "
            "along one axis, or hardly overlap, leave it open"
        )
    offsets = np.where(np.isin(np.arange(count), placed), solved.offsets, 0)
    gains, linear, tilt = solved.gains.copy(), np.zeros(2), None
    if disk is not None and not turned:
        tilt, said = _tilt(tiles, placement, placed, solved, disk, _levelled(disk, solved, level, powers))
        warnings.append(said)
        if tilt is not None:
            half = (np.array(shape) - 1) / 2
            centres = np.array([placement.to_mosaic(k, half) for k in placed]) - placement.limb.centre_yx
            gains[placed] += centres @ (tilt.slope / placement.limb.radius_px)
            gains[placed] -= gains[placed].mean()
            linear = tilt.slope * half / placement.limb.radius_px
    if sky and abs(np.median(offsets[placed])) > 0.003:
        warnings.append(
            f"the sky off the limb has {100 * np.median(offsets[placed]):.1f} % of the disk's brightness (scattered "
            "light, or a dark that does not fit): it was taken off all tiles"
        )
    surface = np.exp(evaluate_surface(solved.surface, powers, shape) + _plane(linear, shape))
    all_gains = np.ones(count)
    all_gains[placed] = np.exp(gains[placed])
    levels = Levels(
        gain=all_gains,
        offset=offsets * level,
        surface=(surface / surface.mean()).astype(np.float32),
        gain_sigma=solved.sigma(0),
        seam_rms=solved.spread,
        warnings=tuple(warnings),
        offset_sigma=solved.sigma(count + len(powers)) * level if sky else np.full(count, np.nan),
        slope=solved.slopes,
        tilt=None if tilt is None else tuple(tilt.slope),
        tilt_sigma=np.nan if tilt is None else tilt.sigma,
    )
    focus = find_focus(tiles, placement, levels)
    if focus is None:
        return levels
    said = () if focus.warning is None else (focus.warning,)
    return replace(levels, focus=focus, warnings=(*levels.warnings, *said))


def _plane(slope: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    return slope[0] * np.linspace(-1, 1, shape[0])[:, None] + slope[1] * np.linspace(-1, 1, shape[1])[None, :]


def _offset_prior(count: int, sky: dict[int, tuple[float, float]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offsets before the overlaps are heard, and their errors: the tile's own sky, else that of the others.

    What all have in common counts as far as it stands out of what the sky has of its own.
    """
    if not sky:
        return np.zeros(count), np.zeros(count)
    levels = np.array([value for value, _ in sky.values()])
    common = float(np.median(levels))
    spread = max(1.4826 * float(np.median(np.abs(levels - common))), OFFSET_SPREAD)
    offsets, sigma = np.full(count, common), np.full(count, spread)
    for k, (value, error) in sky.items():
        offsets[k], sigma[k] = value, error
    own = common - common * max(0.0, 1 - (SKY_OWN / max(common, 1e-9)) ** 2)
    return offsets - own, sigma


def _levelled(blocks: DiskBlocks, solved: Answer, level: float, powers) -> NDArray[np.float64]:
    """Log brightness of blocks of the disk, less what the overlaps told."""
    tile = blocks.tile
    value = np.log(np.maximum(blocks.light - solved.offsets[tile] * level, 1e-6)) - solved.gains[tile]
    return value - basis(blocks.sensor, powers) @ solved.surface - np.sum(solved.slopes[tile] * blocks.sensor, axis=1)


def _tilt(tiles, placement: Placement, placed, solved: Answer, blocks: DiskBlocks, value) -> tuple[Tilt | None, str]:
    """What roundness, gains and flat say of the overall tilt together, and the sentence that says so."""
    half = (np.array(tiles[0].image.shape) - 1) / 2
    limb = placement.limb
    roundness = tilt_by_roundness(value, blocks.disk)
    if roundness is None:
        return None, (
            "too little of the disk's circumference was seen to tell an overall tilt of its brightness: none was taken "
            "out"
        )
    centres = (np.array([placement.to_mosaic(k, half) for k in placed]) - limb.centre_yx) / limb.radius_px
    times = None if placement.times is None else placement.times[placed]
    by_gains = tilt_by_gains(solved.gains[placed], centres, times)
    parts = [("the roundness of the quiet Sun", roundness.tilt), ("the tiles' gains", by_gains)]
    if any("flat" in one.masters for one in tiles):
        parts.append(("the flat", tilt_by_flat(roundness)))
        voices = [with_flat(roundness), by_gains]
    else:
        parts.append(("a sensor without a flat", tilt_of_bare_sensor(half / limb.radius_px)))
        voices = [part for _, part in parts]
    parts = [(name, part) for name, part in parts if part is not None]
    tilt = combine([voice for voice in voices if voice is not None])
    told = ", ".join(f"{name} {100 * part.size:.1f} ± {100 * part.sigma:.1f} %" for name, part in parts)
    return tilt, (
        f"a slope of {100 * tilt.size:.1f} ± {100 * tilt.sigma:.1f} % per disk radius across every tile, which "
        "overlaps cannot tell from gains (a flat pointed off the disk's centre leaves one), was taken out; "
        f"by itself each would say: {told}" + (TURN_ONE if tilt.sigma > UNSURE else "")
    )
