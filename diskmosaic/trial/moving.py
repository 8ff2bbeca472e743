"""A flat that lies displaced, moved onto the recordings' pattern."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from diskmosaic.arrays.likeness import FINE_PX
from diskmosaic.arrays.resample import shift_fraction
from diskmosaic.records.image import FloatImage
from diskmosaic.records.master import Master
from diskmosaic.trial.findings import Trial


def follow_of(trial: Trial) -> dict[str, object]:
    """How `moved_by` has to move a displaced flat."""
    return {"shift": list(trial.shift), "pixels_stay": trial.sensor_still}


def moved_by(flat: Master, *, shift: Sequence[float], pixels_stay: bool) -> Master:
    """Move a flat that lies displaced onto the recordings' pattern.

    Parameters
    ----------
    flat : Master
    shift : (float, float)
        (dy, dx) px.
    pixels_stay : bool
        Only move what is coarser than single pixels: the glass moved, the sensor did not.

    Returns
    -------
    Master
        Of mean 1 again; what comes in from beyond the border repeats the flat's edge.
    """
    shift = (float(shift[0]), float(shift[1]))
    if pixels_stay:
        log = np.log(np.maximum(flat.image, np.float32(0.02)))
        soft = cv2.GaussianBlur(log, (0, 0), FINE_PX)
        image, good = np.exp(moved(soft, shift) + log - soft), flat.good
    else:
        image = moved(flat.image, shift)
        # a bad pixel's neighbours took part of it
        spoiled = cv2.dilate((~flat.good).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
        good = moved(spoiled, shift) < 0.5
    image = np.maximum(image, np.float32(0.02))
    image /= np.float32(image.mean(dtype=np.float64))
    uncertainty = np.maximum(moved(flat.uncertainty, shift), 0)
    return replace(flat, image=image.astype(np.float32), uncertainty=uncertainty, good=good)


def moved(image: FloatImage, shift: tuple[float, float]) -> FloatImage:
    """Move an image by (dy, dx) px, of any size; what comes in from beyond the border repeats it."""
    whole = [int(np.floor(part)) for part in shift]
    height, width = image.shape
    rows = np.clip(np.arange(height) - whole[0], 0, height - 1)
    columns = np.clip(np.arange(width) - whole[1], 0, width - 1)
    part = (shift[0] - whole[0], shift[1] - whole[1])
    return shift_fraction(np.ascontiguousarray(image[rows[:, None], columns]), part)
