"""Disks of several sessions as the frames of a movie: same place, size, orientation and brightness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from diskmosaic.arrays.tone import Tone, apply_tone, fit_tone
from diskmosaic.errors import bad_input
from diskmosaic.pictures.stretch import is_north_up, lay_light
from diskmosaic.pictures.type import font
from diskmosaic.records.light import Disk

RADIUS_SHARE = 0.45  # of the movie's side
_TYPE_SHARE = 0.026  # height of the type, likewise
_INSIDE = 0.95  # radii: where brightness is compared
_WORDS = 235


def movie_frames(paths: Sequence[Path], *, side: int, kind: str, gamma: float = 0.8) -> Iterator[NDArray[np.uint8]]:
    """Make the frames, one disk at a time.

    Parameters
    ----------
    paths : sequence of Path
        ``disk.fits`` of each session, in the order of the movie.
    side : int
        Of the square frames, px; even.
    kind : {'uniform', 'natural'}
    gamma : float
        Exponent of the tone curve.

    Yields
    ------
    uint8 (side, side)
        sRGB gray values with the time in the lower left corner.

    Raises
    ------
    InputError
        A disk without a limb; disks of which some were turned to solar north and some were not.

    Notes
    -----
    The limb's circle is brought to the same centre and radius, so that neither guiding nor the Earth's distance shows.
    Each disk's own median is its unit of light; the tone curve is that of the middle one.
    """
    from diskmosaic.files.diskfile import read_disk

    tone: Tone | None = None
    north: bool | None = None
    middle = paths[len(paths) // 2]
    for path in [middle, *paths]:
        disk = read_disk(path, np.zeros((0, 2, 3)))
        if disk.limb is None:
            raise bad_input(path, found="a disk without limb", expected="one, to align by", todo="leave it out")
        turned = is_north_up(disk.header)
        if north is not None and turned != north:
            found = "solar north up" if turned else "north that is not known"
            raise bad_input(path, found=found, expected="the same as in the others", todo="leave it out")
        north = turned
        light = aligned(disk, side, kind)
        if tone is None:
            tone = fit_tone(light[_radii(side) < _INSIDE], gamma=gamma)
            continue
        card = disk.header.get("DATE-OBS")
        yield _labelled(np.rint(255 * apply_tone(light, tone)).astype(np.uint8), card[0] if card else None)


def aligned(disk: Disk, side: int, kind: str) -> NDArray[np.float32]:
    """Lay a disk's light on the movie's frame: the limb in the middle, its median 1, row 0 on top."""
    light = np.nan_to_num(lay_light(disk.natural, disk.uniform, disk.limb, kind))
    (y, x), radius = disk.limb.centre_yx, disk.limb.radius_px
    factor = max(1, int(radius / (RADIUS_SHARE * side)))
    if factor > 1:  # means of whole pixels first: no aliasing
        height, width = (length // factor for length in light.shape)
        light = cv2.resize(light[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA)
        y, x, radius = (y + 0.5) / factor - 0.5, (x + 0.5) / factor - 0.5, radius / factor
    scale = radius / (RADIUS_SHARE * side)
    centre = (side - 1) / 2
    up = -scale if is_north_up(disk.header) else scale
    matrix = np.array([[scale, 0.0, x - scale * centre], [0.0, up, y - up * centre]])
    frame = cv2.warpAffine(light, matrix, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return frame / np.float32(max(float(np.median(frame[_radii(side) < _INSIDE])), 1e-12))


def _radii(side: int) -> NDArray[np.float32]:
    at = (np.arange(side, dtype=np.float32) - np.float32((side - 1) / 2)) / np.float32(RADIUS_SHARE * side)
    return np.hypot(at[:, None], at[None, :])


def _labelled(frame: NDArray[np.uint8], time: object) -> NDArray[np.uint8]:
    """Write the time off the disk, in the lower left corner."""
    if time is None:
        return frame
    size = max(11, round(_TYPE_SHARE * len(frame)))
    picture = Image.fromarray(frame)
    day, _, clock = str(time).partition("T")
    draw = ImageDraw.Draw(picture)
    for line, text in enumerate((day, f"{clock[:8]} UTC")):
        at = (0.6 * size, len(frame) - (0.6 + 1.35 * (1 - line)) * size)
        draw.text(at, text, _WORDS, font=font(size), anchor="ls")
    return np.asarray(picture)
