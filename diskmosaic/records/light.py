"""How bright tiles are, the blended mosaic, the finished disk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Circle


@dataclass(frozen=True)
class Levels:
    """What makes tiles equally bright: ``corrected = (tile - offset) / (gain * surface * exp(slope . x))``.

    ``gain_sigma`` and ``offset_sigma`` are standard errors (of log gain; ADU), NaN where not known; ``slope`` (n, 2) is
    what a tile has of its own along (y, x) of the sensor, x in [-1, 1]; ``tilt`` is the part of `surface` that
    overlaps cannot see, as a slope of the disk per radius on the mosaic's (y, x), None where it was not looked for;
    ``focus`` (`focus.Focus`) tells how clearly tiles show structure, None where overlaps do not tell.
    """

    gain: NDArray[np.float64]
    offset: NDArray[np.float64]
    surface: FloatImage
    gain_sigma: NDArray[np.float64]
    seam_rms: float
    warnings: tuple[str, ...] = ()
    offset_sigma: NDArray[np.float64] | None = None
    slope: NDArray[np.float64] | None = None
    tilt: tuple[float, float] | None = None
    tilt_sigma: float = np.nan
    focus: Any = None

    def correct(self, tile: int, image: FloatImage) -> FloatImage:
        """Return a tile's image made as bright as the others."""
        corrected = (image - np.float32(self.offset[tile])) / (np.float32(self.gain[tile]) * self.surface)
        if self.slope is not None and self.slope[tile].any():
            y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in image.shape)
            slope = self.slope[tile].astype(np.float32)
            corrected *= np.exp(-slope[0] * y)[:, None] * np.exp(-slope[1] * x)
        return corrected


@dataclass(frozen=True)
class Mosaic:
    """The blended disk, linear: ``image`` NaN and ``weight`` 0 where uncovered, ``tile`` -1 there."""

    image: FloatImage
    weight: FloatImage
    tile: NDArray[np.int16]


@dataclass(frozen=True)
class Disk:
    """The finished disk.

    ``to_disk[k]`` is the 2x3 matrix from sensor (y, x) of tile k to (y, x) here (NaN for tiles left out);
    ``header`` are FITS cards (keyword -> value or (value, comment)); ``profile`` has columns r/R and quiet level.
    ``arcsec_per_px_sigma`` is the scale's standard error; None where not known.
    """

    natural: FloatImage
    uniform: FloatImage
    weight: FloatImage
    tile: NDArray[np.int16]
    to_disk: NDArray[np.float64]
    limb: Circle | None
    header: dict[str, object]
    profile: NDArray[np.float64]
    arcsec_per_px: float | None
    warnings: tuple[str, ...] = ()
    arcsec_per_px_sigma: float | None = None
