"""What a flat's trial found, as records: of every recording, of the fringes, of the whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diskmosaic.arrays.consensus import Consensus
from diskmosaic.arrays.grains import Grain
from diskmosaic.arrays.likeness import Likeness
from diskmosaic.arrays.noise import PhotonTransfer
from diskmosaic.records.image import FloatImage

FOUND = 9.0  # significance of a peak; among other flats' dust 6.1 was the highest seen
CLEAR = 1.5  # times the best peak in any other orientation
PIXELS_FOUND = 20.0  # single pixels agree by hundreds, or not at all


@dataclass(frozen=True)
class Look:
    """What the trial saw in one recording.

    Attributes
    ----------
    name : str
    level : float
        ADU above the offset.
    saturated : float
        Share of its pixels.
    shift_yx : (float, float) or None
        px from the flat's dust to this recording's; None where its Sun hides it.
    significance : float
        Of that.
    stacked : int
        Frames that its tile takes.
    flat_noise : float
        Share by which the flat's noise raises the tile's, without jitter; NaN where the gain is not known.
    enough : int
        Flat frames from which on more are pointless, without jitter; 0 where the gain is not known.
    """

    name: str
    level: float
    saturated: float
    shift_yx: tuple[float, float] | None
    significance: float
    stacked: int
    flat_noise: float
    enough: int


@dataclass(frozen=True)
class Rings:
    """Fringes of the flat as the recordings show them: change of phase (fringes), its error, and strength."""

    change: float
    sigma: float
    strength: float


@dataclass(frozen=True)
class Trial:
    """What came of a flat's trial.

    Attributes
    ----------
    kind : {'same', 'displaced', 'turned', 'mirrored', 'not found', 'hidden'}
        'hidden': the recordings' Sun hides their pattern, or the flat has none, and nothing can be said.
    likeness : Likeness
        Of the dust.
    pixels : Likeness
        Of the single pixels.
    strength, strength_sigma : float
        Of the flat's dust in the tiles; NaN where not judged.
    grains : int
        In the flat.
    gone, added : tuple of Grain
    rings : Rings or None
        None where the flat has none.
    corner, gradient : float
        Of the flat: light of the darkest corner over the middle's; change across the sensor.
    camera, tiles_camera : PhotonTransfer
        Of the flat's frames, and of the recordings'.
    looks : tuple of Look
    pattern : Consensus
        The recordings' dust band.
    flat_band : float32 (h, w)
        The flat's.
    """

    kind: str
    likeness: Likeness
    pixels: Likeness
    strength: float
    strength_sigma: float
    grains: int
    gone: tuple[Grain, ...]
    added: tuple[Grain, ...]
    rings: Rings | None
    corner: float
    gradient: float
    camera: PhotonTransfer
    tiles_camera: PhotonTransfer
    looks: tuple[Look, ...]
    pattern: Consensus
    flat_band: FloatImage

    @property
    def ok(self) -> bool:
        """Whether the flat can be used as it is."""
        return self.kind in ("same", "hidden")

    @property
    def shift(self) -> tuple[float, float]:
        """(dy, dx) px from the flat's pattern to the recordings'; exact where another region of the sensor was read."""
        dust = self.likeness.shift
        whole = self.pixels_found and self.pixels.upright and self.pixels.sigma_px == 0
        if not clear(self.likeness):
            return self.pixels.shift
        near = np.hypot(*np.subtract(dust, self.pixels.shift)) < 1
        return self.pixels.shift if whole and near and self.pixels.shift != (0.0, 0.0) else dust

    @property
    def pixels_found(self) -> bool:
        """Whether the single pixels tell where they are."""
        return self.pixels.significance > PIXELS_FOUND and self.pixels.significance > CLEAR * self.pixels.second

    @property
    def sensor_still(self) -> bool:
        """The pixels lie as in the flat: what moved, moved in front of the sensor."""
        return self.pixels_found and self.pixels.upright and self.pixels.shift == (0.0, 0.0)


def clear(dust: Likeness) -> bool:
    """Tell whether dust stands out from chance, and in one orientation alone."""
    return dust.significance > FOUND and dust.significance > CLEAR * dust.second
