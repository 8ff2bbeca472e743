"""What the disk itself tells of the sensor's surface, beside overlaps that hardly see it."""

import numpy as np
import pytest
from diskmosaic.levels.blocks import DiskBlocks
from diskmosaic.levels.levels import solve_levels
from diskmosaic.levels.solver import Answer, evaluate_surface
from diskmosaic.levels.surface_by_disk import hear_disk, less_unsure, surface_of_disk, surface_rms
from diskmosaic.records.places import Circle
from diskmosaic.settings import LevelSettings

from cut_tiles import as_tile, cut, placed

SHAPE = (160, 224)
CENTRE, RADIUS = (300.0, 320.0), 250.0
POWERS = [(0, 2), (1, 1), (2, 0)]


def quiet_disk(rng, structure):
    """A limb-darkened disk with some structure (rms), 8 px across."""
    y, x = np.indices((600, 640), dtype=np.float32)
    away = np.hypot(y - CENTRE[0], x - CENTRE[1]) / RADIUS
    light = np.where(away < 1, 0.4 + 0.6 * np.sqrt(np.maximum(1 - away**2, 0)), 0)
    grain = rng.standard_normal((75, 80)).repeat(8, axis=0).repeat(8, axis=1)
    return (light * (1 + structure * grain)).astype(np.float32)


def blocks_of(rng, structure, surface):
    """Blocks of a 4 x 4 grid of tiles that shows a disk with `structure` rms under `surface` (coefficients)."""
    tile, sensor, disk = [], [], []
    side = np.linspace(-1, 1, 12)
    inside = np.stack(np.meshgrid(side, side, indexing="ij"), -1).reshape(-1, 2)
    for k in range(16):
        at = np.array([k // 4 - 1.5, k % 4 - 1.5]) * 0.5 + 0.32 * inside
        seen = np.hypot(*at.T) < 0.95
        tile.append(np.full(seen.sum(), k))
        sensor.append(inside[seen])
        disk.append(at[seen])
    tile, sensor, disk = (np.concatenate(part) for part in (tile, sensor, disk))
    value = -0.3 * np.hypot(*disk.T) ** 2 + structure * rng.standard_normal(len(tile)) + 0.03 * np.sin(tile)
    y, x = sensor.T
    value += np.stack([1.5 * x**2 - 0.5, y * x, 1.5 * y**2 - 0.5], 1) @ surface
    return DiskBlocks(tile, np.exp(value), sensor, disk), value


def known(sigma, surface=(0.0, 0.0, 0.0), count=16):
    """What overlaps may have said: gains and offsets sure, the surface to `sigma`."""
    variances = np.concatenate([np.full(count, 1e-8), np.broadcast_to(sigma, 3) ** 2, np.full(3 * count, 1e-10)])
    nothing = np.zeros(count)
    return Answer(nothing, np.array(surface), nothing, np.zeros((count, 2)), np.diag(variances), 0.002)


def test_surface_and_its_error():
    truth = np.array([0.01, -0.006, 0.004])
    pulls = []
    for seed in range(24):
        blocks, value = blocks_of(np.random.default_rng(seed), 0.003, truth)
        found, covariance = surface_of_disk(blocks, value, POWERS)
        np.testing.assert_allclose(found, truth, atol=2e-3)  # 1,400 blocks of 0.3 %; gains and rings take their part
        pulls.append((found - truth) / np.sqrt(np.diag(covariance)))
    # 1.08 over 120 values; 72 tell it to 0.09. The jackknife widens: errors may be stated too large
    assert 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.35


def test_heard_where_it_knows_better_and_not_where_the_sun_is_restless():
    truth = np.array([0.01, -0.006, 0.004])
    blocks, value = blocks_of(np.random.default_rng(1), 0.003, truth)
    heard = hear_disk(known(0.01), blocks, value, POWERS)
    np.testing.assert_allclose(heard.surface, truth, atol=2e-3)  # as above
    surface = slice(16, 19)
    assert surface_rms(heard.covariance[surface, surface], POWERS) < 2e-3
    # overlaps that know better than the disk keep their word, to the bit
    blocks, value = blocks_of(np.random.default_rng(1), 0.003, 0 * truth)
    sure = known(1e-4, truth)
    assert hear_disk(sure, blocks, value, POWERS) is sure
    blocks, value = blocks_of(np.random.default_rng(2), 0.3, truth)
    unsure = known(0.005)
    assert hear_disk(unsure, blocks, value, POWERS) is unsure
    # nor where both contradict each other: the overlaps are sure that there is no bend of 1 %
    blocks, value = blocks_of(np.random.default_rng(3), 0.003, 10 * truth)
    stubborn = known(0.003)
    assert hear_disk(stubborn, blocks, value, POWERS) is stubborn


def test_bends_that_nothing_tells_are_none():
    told = known((1e-4, 0.02, 1e-4), (0.01, 0.03, -0.02))
    left = less_unsure(told, POWERS)
    # 3 % at an error of 2 %, less than two of them: none. What is well told stays
    np.testing.assert_allclose(left.surface, (0.01, 0, -0.02), atol=1e-9)
    clear = less_unsure(known((1e-4, 0.02, 1e-4), (0.01, 0.08, -0.02)), POWERS)
    assert clear.surface[1] == pytest.approx(0.08 * (1 - (0.04 / 0.08) ** 2), rel=1e-6)
    sure = known(1e-4, (0.01, 0.03, -0.02))
    assert less_unsure(sure, POWERS) is sure


def test_what_repeats_with_the_grid_is_seen_on_a_smooth_disk():
    rng = np.random.default_rng(4)
    sun = quiet_disk(rng, 0.004)
    step = np.array([116.0, 164.0])
    places = np.array([(-10 + i * step[0], 10 + j * step[1]) for i in range(5) for j in range(4)])
    # a bend in x whose ends are as alike as a step of the grid makes them
    powers = [(0, 2), (0, 4)]
    surface = np.exp(evaluate_surface(np.array([0.012, -0.006]), powers, SHAPE))
    tiles = [
        as_tile(15_000 * (cut(sun, place, SHAPE) * surface + 0.002 * rng.standard_normal(SHAPE)), f"sun_{k:02d}")
        for k, place in enumerate(places)
    ]
    levels = solve_levels(tiles, placed(places, limb=Circle(CENTRE, RADIUS, 0.1, 1000)), LevelSettings())
    left = np.log(levels.surface / surface)
    x = np.linspace(-1, 1, SHAPE[1])
    left = left.mean(axis=0) - np.polyval(np.polyfit(x, left.mean(axis=0), 1), x)
    # 0.015 % with the disk, 0.2 % of 0.4 % without
    assert np.std(left) < 5e-4


def test_one_row_says_what_it_does_not_know():
    rng = np.random.default_rng(5)
    sun = quiet_disk(rng, 0.02)
    places = np.array([(40.0 + 4 * (k % 2), 60.0 + 130 * k) for k in range(3)])
    shape = (520, 224)
    y = np.linspace(-1, 1, 520)[:, None]
    tiles = [
        as_tile(15_000 * (cut(sun, place, shape) * np.exp(0.01 * y**2) + 0.002 * rng.standard_normal(shape)), f"s{k}")
        for k, place in enumerate(places)
    ]
    levels = solve_levels(tiles, placed(places, limb=Circle(CENTRE, RADIUS, 0.1, 1000)), LevelSettings())
    assert any("across the sensor is told to" in text for text in levels.warnings)
    assert np.abs(np.log(levels.surface)).max() < 0.04
