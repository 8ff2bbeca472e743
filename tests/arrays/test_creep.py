"""Fringes whose phase creeps: the line in time is found where there is one, and nothing where there is none."""

import numpy as np
import pytest
from diskmosaic.arrays.creep import phase_creep

SHAPE = (40, 60)
TIMES = np.array([600.0, 0, 120, 60, 240, 180, 360, 300, 480, 420, 660, 540])  # tiles in any order


def tiles(phases, *, noise=0.3, seed=0):
    """Amplitudes 1 of these phases; what a tile's own scene adds hangs together over a quarter of it, as smoothed."""
    rng = np.random.default_rng(seed)
    up, down = [], []
    for phase in phases:
        scene = noise * (rng.standard_normal((4, 4)) + 1j * rng.standard_normal((4, 4)))
        weight = rng.uniform(0.5, 2) * np.kron(rng.random((2, 2)) > 0.2, np.ones((20, 30)))
        up.append(weight * (np.exp(1j * phase) + np.kron(scene, np.ones((10, 15)))))
        down.append(weight)
    return up, down


@pytest.mark.parametrize("fringes", [-0.4, 0.15, 0.6])
def test_the_line_is_found(fringes):
    true = 2 * np.pi * fringes * (TIMES - TIMES.mean()) / np.ptp(TIMES)
    found = phase_creep(*tiles(1.0 + true), TIMES)
    # a scene of 0.3 in 16 cells leaves 0.05 rad a tile, and 0.05 rad of the whole span
    assert np.ptp(found) == pytest.approx(2 * np.pi * abs(fringes), abs=0.2)
    np.testing.assert_allclose(found - found.mean(), true, atol=0.12)


def test_where_nothing_creeps_nothing_is_believed():
    """Three standard errors of few tiles: by chance some per cent."""
    told = [phase_creep(*tiles(np.full(len(TIMES), 2.0), seed=seed), TIMES).any() for seed in range(40)]
    assert sum(told) <= 3


def test_phases_that_jump_are_no_creep():
    phases = np.where(np.arange(len(TIMES)) % 2, 0.8, -0.8)
    assert not phase_creep(*tiles(phases), TIMES).any()


@pytest.mark.parametrize("times", [np.zeros(12), TIMES[:4]])
def test_without_times_or_tiles_there_is_no_line(times):
    assert not phase_creep(*tiles(np.linspace(0, 1, len(times))), times).any()
