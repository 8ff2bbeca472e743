"""What the report shows, read from the product files and made small enough for a page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from diskmosaic.files.cards import Opened, native
from diskmosaic.files.masterfile import read_master
from diskmosaic.files.tilefile import read_tile
from diskmosaic.limb.points import edge_points
from diskmosaic.pictures.stretch import is_north_up
from diskmosaic.records.master import Master
from diskmosaic.records.places import Circle
from diskmosaic.records.tile import Tile
from diskmosaic.tiles.finer import tile_on_frames

DISK_SIDE = 1400  # longest side of the disk on the page, px
TILE_SIDE = 900
_LIMB_RAYS = 720
_RINGS = 105  # of the radial profile, 0 to 1.05 R


@dataclass(frozen=True)
class DiskView:
    """The disk at page size.

    Attributes
    ----------
    natural, uniform : float32 (h, w)
        Means of `factor` x `factor` pixels; NaN where uncovered.
    limb : Circle or None
        In the small pixels.
    shape, factor
        Of ``disk.fits``, and how many of its pixels make a small one.
    header : mapping
        Cards of ``disk.fits``.
    north_up : bool
    limb_residuals : float64 (n, 2)
        Position angle (deg) and distance of the limb points from the circle, px of ``disk.fits``.
    """

    natural: NDArray[np.float32]
    uniform: NDArray[np.float32]
    limb: Circle | None
    shape: tuple[int, int]
    factor: int
    header: Mapping[str, Any]
    north_up: bool
    limb_residuals: NDArray[np.float64]


def read_disk_view(out: Path, assembly: Mapping[str, Any]) -> DiskView:
    """Read the disk and what is measured on it; raises `InputError` where it is damaged."""
    with Opened(out / "disk.fits") as hdus:
        header = fits.Header(hdus[0].header, copy=True)
        natural = native(hdus[0].data)
        shape = natural.shape
        factor = max(1, -(-max(shape) // DISK_SIDE))
        limb = _circle(assembly.get("limb"))
        residuals = np.zeros((0, 2))
        north_up = is_north_up(header)
        if limb is not None:
            points = edge_points(natural, limb.centre_yx, limb.radius_px, rays=_LIMB_RAYS)
            dy, dx = points[:, 0] - limb.centre_yx[0], points[:, 1] - limb.centre_yx[1]
            # position angles run from north through east, which lies at -x; without north: from +x to +y
            angle = np.arctan2(-dx, dy) if north_up else np.arctan2(dy, dx)
            residuals = np.column_stack([np.rad2deg(angle) % 360, np.hypot(dy, dx) - (limb.radius_px - limb.edge_px)])
            residuals = residuals[np.argsort(residuals[:, 0], kind="stable")]
            y, x = ((c - (factor - 1) / 2) / factor for c in limb.centre_yx)
            limb = Circle((y, x), limb.radius_px / factor, limb.rms_px, limb.points)
        return DiskView(
            block_mean(natural, factor),
            block_mean(hdus["UNIFORM"].data, factor),
            limb,
            (shape[0], shape[1]),
            factor,
            header,
            north_up,
            residuals,
        )


def _circle(limb: Mapping[str, Any] | None) -> Circle | None:
    if not limb or limb.get("radius_px") is None:
        return None
    y, x = limb["centre_yx"]
    rms, points, edge = limb.get("rms_px") or np.nan, limb.get("points") or 0, limb.get("edge_px") or 0.0
    return Circle((y, x), limb["radius_px"], rms, points, edge_px=edge)


def block_mean(image: NDArray[np.floating], factor: int) -> NDArray[np.float32]:
    """Mean of the finite pixels of each `factor` x `factor` block; NaN where there is none.

    Rows and columns left over at the end are dropped.
    """
    height, width = (side // factor for side in image.shape)
    small = np.full((height, width), np.nan, dtype=np.float32)
    for row in range(height):
        block = np.asarray(image[row * factor : (row + 1) * factor, : width * factor], np.float32)
        block = block.reshape(factor, width, factor)
        good = np.isfinite(block)
        count = good.sum(axis=(0, 2))
        total = np.where(good, block, 0).sum(axis=(0, 2), dtype=np.float64)
        small[row, count > 0] = total[count > 0] / count[count > 0]
    return small


def radial_profiles(view: DiskView) -> NDArray[np.float64]:
    """Median natural and uniform light in rings: (n, 3) of r/R, natural, uniform; both 1 at the centre."""
    assert view.limb is not None
    y, x = np.indices(view.natural.shape, dtype=np.float32)
    radius = np.hypot(y - view.limb.centre_yx[0], x - view.limb.centre_yx[1]) / view.limb.radius_px
    ring = (radius * 100).astype(int)
    order = np.argsort(ring, axis=None, kind="stable")
    edges = np.searchsorted(ring.ravel()[order], np.arange(_RINGS + 1))
    rows = []
    for k in range(_RINGS):
        inside = order[edges[k] : edges[k + 1]]
        levels = [median(image.ravel()[inside]) for image in (view.natural, view.uniform)]
        rows.append([(k + 0.5) / 100, *levels])
    table = np.array(rows)
    centre = table[:, 0] < 0.15
    for column in (1, 2):
        level = median(table[centre, column])
        table[:, column] /= level if np.isfinite(level) and level else median(table[:, column])
    return table


def median(values: NDArray[np.floating]) -> float:
    """Median of the finite values; NaN where there is none."""
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else np.nan


def read_masters(out: Path) -> dict[str, Master]:
    """Masters by file name without suffix, in order of names."""
    return {path.stem: read_master(path) for path in sorted((out / "masters").glob("*.fits"))}


@dataclass(frozen=True)
class TileView:
    """A tile without its pixels; `shape` is the sensor's."""

    name: str
    recording: str
    shape: tuple[int, int]
    noise: float
    sharpness: float
    frames: NDArray[np.void]
    warnings: tuple[str, ...]
    path: Path


def read_tiles(out: Path) -> list[TileView]:
    """Tiles in order of file names; one at a time is held in memory."""
    return [_view(read_tile(path), path) for path in sorted((out / "tiles").glob("*.fits"))]


def _view(tile: Tile, path: Path) -> TileView:
    height, width = tile.image.shape
    return TileView(
        tile.name,
        tile.recording,
        (height, width) if tile.grid is None else tile.grid.sensor_shape,
        tile.noise,
        tile.sharpness,
        tile.frames,
        tile.told(),
        path,
    )


def before_and_after(
    tile: TileView, masters: Mapping[str, Master]
) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    """A tile as the sensor saw it (times the flat it was divided by) and as it is; None without its flat."""
    stored = tile_on_frames(read_tile(tile.path))
    flats = [master for master in masters.values() if master.kind == "flat"]
    flats = [flat for flat in flats if flat.image.shape == stored.image.shape]
    if not flats:
        return None
    factor = max(1, -(-max(tile.shape) // TILE_SIDE))
    return block_mean(stored.image * flats[0].image, factor), block_mean(stored.image, factor)
