"""A blurred, noisy disk with structure whose sharp truth is known; not square, off the middle."""

from __future__ import annotations

import cv2
import numpy as np

CENTRE, RADIUS, SHAPE = (330.4, 352.7), 290.0, (660, 720)


def distance(shape=SHAPE):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.hypot(y - CENTRE[0], x - CENTRE[1])


def scene(rng, *, structure=0.06, scale_px=1.6):
    """Limb darkening and granules; the sharp edge is anti-aliased."""
    r = distance()
    mu = np.sqrt(np.clip(1 - (r / RADIUS) ** 2, 0, 1))
    grain = cv2.GaussianBlur(rng.standard_normal(SHAPE), (0, 0), scale_px)
    grain *= structure / grain.std()
    return ((0.4 + 0.6 * mu) * (1 + grain) * np.clip(RADIUS + 0.5 - r, 0, 1)).astype(np.float32)


def recorded(truth, rng, *, blur_px, noise, weight=100.0):
    """The scene as a disk: blurred, with noise that goes with the weight."""
    weights = np.full(truth.shape, weight, np.float32)
    weights[:, :200] = weight / 9
    image = cv2.GaussianBlur(truth, (0, 0), blur_px)
    image = image + noise * np.sqrt(weight / weights) * rng.standard_normal(truth.shape)
    return image.astype(np.float32), weights


def ring_means(image, start_px, stop_px, step_px=0.5):
    """Mean light against the distance from the limb."""
    k = np.floor((distance(image.shape) - RADIUS - start_px) / step_px).astype(int)
    inside = (k >= 0) & (k < round((stop_px - start_px) / step_px)) & np.isfinite(image)
    return np.bincount(k[inside], image[inside]) / np.bincount(k[inside])
