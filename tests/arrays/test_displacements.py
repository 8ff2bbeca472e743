"""Displacements from sums over cells that are known to come from given ones."""

import numpy as np
import pytest
from diskmosaic.arrays.displacements import MOST_PX, Displacements
from scipy import ndimage

GRID = (12, 17)
CELL = 12  # px
WHOLE = (slice(0, GRID[0] * CELL), slice(0, GRID[1] * CELL))


@pytest.fixture(scope="module")
def products():
    """Structure of unequal strength, much more of it than the prior weighs; the two axes are not independent."""
    rng = np.random.default_rng(51)
    strength = 1e5 * rng.uniform(0.5, 2, (2, *GRID))
    cross = 0.3 * np.sqrt(strength[0] * strength[1]) * rng.uniform(-1, 1, GRID)
    return np.array([[strength[0], cross], [cross, strength[1]]])


@pytest.fixture(scope="module")
def solver(products):
    return Displacements(products, tuple(np.arange(n + 1) * CELL for n in GRID))


def sums_of(products, field):
    """What the sums are, to first order, where a frame is off by `field`."""
    return -np.einsum("abij,ijb->aij", products, field)


def test_a_common_displacement_is_found_exactly(solver, products):
    off = np.array([0.31, -0.52])
    sums = sums_of(products, np.broadcast_to(off, (*GRID, 2)))
    np.testing.assert_allclose(solver.whole(sums, WHOLE), off, atol=2e-6)  # its damping is 1e-6 of the sums
    np.testing.assert_allclose(solver.local(sums, WHOLE), np.broadcast_to(off, (*GRID, 2)), atol=1e-4)


def bend(rng, width):
    field = np.stack([ndimage.gaussian_filter(rng.standard_normal(GRID), width) for _ in range(2)], axis=-1)
    return 0.3 * field / field.std()


@pytest.mark.parametrize("width", [1.5, 3.0])
def test_twice_leaves_less_of_a_bend(solver, products, width):
    field = bend(np.random.default_rng(52), width)
    sums = sums_of(products, field)
    once, twice = (solver.local(sums, WHOLE, twice=twice) - field for twice in (False, True))
    # a Gaussian window of w cells leaves 1 - exp(-w^2 k^2 / 2) of a wave, twice its square: of what one look leaves
    # (0.9 cells, bends of 1.5 and 3: some 30 and 10 %) not more than half stays
    assert once.std() < 0.4 * field.std()
    assert twice.std() < 0.5 * once.std()


def test_twice_makes_little_more_of_noise(solver, products):
    rng = np.random.default_rng(53)
    sums = sums_of(products, rng.normal(0, 0.2, (*GRID, 2)))  # the same strength of noise in every cell
    once, twice = (solver.local(sums, WHOLE, twice=twice).std() for twice in (False, True))
    # white noise under a Gaussian of transfer G keeps the mean of G^2, under twicing that of (2G - G^2)^2: with
    # G = exp(-s^2) these are 1/2 and 4/2 - 4/3 + 1/4 = 0.917, 1.35 times the deviation; edges do not change that much
    assert twice == pytest.approx(1.35 * once, rel=0.1)


def test_cells_outside_the_window_follow_their_neighbours(solver, products):
    window = (slice(0, 5 * CELL), WHOLE[1])
    field = np.zeros((*GRID, 2))
    field[:5] = (0.4, -0.2)
    found = solver.local(sums_of(products, field) * solver.cover(window), window)
    # far cells hold nothing but the prior: the whole frame's answer
    np.testing.assert_allclose(found, np.broadcast_to((0.4, -0.2), (*GRID, 2)), atol=1e-3)


def test_no_step_is_longer_than_two_pixels(solver, products):
    sums = sums_of(products, np.broadcast_to((9.0, -7.0), (*GRID, 2)))
    found = solver.local(sums, WHOLE, twice=True)
    assert np.abs(found).max() == MOST_PX


def test_cover_is_the_share_of_a_cell(solver):
    cover = solver.cover((slice(6, 100), slice(0, 15)))
    assert cover[0, 0] == 0.5
    assert cover[1, 0] == 1
    assert cover[3, 1] == 0.25
    assert cover[8, 0] == pytest.approx(4 / 12)
    assert not cover[9:].any()
