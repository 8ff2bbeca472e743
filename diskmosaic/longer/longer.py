"""A second set of tiles, exposed for what stands beyond the limb, laid onto the finished disk.

It shares the placement of the first: orientation and scale are those of the disk, and each of its tiles is placed by
its piece of the limb, whose circle is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.limb_profile import Edge, find_edge
from diskmosaic.arrays.second_light import fit_light
from diskmosaic.errors import bad_input
from diskmosaic.longer.lidded import EDGE_AT, Lidded, Stacked, ceiling_of, fine_centre, rough_centre, stack_by_limb
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage
from diskmosaic.records.light import Disk
from diskmosaic.records.master import Master
from diskmosaic.records.tile import SensorGrid
from diskmosaic.settings import MasterSettings

_FADE_PX = 40  # over which a tile fades out towards its border
_FITTED = 20_000  # pixels of a tile from which its plane is told
_ROUNDS = 3  # places and ratio of the exposures by turns


@dataclass(frozen=True)
class Longer:
    """Light beyond the limb from the second set.

    Attributes
    ----------
    image : float32 (h, w)
        On the grid of the disk, in its own ADU; NaN where nothing was seen, or all was saturated.
    ratio : float
        How many times as much light it has as the disk.
    warnings : tuple of str
    """

    image: FloatImage
    ratio: float
    warnings: tuple[str, ...] = ()


def see_beyond(
    recordings: Sequence[Recording],
    darks: Sequence[Recording],
    disk: Disk,
    masters: tuple[Master | None, Master | None, float],
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> Longer:
    """Stack the recordings of the second set and lay them onto the disk.

    Parameters
    ----------
    recordings : sequence of Recording
        Tiles at the limb.
    darks : sequence of Recording
        Of the second set's exposure; may be empty.
    disk : Disk
        Finished, with its limb.
    masters : (dark, flat, offset)
        Of the first set; its dark is used where the second has none.
    jobs : int
        Threads; the result does not depend on it.
    progress : callable

    Returns
    -------
    Longer

    Raises
    ------
    InputError
        The disk has no limb; no tile shows enough of the limb.
    """
    from diskmosaic.masters.masters import make_dark

    edge = None if disk.limb is None else find_edge(disk.natural, disk.limb.centre_yx, disk.limb.radius_px)
    if edge is None:
        raise bad_input(
            "the finished disk", found="no limb", expected="one, to place the second set by", todo="leave the set out"
        )
    dark, flat, offset = masters
    if darks:
        dark = make_dark(darks, MasterSettings(), jobs=jobs, progress=progress)
    shape = (recordings[0].height, recordings[0].width)
    calibration = Lidded(dark, flat, offset, shape, ceiling=ceiling_of(recordings))
    turn, radius = _turn_of(disk, recordings[0].grid), disk.limb.radius_px
    tiles = [stack_by_limb(one, calibration, turn, radius, jobs=jobs, progress=progress) for one in recordings]
    return lay_onto(tiles, calibration.lid, disk, edge, grid=recordings[0].grid)


def lay_onto(
    stacked: Sequence[Stacked | None], lid: float, disk: Disk, edge: Edge, *, grid: SensorGrid | None = None
) -> Longer:
    """Place tiles with a saturated disk by their limb and blend what is beyond it; as `see_beyond`.

    Parameters
    ----------
    stacked : sequence of Stacked or None
    lid : float
        Of their calibration.
    disk : Disk
    edge : Edge
        Of its natural disk.
    grid : SensorGrid or None
        How their pixels lie on the sensor; None: they are its own.
    """
    turn = _turn_of(disk, grid)
    tiles = [tile for tile in stacked if tile is not None]
    beyond, ratio = 0.0, 0.0
    for _ in range(_ROUNDS):
        places = [_place(tile, lid, turn, disk, beyond) for tile in tiles]
        if all(place is None for place in places):
            raise bad_input(
                "the second set",
                found="no tile that shows enough of the limb",
                expected="tiles at the limb, longer exposed than the first set's",
                todo="leave out its folder",
            )
        image = _blend(tiles, places, turn, disk, edge, ratio)
        found = fit_light(disk.natural, image, edge)
        if found is None:
            raise bad_input(
                "the second set",
                found="light that does not rise with the first set's",
                expected="the same light beyond the limb, longer exposed",
                todo="leave out its folder",
            )
        ratio, offset = found
        # where the fading edge of the disk has the light that the saturated one's edge was looked for at
        beyond = _where_light_is((EDGE_AT * lid - offset) / ratio, edge)
    left = len(stacked) - sum(place is not None for place in places)
    told = f"second set: {left} of {len(stacked)} recordings left out, too little of the limb in view"
    return Longer(image, ratio, (told,) if left else ())


def _where_light_is(level: float, edge: Edge) -> float:
    """Distance from the limb, px, at which the edge's mean profile falls to a level; within 4 blurs of it."""
    reach = 4 * (edge.blur_px or 2.0)
    u = np.arange(-reach, reach, 0.05, dtype=np.float32)
    below = np.flatnonzero(edge.base(u) < level)
    return float(u[below[0]]) if below.size else reach


def _turn_of(disk: Disk, grid: SensorGrid | None) -> NDArray[np.float64]:
    """From a tile's pixels (y, x) to the disk's, without the shift: that of the first set."""
    turn = np.asarray(disk.to_disk[0][:, :2], float) if len(disk.to_disk) else np.eye(2)
    return turn * (1.0 if grid is None else grid.step)


def _place(
    tile: Stacked, lid: float, turn: NDArray[np.float64], disk: Disk, beyond: float
) -> NDArray[np.float64] | None:
    """Return what is added to ``turn @ point`` of a tile to have it on the disk; None with too little of the limb."""
    radius = disk.limb.radius_px + beyond
    rough = rough_centre(tile.image, lid, turn, radius)
    if rough is None:
        return None
    centre = fine_centre(np.nan_to_num(tile.image), EDGE_AT * lid, rough, turn, radius)
    return None if centre is None else np.array(disk.limb.centre_yx) - centre


def _blend(tiles, places, turn: NDArray[np.float64], disk: Disk, edge: Edge, ratio: float) -> FloatImage:
    """Lay the tiles' light on the disk's grid, each fading out towards its border; NaN where none is to be believed.

    With a ratio of the exposures each tile is levelled first: out of its difference to the first set a plane is taken,
    which is its own stray light and what its flat has of large scale. Light that both show cancels in it.
    """
    shape = disk.natural.shape
    total, count = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for tile, place in zip(tiles, places, strict=True):
        if place is None:
            continue
        rows, columns, light, share = _laid(tile, place, turn, shape)
        if ratio > 0:
            light = light - _plane(light - np.float32(ratio) * disk.natural[rows, columns], share, edge, rows, columns)
        total[rows, columns] += np.where(share > 0, share * light, 0)
        count[rows, columns] += share
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count > 1e-3, total / count, np.float32(np.nan)).astype(np.float32)


def _laid(tile: Stacked, place: NDArray[np.float64], turn: NDArray[np.float64], shape: tuple[int, int]):
    """Lay one tile on its part of the disk's grid: rows and columns, light, and how much it counts."""
    height, width = tile.image.shape
    corners = np.array([(y, x) for y in (0, height - 1) for x in (0, width - 1)]) @ turn.T + place
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, shape)
    high = np.maximum(high, low + 1)
    back = np.linalg.inv(turn)
    offset = back @ (low - place)
    matrix = np.array([[back[1, 1], back[1, 0], offset[1]], [back[0, 1], back[0, 0], offset[0]]])  # (x, y)
    known = np.isfinite(tile.image)
    inner = np.pad(known.astype(np.uint8), 1)
    fade = np.minimum(cv2.distanceTransform(inner, cv2.DIST_L2, 3)[1:-1, 1:-1] / _FADE_PX, 1)
    # the cut image goes on smoothly where it is not believed: no ringing at that border
    parts = (
        (np.where(known, tile.image, 0), cv2.INTER_CUBIC),
        (tile.believed, cv2.INTER_LINEAR),
        (fade, cv2.INTER_LINEAR),
    )
    size = int(high[1] - low[1]), int(high[0] - low[0])
    light, trust, share = (
        cv2.warpAffine(part.astype(np.float32), matrix, size, flags=kind | cv2.WARP_INVERSE_MAP) for part, kind in parts
    )
    share[trust < 0.999] = 0
    return slice(low[0], high[0]), slice(low[1], high[1]), light, share


def _plane(
    left: NDArray[np.float32], share: NDArray[np.float32], edge: Edge, rows: slice, columns: slice
) -> NDArray[np.float32]:
    """Fit a plane to what a tile has otherwise than the first set, beyond the limb."""
    u = edge.offsets(rows, columns)
    y, x = np.nonzero((share > 0) & np.isfinite(left) & (u > 4 * (edge.blur_px or 2.0)))
    thin = slice(None, None, max(1, y.size // _FITTED))
    y, x = y[thin], x[thin]
    if y.size < 100:
        return np.zeros(left.shape, np.float32)
    scale = np.array([1.0, 1 / left.shape[0], 1 / left.shape[1]])
    design, value = np.column_stack([np.ones(y.size), y, x]) * scale, left[y, x].astype(float)
    use = np.ones(y.size, bool)
    for _ in range(5):
        found = np.linalg.lstsq(design[use], value[use], rcond=None)[0]
        rest = np.abs(value - design @ found)
        use = rest < 3 * 1.4826 * np.median(rest[use]) + 1e-9
    found = (found * scale).astype(np.float32)
    across = np.arange(left.shape[1], dtype=np.float32)[None, :]
    return found[0] + found[1] * np.arange(left.shape[0], dtype=np.float32)[:, None] + found[2] * across
