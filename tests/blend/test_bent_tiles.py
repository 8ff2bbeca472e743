"""Bends of tiles: how wide the air's warps are, and tiles that tell nothing."""

from dataclasses import replace

import numpy as np
import pytest
from diskmosaic.blend.bends import CELL_PX, USUAL_PX, find_bends, seeing_width
from diskmosaic.blend.seams import Laid
from scipy import ndimage

from cut_tiles import as_tile


def tile_with_fields(rng, width_px, step_px):
    shape = (20 * step_px, 24 * step_px)
    white = rng.standard_normal((40, 20, 24, 2))
    # white noise smoothed by s has a correlation of Gaussian width s sqrt(2)
    fields = ndimage.gaussian_filter(white, (0, width_px / step_px / np.sqrt(2), width_px / step_px / np.sqrt(2), 0))
    return replace(as_tile(np.ones(shape, np.float32)), fields=fields.astype(np.float32))


@pytest.mark.parametrize("width_px", [36, 60])
def test_the_width_of_the_warps_is_that_of_their_correlation(width_px):
    rng = np.random.default_rng(3)
    tiles = [tile_with_fields(rng, width_px, 24) for _ in range(3)]
    # each field's mean is taken off, which narrows the correlation a little; linear between lags of 24 px
    assert seeing_width(tiles) == pytest.approx(width_px, rel=0.12)


def test_tiles_without_fields_have_the_usual_width():
    assert seeing_width([as_tile(np.ones((80, 90), np.float32))]) == USUAL_PX


def test_tiles_that_do_not_overlap_are_not_bent():
    shape = (96, 120)
    value = np.random.default_rng(1).normal(1000, 50, shape).astype(np.float32)
    laid = [
        Laid((slice(0, 96), slice(left, left + 120)), value, np.ones(shape, np.float16), np.ones(shape, np.float16))
        for left in (0, 120)
    ]
    assert find_bends(laid, [as_tile(value)] * 2) is None
    assert laid[1].window[1].start % CELL_PX == 0
