"""A sensor with grains of dust, and the Sun's structure over it, as bands of log brightness."""

import numpy as np
from scipy import ndimage

SHAPE = (210, 290)
WHOLE = np.ones(SHAPE, bool)
PLACES = [(40, 60), (150, 70), (90, 200), (170, 240), (60, 130), (120, 120), (30, 250), (185, 150)]


def dust(places=PLACES, depth=0.1, radius=6.0):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    log = np.zeros(SHAPE, np.float32)
    for k, (row, column) in enumerate(places):
        log -= depth * 0.5 * (1 - np.tanh(np.hypot(y - row, x - column) - radius - k % 3))
    return log


def scene(rng, rms=0.01, size=3.0):
    image = ndimage.gaussian_filter(rng.standard_normal(SHAPE), size)
    return (rms * image / image.std()).astype(np.float32)
