"""What is known of masters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diskmosaic.records.image import FloatImage


@dataclass(frozen=True)
class Source:
    """A camera file that went into a product: its name and the SHA-256 of its bytes."""

    name: str
    sha256: str


@dataclass(frozen=True)
class Master:
    """An averaged dark or flat.

    Attributes
    ----------
    kind : {'dark', 'flat'}
    image : float32 (h, w)
        Dark: ADU. Flat: relative response, mean 1.
    uncertainty : float32 (h, w)
        Standard error of `image`, same unit.
    frames : int
        Frames averaged.
    clipped : float
        Share of the values left out by clipping.
    level : float
        Mean level in ADU (of the flat before it was scaled, offset taken off).
    offset : float
        ADU taken off every frame where there was no dark (0 where there was one).
    good : bool (h, w)
        False on hot and dead pixels.
    sources : tuple of Source
    warnings : tuple of str
    gain : float
        Of a flat: e-/ADU by photon transfer; NaN where not known.
    read_noise : float
        e-; NaN where not known.
    """

    kind: str
    image: FloatImage
    uncertainty: FloatImage
    frames: int
    clipped: float
    level: float
    offset: float
    good: NDArray[np.bool_]
    sources: tuple[Source, ...] = ()
    warnings: tuple[str, ...] = ()
    gain: float = np.nan
    read_noise: float = np.nan
