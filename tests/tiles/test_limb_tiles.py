"""Tiles at the limb under warping air: the limb stays where it is, a prominence keeps its light."""

from dataclasses import replace

import numpy as np
import pytest
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.settings import TileSettings
from diskmosaic.synthetic import invented_sun, make_session, plain
from diskmosaic.tiles.tiles import stack_tile
from scipy import ndimage

SHAPE = (220, 300)
RADIUS = 400
FRAMES = 100
PROMINENCE_YX = (95.0, 0.0)  # from the sensor's middle; beyond the limb


@pytest.fixture(scope="module")
def tile(tmp_path_factory):
    """A tile of the lower limb with a prominence of 3 % of the disk, its truth, and the same Sun without prominence."""
    sun = invented_sun(RADIUS, np.random.default_rng(5))
    middle = np.array(sun.centre_yx) + np.array([RADIUS - 70.0, 0.0])
    y, x = np.mgrid[: sun.image.shape[0], : sun.image.shape[1]]
    distance = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1])
    dark = np.where(distance > RADIUS + 3, np.minimum(sun.image, 0.01), sun.image)  # no other prominences
    at = middle + PROMINENCE_YX
    cloud = 0.03 * np.exp(-0.5 * (((y - at[0]) / 5) ** 2 + ((x - at[1]) / 9) ** 2))
    shown = replace(sun, image=(dark + cloud).astype(np.float32))
    plan = plain(
        tile_shape=SHAPE,
        frames=FRAMES,
        flat_frames=0,
        dark_frames=0,
        positions_yx=(tuple(middle),),
        dust=0,
        rings=0.0,
        vignetting=0.0,
        response=0.0,
        bit_depth=12,
    )
    folder = tmp_path_factory.mktemp("limb") / "session"
    truth = make_session(folder, shown, plan, seed=9)
    good = truth.parts["good"]
    level = np.full(SHAPE, np.float32(truth.offset_adu))
    dark_master = Master("dark", level, np.zeros_like(level), 50, 0.0, truth.offset_adu, 0.0, good)
    path = folder / truth.tiles[0].recording
    tile = stack_tile(open_recording(path), Calibration(dark_master, None, 0.0, SHAPE), TileSettings())
    return tile, truth, dark


def on_tile(image, truth, tile):
    """An image of the Sun as the tile's canvas has it, brightness of the disk's centre 1."""
    one = truth.tiles[0]
    shift = np.average(one.shifts, axis=0, weights=tile.frames["weight"])
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    at = [
        axis + place + move - (size - 1) / 2
        for axis, place, move, size in zip((y, x), one.position_yx, shift, SHAPE, strict=True)
    ]
    return ndimage.map_coordinates(image, at, order=3)


def edges(image, truth, tile):
    """Where the limb's brightness falls through half, along rays at every pixel of arc: px off the circle."""
    one = truth.tiles[0]
    shift = np.average(one.shifts, axis=0, weights=tile.frames["weight"])
    centre = np.array(truth.sun.centre_yx) - one.position_yx - shift + (np.array(SHAPE) - 1) / 2
    angles = np.arange(-0.3, 0.3, 1 / RADIUS)
    reach = np.arange(-6, 6, 0.1)
    rays = np.stack([np.cos(angles), np.sin(angles)])[:, :, None]
    light = ndimage.map_coordinates(image, centre[:, None, None] + rays * (RADIUS + reach), order=3)
    half = 0.5 * (light[:, :20].mean(axis=1) + light[:, -10:].mean(axis=1))
    below = np.argmax(light < half[:, None], axis=1)
    rows = np.arange(len(angles))
    high, low = light[rows, below - 1], light[rows, below]
    return reach[below - 1] + 0.1 * (high - half) / (high - low)


def test_the_limb_is_not_ragged(tile):
    one, truth, _ = tile
    blur = np.average(truth.tiles[0].blur_px, weights=one.frames["weight"])
    found = edges(np.where(np.isfinite(one.image), one.image, 0), truth, one)
    true = edges(ndimage.gaussian_filter(on_tile(truth.sun.image, truth, one), blur), truth, one)
    off = found - true
    # the mean of 100 frames' warps of 0.7 px is itself 0.07 px
    assert np.std(off) <= 0.1
    assert abs(off.mean()) < 0.06


def test_a_prominence_keeps_its_light(tile):
    one, truth, without = tile
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    used = one.frames["weight"] > 0
    level = truth.level_adu * truth.tiles[0].gain * np.median(truth.tiles[0].transparency[used])
    blur = np.average(truth.tiles[0].blur_px, weights=one.frames["weight"])
    bare = ndimage.gaussian_filter(on_tile(without, truth, one), blur)
    full = ndimage.gaussian_filter(on_tile(truth.sun.image, truth, one), blur)
    shift = np.average(truth.tiles[0].shifts, axis=0, weights=one.frames["weight"])
    at = (np.array(SHAPE) - 1) / 2 + PROMINENCE_YX - shift
    place = ((y - at[0]) / 13) ** 2 + ((x - at[1]) / 24) ** 2 < 1
    place &= np.isfinite(one.image)
    assert (full - bare)[place].max() == pytest.approx(0.03, rel=0.1)
    found, true = np.sum((one.image / level - bare)[place]), np.sum((full - bare)[place])
    assert found == pytest.approx(true, rel=0.03)
