"""A recording of one tile in the middle of an invented disk, and its truth."""

import numpy as np
from diskmosaic.masters.calibration import Calibration
from diskmosaic.records.master import Master
from diskmosaic.synthetic import invented_sun, make_session, plain

SHAPE = (150, 200)


PLAN = plain(
    tile_shape=SHAPE,
    frames=40,
    flat_frames=0,
    dark_frames=0,
    positions_yx=((228.3, 235.8),),  # the middle of a disk of 200 px: no limb
    dust=0,
    rings=0.0,
    vignetting=0.0,
    response=0.0,
    bit_depth=12,
)


def make_one(folder, plan=PLAN):
    """Make it in `folder`; return the recording's path and the truth."""
    truth = make_session(folder, invented_sun(200, np.random.default_rng(5)), plan, seed=7)
    return folder / truth.tiles[0].recording, truth


def calibration(truth):
    """What a dark would tell: the offset and the invented sensor's few bad pixels."""
    good = truth.parts["good"]
    level = np.full(good.shape, np.float32(truth.offset_adu))
    dark = Master("dark", level, np.zeros_like(level), 50, 0.0, truth.offset_adu, 0.0, good)
    return Calibration(dark, None, 0.0, good.shape)
