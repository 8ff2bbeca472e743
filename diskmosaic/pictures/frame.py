"""Where the disk lies on a picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.records.places import Circle

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class Frame:
    """Where the disk lies on a picture.

    Attributes
    ----------
    matrix : (2, 3)
        ``picture = matrix[:, :2] @ disk + matrix[:, 2]``, both (y, x): 0-based indices of ``disk.fits`` and of the
        picture's pixels, row 0 on top.
    shape : (h, w)
        Of the picture, px.
    limb : Circle or None
        In the picture's pixels.
    arcsec_per_px : float or None
    north_deg : float or None
        Where solar north lies on the picture: 0 up, 90 right (clockwise); None where it is not known.
    mirrored : bool
        True: with north up, east is on the right.
    time_utc : str or None
    p_deg, b0_deg, l0_deg, radius_arcsec : float or None
        See `diskmosaic.sky.sun.SunEphemeris`; None where the time is not known.
    """

    matrix: NDArray[np.float64]
    shape: tuple[int, int]
    limb: Circle | None = None
    arcsec_per_px: float | None = None
    north_deg: float | None = None
    mirrored: bool = False
    time_utc: str | None = None
    p_deg: float | None = None
    b0_deg: float | None = None
    l0_deg: float | None = None
    radius_arcsec: float | None = None

    @property
    def sun_px(self) -> float | None:
        """Radius of the photosphere, px: less than the limb's where a line shows it higher; None without a limb."""
        if self.limb is None:
            return None
        if self.radius_arcsec is None or self.arcsec_per_px is None:
            return self.limb.radius_px
        return self.radius_arcsec / self.arcsec_per_px

    def to_picture(self, points: ArrayLike) -> NDArray[np.float64]:
        """Carry (..., 2) points (y, x) of ``disk.fits`` to the picture."""
        return np.asarray(points, float) @ self.matrix[:, :2].T + self.matrix[:, 2]

    def to_disk(self, points: ArrayLike) -> NDArray[np.float64]:
        """Carry (..., 2) points (y, x) of the picture to ``disk.fits``."""
        return (np.asarray(points, float) - self.matrix[:, 2]) @ np.linalg.inv(self.matrix[:, :2]).T
