"""The best moments of each place: what a frame counts there, where the air blurs one part of the field and not another.

Frames are graded cell by cell (`arrays.flow`); at each cell the best share of those that show it is taken. Taken or not
is smoothed over neighbouring cells, and between the cells' centres weights are linear, so that no border shows.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

SMOOTH = 1.5  # cells, Gaussian: the blur's patches are wider, and a border would be seen in sharpness
STEP = 1 / 4096  # of weights: 16 bits hold them exactly, up to 8
LEAST = 1 / 64  # a frame that counts less at a cell is not worth being warped for it


def weigh_places(grades: NDArray[np.float32], shown: NDArray[np.bool_], wanted: int) -> NDArray[np.float32]:
    """Give each frame a weight at each cell.

    Parameters
    ----------
    grades : float32 (n, rows, columns)
        Larger is sharper; -inf where a frame does not show a cell.
    shown : bool (n,)
        Frames that show the field at all.
    wanted : int
        Frames to be taken at each cell, or all where fewer show it.

    Returns
    -------
    float32 (n, rows, columns)
        Multiples of `STEP`; at each cell they add up to about the number of frames taken there.
    """
    weights = np.zeros(grades.shape, np.float32)
    good = np.flatnonzero(shown)
    known = grades[good]
    # a row of cells at a time, so that what is sorted stays small
    taken = np.zeros(known.shape, np.float32)
    for row in range(known.shape[1]):
        part = known[:, row]
        least = np.partition(part, len(good) - wanted, axis=0)[len(good) - wanted]
        taken[:, row] = (part >= least) & np.isfinite(part)
    count = taken.sum(axis=0)
    for k, mask in enumerate(taken):
        smooth = cv2.GaussianBlur(mask, (0, 0), SMOOTH, borderType=cv2.BORDER_REPLICATE)
        weights[good[k]] = np.where(smooth >= LEAST, smooth, 0)
    total = weights.sum(axis=0, dtype=np.float64)
    weights *= (count / np.maximum(total, LEAST)).astype(np.float32)
    return np.rint(weights / np.float32(STEP), out=weights) * np.float32(STEP)
