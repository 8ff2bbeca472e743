"""The pieces and shapes that are cut from a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.pictures.formats import Pixels
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.seen import Region, is_on


@dataclass(frozen=True)
class Box:
    """A rectangle on a picture: its first row and column, and its size; it may reach beyond the picture."""

    top: int
    left: int
    height: int
    width: int


def cut(pixels: Pixels, frame: Frame, box: Box) -> tuple[Pixels, Frame]:
    """Cut a rectangle out; what lies beyond the picture takes the value of its first corner, which is sky."""
    inside = (
        slice(max(box.top, 0), min(box.top + box.height, pixels.shape[0])),
        slice(max(box.left, 0), min(box.left + box.width, pixels.shape[1])),
    )
    piece = pixels[inside]
    if piece.shape[:2] != (box.height, box.width):
        whole = np.empty((box.height, box.width, *pixels.shape[2:]), pixels.dtype)
        whole[:] = pixels[0, 0]
        top, left = inside[0].start - box.top, inside[1].start - box.left
        whole[top : top + piece.shape[0], left : left + piece.shape[1]] = piece
        piece = whole
    return piece, _moved(frame, np.eye(2), np.array([-box.top, -box.left], float), (box.height, box.width))


def scaled_frame(frame: Frame, shape: tuple[int, int]) -> Frame:
    """Where the disk lies on the picture made smaller; pixels are areas, their centres integers."""
    factor = np.array(shape) / frame.shape
    return _moved(frame, np.diag(factor), 0.5 * factor - 0.5, shape)


def _moved(frame: Frame, matrix: NDArray[np.float64], offset: NDArray[np.float64], shape: tuple[int, int]) -> Frame:
    scale = float(np.sqrt(np.linalg.det(matrix)))
    limb = frame.limb
    if limb is not None:
        centre = matrix @ limb.centre_yx + offset
        limb = replace(limb, centre_yx=(float(centre[0]), float(centre[1])), radius_px=limb.radius_px * scale)
    composed = np.column_stack([matrix @ frame.matrix[:, :2], matrix @ frame.matrix[:, 2] + offset])
    arcsec = None if frame.arcsec_per_px is None else frame.arcsec_per_px / scale
    return replace(frame, matrix=composed, shape=shape, limb=limb, arcsec_per_px=arcsec)


def square_box(frame: Frame, margin: float = 0.04) -> Box:
    """The disk with a little sky around it; the picture's middle where there is no limb."""
    height, width = frame.shape
    if frame.limb is None:
        side = min(height, width)
        return Box((height - side) // 2, (width - side) // 2, side, side)
    side = 2 * round((1 + margin) * frame.limb.radius_px)
    y, x = frame.limb.centre_yx
    return Box(round(y - (side - 1) / 2), round(x - (side - 1) / 2), side, side)


def wide_box(frame: Frame, regions: Sequence[Region], margin: float = 0.04, aspect: float = 16 / 9) -> Box:
    """A band across the whole disk, where most stands out."""
    square = square_box(frame, margin)
    height = round(square.width / aspect)
    rows = [frame.to_picture(region.centre_yx)[0] for region in regions]
    weights = [region.strength for region in regions]
    middle = np.average(rows, weights=weights) if rows else square.top + square.height / 2
    lowest, highest = square.top, square.top + square.height - height
    return Box(int(np.clip(round(middle - height / 2), lowest, highest)), square.left, height, square.width)


def screen_box(frame: Frame, aspect: float = 16 / 9, margin: float = 0.04) -> Box:
    """The whole disk in the middle of a screen, sky on either side."""
    square = square_box(frame, margin)
    width = round(square.height * aspect)
    return Box(square.top, square.left - (width - square.width) // 2, square.height, width)


def closeup_boxes(frame: Frame, regions: Sequence[Region], *, side_px: int, wanted: int) -> list[tuple[Box, Region]]:
    """Squares around what stands out most, as far as they do not overlap by more than a quarter.

    Parameters
    ----------
    frame : Frame
    regions : sequence of Region
        Strongest first.
    side_px : int
        At most half the picture.
    wanted : int
        At most.

    Returns
    -------
    list of (Box, Region)
    """
    side = min(side_px, min(frame.shape) // 2)
    chosen: list[tuple[Box, Region]] = []
    for region in regions:
        if len(chosen) == wanted:
            break
        point = frame.to_picture(region.centre_yx)
        if not is_on(point, frame.shape):
            continue
        top, left = (
            int(np.clip(round(at - side / 2), 0, full - side)) for at, full in zip(point, frame.shape, strict=True)
        )
        if all(_shared(top - box.top, side) * _shared(left - box.left, side) <= 0.25 for box, _ in chosen):
            chosen.append((Box(top, left, side, side), region))
    return chosen


def _shared(apart: int, side: int) -> float:
    return max(0.0, 1 - abs(apart) / side)
