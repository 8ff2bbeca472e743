"""Applying masters to raw frames."""

from __future__ import annotations

import copy

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.stacks import Mender
from diskmosaic.errors import bad_input
from diskmosaic.records.master import Master


class Calibration:
    """Turns raw frames into flat-corrected ones: ``(raw - dark) / flat``, bad pixels mended.

    Parameters
    ----------
    dark, flat : Master or None
    offset : float
        ADU taken off where there is no dark.
    shape : (int, int)
        Height and width of the frames.
    """

    def __init__(self, dark: Master | None, flat: Master | None, offset: float, shape: tuple[int, int]):
        for master in (dark, flat):
            if master is not None and master.image.shape != shape:
                (height, width), (wanted_height, wanted_width) = master.image.shape, shape
                raise bad_input(
                    f"master {master.kind}",
                    found=f"{width}x{height} pixels",
                    expected=f"{wanted_width}x{wanted_height} as the recordings have",
                    todo=f"record a new {master.kind} with the same camera settings",
                )
        self.dark = np.full(shape, np.float32(offset)) if dark is None else dark.image
        good = np.ones(shape, bool)
        self.gain = None
        if dark is not None:
            good &= dark.good
        if flat is not None:
            good &= flat.good
            self.gain = (1.0 / np.maximum(flat.image, 0.02)).astype(np.float32)
        self.good = good
        self._mender = Mender(good)

    def less(self, pattern: NDArray[np.float32]) -> Calibration:
        """Return a calibration that also takes out a pattern, given as its logarithm (h, w)."""
        other = copy.copy(self)
        other.gain = np.exp(-pattern) if self.gain is None else self.gain * np.exp(-pattern)
        return other

    def binned(self, factor: int) -> Calibration:
        """Return a calibration for means over blocks of ``factor x factor`` pixels of frames.

        Light is smooth over a block, so that the mean of the corrected pixels is the mean light times the mean
        correction, near enough for grading and aligning; blocks with a bad pixel give way to blocks without one.
        """
        other = copy.copy(self)
        other.dark = block_means(self.dark, factor)
        other.gain = None if self.gain is None else block_means(self.gain, factor)
        other.good = block_means(self.good.astype(np.float32), factor) > 1 - 0.5 / factor**2
        other._mender = Mender(other.good)
        return other

    def apply(self, raw: NDArray, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """Return the calibrated frame (h, w) in ADU; `out` is reused when given."""
        frame = cv2.subtract(raw, self.dark, dst=out, dtype=cv2.CV_32F)
        if self.gain is not None:
            cv2.multiply(frame, self.gain, dst=frame)
        self._mender.mend(frame)
        return frame

    @property
    def bad(self) -> NDArray[np.int64]:
        """Places of the bad pixels in the flattened frame, ascending."""
        return self._mender.index

    def mended(self, raw: NDArray) -> NDArray[np.float64]:
        """Return the values that the bad pixels of a calibrated frame have, without calibrating all of it."""
        near = self._mender.gather
        values = raw.reshape(-1)[near].astype(np.float32) - self.dark.reshape(-1)[near]
        if self.gain is not None:
            values *= self.gain.reshape(-1)[near]
        return self._mender.means(values)
