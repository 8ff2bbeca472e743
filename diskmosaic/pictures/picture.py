"""The records that a picture is handed on in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diskmosaic.pictures.frame import Frame

if TYPE_CHECKING:
    from diskmosaic.pictures.marks import Marks
    from diskmosaic.pictures.recipe import Recipe

_ROWS = 256  # laid out at a time


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
