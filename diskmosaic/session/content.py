"""What a recording shows, from a few of its frames: light or none, wall to wall or not, still or moving."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

SAMPLE_FRAMES = 6
_BLOCK_PX = 16
# fine structure is what is left of scales below this; a defocused Sun and clouds are far coarser
_HIGH_PASS_PX = 12.0
# never along a line, where line noise correlates; further than demosaiced or compressed noise reaches, nearer
# than the texture, whose difference after a small shift turns negative along that shift
_LAGS = ((1, 2), (2, 1), (1, -2), (2, -1))


@dataclass(frozen=True)
class Content:
    """A recording's looks.

    Attributes
    ----------
    low, high : float
        Nearly darkest and nearly brightest block of 16 px (2nd and 99.5th percentile), ADU.
    noise : float
        Standard deviation of a pixel from frame to frame, ADU; 0 for a still.
    full : float
        Largest value that the file format can hold.
    moving : float or None
        rms of the fine structure that moves against the sensor, relative to the local brightness; None for a
        still.
    """

    low: float
    high: float
    noise: float
    full: float
    moving: float | None


def look_at(recording: Any) -> Content:
    """Measure what a recording shows.

    Parameters
    ----------
    recording : Recording
        `SAMPLE_FRAMES` of its frames are read, evenly spread.

    Returns
    -------
    Content

    Notes
    -----
    Dust, rings and vignetting stay on the sensor and cancel in the difference of two frames, each divided by
    its own smooth brightness. What is left of a flat is white noise; of a tile also solar texture, because
    the image jitters. The covariance of the difference with itself, shifted by 2.2 px, sees only the latter.
    """
    count = min(SAMPLE_FRAMES, recording.frame_count)
    indices = np.unique(np.linspace(0, recording.frame_count - 1, count).round().astype(int))
    total: NDArray[np.float64] | None = None
    previous: NDArray[np.float32] | None = None
    previous_flat: NDArray[np.float32] | None = None
    covariances, chances, variances = [], [], []
    for index in indices:
        # a copy: filters work in place on some sizes
        frame = np.array(recording.gray(int(index)), dtype=np.float32)
        total = frame.astype(np.float64) if total is None else total + frame
        smooth = cv2.GaussianBlur(frame, (0, 0), _HIGH_PASS_PX)
        lit = smooth > 0.25 * float(np.percentile(smooth[::4, ::4], 99))
        flattened = np.where(lit, frame / np.maximum(smooth, 1e-6) - 1, 0).astype(np.float32)
        if previous is not None and previous_flat is not None:
            difference = flattened - previous_flat
            covariances.append(_lagged(difference) / 2)
            chances.append(float(np.var(difference)) / 2)
            change = frame - previous
            variances.append(float(np.var(change)) / 2)
        previous, previous_flat = frame, flattened
    assert total is not None  # every recording has a frame
    blocks = _blocks(total / len(indices))
    low, high = np.percentile(blocks, [2, 99.5])
    full = float(np.iinfo(recording.dtype).max) if recording.dtype.kind in "ui" else float(high)
    moving = None
    if covariances:
        # what white noise alone reaches in so many pixels is not counted
        chance = 3 * float(np.mean(chances)) / np.sqrt(total.size * len(covariances))
        moving = float(np.sqrt(max(float(np.mean(covariances)) - chance, 0.0)))
    noise = float(np.sqrt(np.mean(variances))) if variances else 0.0
    return Content(float(low), float(high), noise, full, moving)


def _lagged(difference: NDArray[np.float32]) -> float:
    """Mean product with itself shifted by the knight's moves of `_LAGS`."""
    height, width = difference.shape
    products = []
    for dy, dx in _LAGS:
        left, right = max(-dx, 0), max(dx, 0)
        one = difference[: height - dy, left : width - right]
        other = difference[dy:, right : width - left]
        products.append(float(np.mean(one * other, dtype=np.float64)))
    return float(np.mean(products))


def _blocks(image: NDArray[np.float64]) -> NDArray[np.float64]:
    height, width = image.shape
    size = min(_BLOCK_PX, height, width)
    rows, columns = height // size, width // size
    cut = image[: rows * size, : columns * size]
    return cut.reshape(rows, size, columns, size).mean(axis=(1, 3))


# shares of the brightest recording's light
_DARK_LEVEL, _DARK_RANGE, _DARK_OFFSET = 0.04, 0.02, 0.25
# a flat's darkest corner over its centre; sky beside the Sun is darker still
_FLAT_EVENNESS = 0.25
# rms of moving fine structure. Simulated evenings: flats 0 (chance is taken off), the smoothest tile at
# disk centre, with 0.3 of the usual contrast and 0.5 px of jitter, 0.0033; with usual contrast 0.010 to 0.023
_FLAT_MOVING = 0.0006


def judge(contents: Sequence[Content]) -> list[str | None]:
    """Tell what each recording of a session is by what it shows.

    Parameters
    ----------
    contents : sequence of Content
        All recordings of the session: their light is judged against each other's.

    Returns
    -------
    list of {'dark', 'flat', 'tile', None}
        None where a still could be a flat or a tile.
    """
    roles: list[str | None] = [None] * len(contents)
    for full in {content.full for content in contents}:  # levels in 8 and 16 bits are not to be compared
        members = [k for k, content in enumerate(contents) if content.full == full]
        for k, role in zip(members, _judge_alike([contents[k] for k in members]), strict=True):
            roles[k] = role
    return roles


def _judge_alike(contents: Sequence[Content]) -> list[str | None]:
    bright = max(content.high for content in contents)
    base = min(content.low for content in contents)
    unlit = all(_shows_nothing(content) for content in contents)
    roles: list[str | None] = []
    for content in contents:
        if unlit or _is_dark(content, bright, base):
            roles.append("dark")
        elif content.low < _FLAT_EVENNESS * content.high:
            roles.append("tile")
        elif content.moving is None:
            roles.append(None)
        else:
            roles.append("flat" if content.moving < _FLAT_MOVING else "tile")
    return roles


def _is_dark(content: Content, bright: float, base: float) -> bool:
    light = bright - base
    return (
        content.high - base < _DARK_LEVEL * light
        and content.high - content.low < _DARK_RANGE * light
        and content.high < _DARK_OFFSET * bright
    )


def _shows_nothing(content: Content) -> bool:
    """Tell whether a recording on its own is without light: low, and nothing in it but noise."""
    blocks_noise = content.noise / _BLOCK_PX / np.sqrt(SAMPLE_FRAMES)
    nothing = max(12 * blocks_noise, 0.003 * content.full)
    return content.high < 0.12 * content.full and content.high - content.low < nothing
