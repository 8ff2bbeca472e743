"""Tiles cut from an image at known places, without recordings and stacking."""

import numpy as np
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from scipy import ndimage


def as_tile(image, name="tile", *, time=None, weight=None, frames=30, sharpness=1.0):
    """A tile record around an image."""
    image = np.asarray(image, np.float32)
    table = np.zeros(1, FRAME_DTYPE)
    table["weight"] = 1
    weight = np.full(image.shape, frames, np.float32) if weight is None else np.asarray(weight, np.float32)
    return Tile(name, image, weight, 1.0, table, sharpness, time, f"{name}.ser")


def cut(image, place, shape):
    """Cut a window whose pixel (0, 0) lies at `place`, by a cubic spline; the border repeats."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    return ndimage.map_coordinates(image, [y + place[0], x + place[1]], order=3, mode="nearest").astype(np.float32)


def grid_places(image_shape, shape, counts, rng, *, jitter=0.0):
    """Places of a grid that spans the image, moved by up to `jitter`; in reading order."""
    axes = [np.linspace(0, whole - part, n) for whole, part, n in zip(image_shape, shape, counts, strict=True)]
    places = np.array([(y, x) for y in axes[0] for x in axes[1]])
    return places + rng.uniform(-jitter, jitter, places.shape)


def placed(places, *, limb=None, drift=(0.0, 0.0), times=None):
    """The placement that puts tiles at `places`."""
    return Placement(np.asarray(places, float), (), {}, limb, drift, times)
