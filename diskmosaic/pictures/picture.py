"""The records that a picture is handed on in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.records import Circle

if TYPE_CHECKING:
    from diskmosaic.pictures.marks import Marks
    from diskmosaic.pictures.recipe import Recipe

_ROWS = 256  # laid out at a time


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
        See `diskmosaic.sun.SunEphemeris`; None where the time is not known.
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


@dataclass(frozen=True)
class Done:
    """What one step did: its settings, what it measured, and that in a sentence."""

    step: str
    settings: Mapping[str, Any]
    sentence: str
    found: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Picture:
    """A finished picture, before it is written.

    Attributes
    ----------
    name : str
        Of the recipe; file names begin with it.
    title : str
    recipe : Recipe
    gray : uint16 (h, w)
        Values with the tone curve of sRGB; 0 where uncovered.
    ramp : uint16 (65536, 3) or None
        sRGB of each gray value; None: the picture is gray. Kept apart, so that a coloured picture costs a third.
    frame : Frame
    done : tuple of Done
        The record of the recipe, in order.
    marks : Marks or None
        Painted over it by `diskmosaic.pictures.paint.paint`.
    warnings : tuple of str
    """

    name: str
    title: str
    recipe: Recipe
    gray: NDArray[np.uint16]
    ramp: NDArray[np.uint16] | None
    frame: Frame
    done: tuple[Done, ...]
    marks: Marks | None = None
    warnings: tuple[str, ...] = ()

    @property
    def pixels(self) -> NDArray[np.uint16]:
        """The whole picture, (h, w) gray or (h, w, 3) sRGB."""
        return self.laid_out(0)

    def laid_out(self, strip: int) -> NDArray[np.uint16]:
        """Return the whole picture as a new array, (h + strip, w) gray or (h + strip, w, 3) sRGB, the strip black."""
        height, width = self.gray.shape
        out = np.empty((height + strip, width) if self.ramp is None else (height + strip, width, 3), np.uint16)
        for y in range(0, height, _ROWS):
            band = self.gray[y : y + _ROWS]
            out[y : y + len(band)] = band if self.ramp is None else self.ramp[band]
        out[height:] = 0
        return out
