"""Recordings in which the disk is saturated: cut at an even level, and stacked by their limb.

They are exposed for what stands beyond the limb; nothing of their disk is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.circles import centre_of_radius
from diskmosaic.limb.rough import border_points
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import chunks, ordered_map
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage
from diskmosaic.records.master import Master

BRIGHTEST = 0.9  # of the lid: what is brighter may have been cut (common practice, no source)
EDGE_AT = 0.5  # of the lid, where the edge of the saturated disk is looked for
_LEAST_POINTS = 60  # of that edge, in a frame that is used
_ROUGH_PX = 3.0  # scatter of its points, to the pixel
_TRIES, _CHUNK = 9, 8  # frames in which the limb is looked for at first; frames summed at a time


class Lidded(Calibration):
    """Frames calibrated and cut at what every pixel reaches: a saturated disk is even, and shows no sensor pattern.

    Parameters
    ----------
    dark, flat, offset, shape
        As for `Calibration`.
    ceiling : float
        Raw value at which pixels are saturated.

    Attributes
    ----------
    lid : float
        Calibrated ADU at which frames are cut.
    """

    def __init__(
        self, dark: Master | None, flat: Master | None, offset: float, shape: tuple[int, int], *, ceiling: float
    ) -> None:
        super().__init__(dark, flat, offset, shape)
        reach = np.float32(ceiling) - self.dark
        if self.gain is not None:
            reach = reach * self.gain
        self.lid = float(reach[self.good].min())

    def apply(self, raw: NDArray, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """Return the calibrated frame (h, w) in ADU, cut at the lid."""
        frame = super().apply(raw, out)
        return np.minimum(frame, np.float32(self.lid), out=frame)


def ceiling_of(recordings: Sequence[Recording]) -> float:
    """Largest raw value in a few frames of each recording: that of the saturated disk."""
    return float(
        max(np.max(recording.frame(index)) for recording in recordings for index in (0, recording.frame_count // 2))
    )


@dataclass(frozen=True)
class Stacked:
    """A recording of the second set as one image.

    Attributes
    ----------
    name : str
        Of the recording.
    image : float32 (h, w)
        Mean of the frames, each cut at the lid; NaN where no frame has light.
    believed : bool (h, w)
        Where no frame was cut.
    """

    name: str
    image: FloatImage
    believed: NDArray[np.bool_]


def stack_by_limb(
    recording: Recording,
    calibration: Lidded,
    turn: NDArray[np.float64],
    radius: float,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> Stacked | None:
    """Average a recording's frames, each moved by where its limb lies: nothing else is there to align them by.

    Parameters
    ----------
    recording : Recording
    calibration : Lidded
    turn : (2, 2)
        From the sensor's (y, x) to the disk's, without the shift; the limb is a circle there.
    radius : float
        Of the limb, px of the disk.
    jobs : int
        Threads; frames are summed in chunks of fixed size, in order.
    progress : callable

    Returns
    -------
    Stacked or None
        None where no frame shows enough of the limb.
    """
    lid, count = calibration.lid, recording.frame_count
    start = None
    for index in np.linspace(0, count - 1, min(count, _TRIES)).astype(int).tolist():
        start = rough_centre(calibration.apply(recording.frame(index)), lid, turn, radius)
        if start is not None:
            break
    if start is None:
        return None
    shape = (recording.height, recording.width)

    def work(part: range) -> tuple[FloatImage, FloatImage, FloatImage]:
        light, seen, cut = (np.zeros(shape, np.float32) for _ in range(3))
        for index in part:
            frame = calibration.apply(recording.frame(index))
            smooth = cv2.blur(frame, (3, 3))
            centre = fine_centre(smooth, EDGE_AT * lid, start, turn, radius)
            if centre is None:
                continue
            y, x = np.linalg.solve(turn, centre - start)
            matrix = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
            flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
            # beyond the frame's border nothing is known
            moved = cv2.warpAffine(frame, matrix, shape[::-1], flags=flags, borderValue=float("nan"))
            known = np.isfinite(moved)
            light += np.where(known, moved, 0)
            cut += np.where(known, moved > BRIGHTEST * lid, 0)
            seen += known
        return light, seen, cut

    parts = chunks(count, _CHUNK)
    total = None
    sums = ordered_map(work, parts, jobs=jobs)
    for found in progress(sums, f"{recording.name}: by its limb", len(parts), "parts"):
        total = found if total is None else tuple(one + other for one, other in zip(total, found, strict=True))
    light, seen, cut = total
    if not (seen > 0).any():
        return None
    enough = seen >= 0.5 * seen.max()
    image = np.where(enough, light / np.maximum(seen, 1), np.float32(np.nan)).astype(np.float32)
    return Stacked(recording.name, image, enough & (cut == 0))


def rough_centre(image: FloatImage, lid: float, turn: NDArray[np.float64], radius: float) -> NDArray[np.float64] | None:
    """Centre of the disk, turned as the disk is, from the border of what is dark; None with too little of it."""
    known = np.isfinite(image)
    dark = known & (cv2.blur(np.where(known, image, 0), (5, 5)) < EDGE_AT * lid)
    points = border_points(dark, known, step=2)
    if len(points) < _LEAST_POINTS or dark.all():
        return None
    inwards = turn @ (np.argwhere(known & ~dark).mean(axis=0) - np.argwhere(dark).mean(axis=0))
    found = centre_of_radius(points @ turn.T, radius, inwards, np.random.default_rng(22), tolerance=_ROUGH_PX)
    return None if found is None or found[1] < 0.5 * len(points) else found[0]


def fine_centre(
    image: FloatImage, level: float, start: NDArray[np.float64], turn: NDArray[np.float64], radius: float
) -> NDArray[np.float64] | None:
    """Centre of the disk between pixels, from where rays fall through a level; None with too few of them."""
    centre = start
    on_sensor = radius / np.sqrt(abs(np.linalg.det(turn)))
    for _ in range(2):  # the second time the rays begin where they should
        points = _crossings(image, level, np.linalg.solve(turn, centre), on_sensor) @ turn.T
        for _ in range(5):
            away = points - centre
            length = np.hypot(*away.T)
            left = length - radius
            use = np.abs(left - np.median(left)) < 4 * 1.4826 * np.median(np.abs(left - np.median(left))) + 0.05
            if len(points) < _LEAST_POINTS or use.sum() < _LEAST_POINTS:
                return None
            centre = centre + np.linalg.lstsq(away[use] / length[use, None], left[use], rcond=None)[0]
    return centre


def _crossings(
    image: FloatImage, level: float, centre: NDArray[np.float64], radius: float, rays: int = 2880
) -> NDArray[np.float64]:
    """Points (y, x) where the light falls through a level along rays from a nearly known centre."""
    angle = np.arange(rays) / rays * 2 * np.pi
    steps = np.arange(-10.0, 10.0, 0.5)
    y = (centre[0] + (radius + steps)[None, :] * np.sin(angle)[:, None]).astype(np.float32)
    x = (centre[1] + (radius + steps)[None, :] * np.cos(angle)[:, None]).astype(np.float32)
    height, width = image.shape
    inside = (y.min(1) > 2) & (x.min(1) > 2) & (y.max(1) < height - 3) & (x.max(1) < width - 3)
    light = cv2.remap(np.ascontiguousarray(image), x[inside], y[inside], cv2.INTER_LINEAR)
    falls = (light[:, :-1] >= level) & (light[:, 1:] < level)
    row = np.flatnonzero(falls.any(axis=1))
    first = falls[row].argmax(axis=1)
    high, low = light[row, first], light[row, first + 1]
    at = radius + steps[first] + 0.5 * (high - level) / np.maximum(high - low, 1e-9)
    seen = angle[inside][row]
    return np.column_stack([centre[0] + at * np.sin(seen), centre[1] + at * np.cos(seen)])
