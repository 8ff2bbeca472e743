"""Marks painted on a picture's pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from diskmosaic.pictures.marks import Marks, Word
from diskmosaic.pictures.type import font

_FINE = 4  # bits of a pixel that points are given to
_PIECE = 24  # points of a line drawn at a time: its box stays small


def strip_of(marks: Marks | None) -> int:
    """Rows that marks want below a picture for the caption."""
    return 0 if marks is None else int(np.ceil(marks.below_px))


def paint(pixels: NDArray, marks: Marks) -> NDArray:
    """Return the picture with its marks and the strip below.

    Parameters
    ----------
    pixels : uint8 or uint16, (h, w) or (h, w, 3)
        `marks.shape` px; see `Marks.scaled`.
    marks : Marks

    Returns
    -------
    array of the same type, (h + strip, w) or (h + strip, w, 3)

    Raises
    ------
    ValueError
        If the picture is of another size than the marks.
    """
    out = np.empty((pixels.shape[0] + strip_of(marks), *pixels.shape[1:]), pixels.dtype)
    out[: pixels.shape[0]] = pixels
    paint_over(out, marks)
    return out


def paint_over(out: NDArray, marks: Marks) -> None:
    """Paint marks on a picture that has room for the strip below already (see `strip_of`): large ones are not copied.

    Raises
    ------
    ValueError
        If the picture is of another size than the marks and their strip.
    """
    height, width = marks.shape
    if tuple(out.shape[:2]) != (height + strip_of(marks), width):
        raise ValueError(f"pixels must be {(height + strip_of(marks), width)} for these marks, got {out.shape[:2]}")
    out[height:] = round(marks.ground * np.iinfo(out.dtype).max)
    for line in marks.lines:
        thick = max(1, round(line.width_px))
        for k in range(0, len(line.points) - 1, _PIECE):
            _shape(out, line.points[k : k + _PIECE + 1], line.gray, line.opacity, thick)
    for patch in marks.patches:
        _shape(out, patch.points, patch.gray, patch.opacity, None)
    for word in marks.words:
        _word(out, word)


def _shape(out: NDArray, points: NDArray, gray: float, opacity: float, thick: int | None) -> None:
    """Draw a line, or fill a shape (no thickness), with smooth borders."""
    pad = 2 + (thick or 0)
    corner = np.floor(points.min(axis=0)).astype(int) - pad
    size = np.ceil(points.max(axis=0)).astype(int) + pad + 1 - corner
    mask = np.zeros(tuple(size), np.uint8)
    at = np.rint((points - corner)[:, ::-1] * 2**_FINE).astype(np.int32)[None]
    if thick is None:
        cv2.fillPoly(mask, at, 255, cv2.LINE_AA, _FINE)
    else:
        cv2.polylines(mask, at, False, 255, thick, cv2.LINE_AA, _FINE)
    _lay(out, mask, corner, gray, opacity)


def _word(out: NDArray, word: Word) -> None:
    face = font(round(word.size_px, 1), bold=word.bold)
    anchor = {"left": "ls", "middle": "ms", "right": "rs"}[word.anchor]
    x0, y0, x1, y1 = face.getbbox(word.text, anchor=anchor)
    corner = np.array([np.floor(word.at[0]) + y0 - 1, np.floor(word.at[1]) + x0 - 1], int)
    image = Image.new("L", (int(x1 - x0) + 3, int(y1 - y0) + 3))
    ImageDraw.Draw(image).text((1 - x0, 1 - y0), word.text, 255, font=face, anchor=anchor)
    _lay(out, np.asarray(image), corner, word.gray, 1.0)


def _lay(out: NDArray, mask: NDArray[np.uint8], corner: NDArray, gray: float, opacity: float) -> None:
    """Mix a gray into the picture where the mask says, as far as it lies on it."""
    y0, x0 = np.maximum(corner, 0)
    y1, x1 = np.minimum(corner + mask.shape, out.shape[:2])
    if y0 >= y1 or x0 >= x1:
        return
    share = mask[y0 - corner[0] : y1 - corner[0], x0 - corner[1] : x1 - corner[1]].astype(np.float32)
    share *= np.float32(opacity / 255)
    if out.ndim == 3:
        share = share[..., None]
    part = out[y0:y1, x0:x1]
    part[...] = np.rint(part * (1 - share) + np.float32(gray * np.iinfo(out.dtype).max) * share)
