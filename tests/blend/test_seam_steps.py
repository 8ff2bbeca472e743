"""Steps across seams on disks whose steps are known."""

import numpy as np
import pytest
from diskmosaic.blend.seam_steps import seam_steps
from diskmosaic.records.places import Circle
from scipy import ndimage

SHAPE = (1150, 300)  # more rows than one band


def textured(seed, size=0.02):
    """An even disk with structure of some 3 px."""
    field = ndimage.gaussian_filter(np.random.default_rng(seed).standard_normal(SHAPE), 1.5)
    return (1 + size * field / field.std()).astype(np.float32)


def four_tiles():
    tile = np.zeros(SHAPE, np.int16)
    tile[:, 140:] = 1
    tile[600:] += 2
    return tile


def test_known_steps_are_found_with_their_sign():
    tile = four_tiles()
    image = textured(1) * np.exp(np.array([0.0, 0.01, -0.02, 0.004], np.float32))[tile]
    found = {(one.a, one.b): one for one in seam_steps(image, tile, None)}
    # corners: tiles 0 and 3, 1 and 2 touch in a point only
    assert set(found) == {(0, 1), (2, 3), (0, 2), (1, 3)}
    for pair, true in {(0, 1): 0.01, (2, 3): 0.024, (0, 2): -0.02, (1, 3): -0.006}.items():
        assert abs(found[pair].step - true) < 4 * found[pair].sigma
    assert found[0, 1].length_px == pytest.approx(600 - 24, abs=26)  # strips that cross a corner are not whole
    # strips of 288 px with structure of 2 % and 28 px of correlation area: 0.9 % over the root of 24
    assert 5e-4 < found[0, 1].sigma < 5e-3


def test_errors_tell_the_scatter():
    pulls = [one.step / one.sigma for seed in range(12) for one in seam_steps(textured(seed), four_tiles(), None)]
    # 48 draws of nothing but the Sun's structure: the error of a standard deviation is 10 %, strips overlap
    assert 0.6 < np.std(pulls) < 1.4


def test_sky_spots_and_limb_do_not_count():
    image, tile = textured(3), four_tiles()
    image[:, :60] = np.nan
    image[200:220, 130:150] = 0.01
    y, x = np.indices(SHAPE)
    circle = Circle((575.0, 150.0), 700.0, 0.1, 100)
    image[np.hypot(y - 575, x - 150) > 0.97 * 700] = 5.0
    assert all(abs(one.step) < 5 * one.sigma for one in seam_steps(image, tile, circle))
    assert seam_steps(np.full(SHAPE, np.nan, np.float32), tile, None) == []
    assert seam_steps(image, np.zeros(SHAPE, np.int16), circle) == []
