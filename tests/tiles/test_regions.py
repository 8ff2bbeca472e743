"""Disk, sky and unseen in a set of tiles."""

import numpy as np
import pytest
from diskmosaic.tiles.regions import LIMB_MARGIN_PX, find_regions

from cut_tiles import as_tile

SHAPE = (160, 220)


def limb_tile(rng, *, edge=120.0, name="limb"):
    """Sky to the right of a limb that stands nearly straight."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(y - 80, x + 600 - edge)
    light = np.where(r < 600, 2000.0, 15.0) * (1 + 0.02 * rng.standard_normal(SHAPE))
    return as_tile(light, name), r - 600


def test_sky_disk_and_margin():
    rng = np.random.default_rng(1)
    limb, height = limb_tile(rng)
    full = as_tile(2500 * (1 + 0.03 * rng.standard_normal(SHAPE)), "full")
    edge, inner = find_regions([limb, full])
    assert edge.sky[height > 4].all()
    assert not edge.sky[height < -4].any()
    assert not edge.disk[height > -LIMB_MARGIN_PX + 4].any()
    assert edge.disk[height < -LIMB_MARGIN_PX - 6].all()
    assert inner.disk.all()
    assert not inner.sky.any()


def test_a_spot_is_disk():
    image = np.full(SHAPE, 2000.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image[np.hypot(y - 70, x - 110) < 20] = 200  # an umbra, darker than a fifth of the disk
    (region,) = find_regions([as_tile(image)])
    assert region.disk.all()


def test_hardly_seen_is_not_seen():
    rng = np.random.default_rng(2)
    tile, _ = limb_tile(rng)
    image, weight = tile.image.copy(), tile.weight.copy()
    image[:10] = np.nan
    weight[:10] = 0
    weight[10:20] = 3  # of 30
    (region,) = find_regions([as_tile(image, weight=weight)])
    assert not region.seen[:20].any()
    assert region.seen[20:].all()
    assert not region.disk[:20].any()
    np.testing.assert_array_equal(np.isnan(tile.image), False)


@pytest.mark.parametrize("gain", [0.6, 1.5])
def test_a_tile_of_another_level_is_still_parted(gain):
    rng = np.random.default_rng(3)
    tiles = [limb_tile(rng, edge=100 + 15 * k, name=str(k))[0] for k in range(3)]
    dim, height = limb_tile(rng)
    regions = find_regions([*tiles, as_tile(gain * dim.image, "other")])
    assert regions[3].sky[height > 4].all()
    assert not regions[3].sky[height < -4].any()
