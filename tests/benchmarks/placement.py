"""Cut a real full-disk image into shuffled tiles and measure how well they find their places.

    python tests/benchmarks/placement.py IMAGE [--overlaps 0.15 0.20 0.30] [--grids 3x4 4x5] ...

Every tile is a cut at a place that is no whole pixel (cubic spline), with its own gain and noise, in random
order. The positions found are compared with the true ones, less the mean shift of all; rms and worst are lengths.
The limb is held against the image's own, found by another method (`sessions.find_disk`).
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from diskmosaic.placement import place_tiles
from diskmosaic.records import FRAME_DTYPE, Placement, Tile
from diskmosaic.settings import PlacementSettings
from diskmosaic.synthetic import Sun, sensor_pattern
from rich.console import Console
from rich.table import Table
from scipy import ndimage
from sessions import real_sun

MARGIN = 0.04
"""Sky that the grid takes in beyond the limb, in radii."""


def cut(
    sun: Sun,
    grid: tuple[int, int],
    overlap: float,
    rng: np.random.Generator,
    *,
    noise: float = 0.005,
    gain: float = 0.05,
    pattern: float = 0.0,
    mount_px: float = 20.0,
) -> tuple[list[Tile], np.ndarray]:
    """Cut the grid's tiles in random order; returns them and their true places (n, 2) of pixel (0, 0)."""
    wide = 2 * sun.radius_px * (1 + MARGIN) + 2 * mount_px
    shape = tuple(int(wide / (n - (n - 1) * overlap)) for n in grid)
    steps = [(np.arange(n) - (n - 1) / 2) * s * (1 - overlap) for n, s in zip(grid, shape, strict=True)]
    places = np.array([(y, x) for y in steps[0] for x in steps[1]])
    places += np.array(sun.centre_yx) - (np.array(shape) - 1) / 2 + rng.uniform(-mount_px, mount_px, places.shape)
    places = places[rng.permutation(len(places))]
    fixed = sensor_pattern(*shape, rng).product ** pattern if pattern else np.float32(1)
    coefficients = ndimage.spline_filter(sun.image, order=3, output=np.float32, mode="mirror")
    tiles = []
    for k, place in enumerate(places):
        whole = np.floor(place).astype(int) - 2
        rows, columns = (
            np.clip(np.arange(w, w + s + 6), 0, n - 1) for w, s, n in zip(whole, shape, sun.image.shape, strict=True)
        )
        image = ndimage.affine_transform(
            coefficients[rows[:, None], columns[None]],
            [1, 1],
            place - whole,
            shape,
            np.float32,
            3,
            prefilter=False,
        )
        image = image * np.float32(20_000 * np.exp(gain * rng.standard_normal())) * fixed
        image += np.float32(20_000 * noise) * rng.standard_normal(shape, np.float32)
        frames = np.zeros(1, FRAME_DTYPE)
        frames["weight"] = 1
        name = f"tile_{k:02d}"
        tiles.append(Tile(name, image, np.ones(shape, np.float32), 20_000 * noise, frames, 1.0, None, f"{name}.ser"))
    return tiles, places


def errors(placement: Placement, places: np.ndarray) -> np.ndarray:
    """Return each placed tile's error (n, 2), the mean taken off."""
    placed = np.isfinite(placement.positions[:, 0])
    off = placement.positions[placed] - places[placed]
    return off - off.mean(axis=0)


def main() -> None:
    """Parse, cut, place, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("--overlaps", type=float, nargs="+", default=(0.15, 0.20, 0.30))
    parser.add_argument("--grids", nargs="+", default=("3x4", "4x5"), help="rows x columns")
    parser.add_argument("--noise", type=float, default=0.005, help="rms, share of the disk centre")
    parser.add_argument("--pattern", type=float, default=0.0, help="share of a sensor's pattern left in the tiles")
    parser.add_argument("--scale", type=float, default=1.0, help="size of the Sun against the image's")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    sun = real_sun(asked.image, scale=asked.scale)
    table = Table(title=f"{asked.image.name}: radius {sun.radius_px:.1f} px, noise {100 * asked.noise:g} %")
    for head in (
        "tiles",
        "size",
        "overlap",
        "placed",
        "rms px",
        "worst px",
        "pairs used",
        "centre px",
        "radius px",
        "s",
    ):
        table.add_column(head, justify="right")
    for grid in asked.grids:
        for overlap in asked.overlaps:
            rng = np.random.default_rng([asked.seed, int(1000 * overlap)])
            rows, columns = (int(n) for n in grid.split("x"))
            tiles, places = cut(sun, (rows, columns), overlap, rng, noise=asked.noise, pattern=asked.pattern)
            start = time.perf_counter()
            found = place_tiles(tiles, PlacementSettings(fit_drift=False), jobs=asked.jobs)
            seconds = time.perf_counter() - start
            off = np.hypot(*errors(found, places).T)
            placed = np.isfinite(found.positions[:, 0])
            limb = ("-", "-")
            if found.limb is not None:
                shift = (found.positions - places)[placed].mean(axis=0)
                miss = np.array(found.limb.centre_yx) - shift - sun.centre_yx
                limb = (f"{np.hypot(*miss):.3f}", f"{found.limb.radius_px - sun.radius_px:+.3f}")
            size = tiles[0].image.shape
            table.add_row(
                str(len(tiles)), f"{size[1]}x{size[0]}", f"{100 * overlap:.0f} %", str(placed.sum()),
                f"{np.sqrt(np.mean(off**2)):.3f}", f"{off.max():.3f}",
                f"{sum(p.used for p in found.pairs)}/{len(found.pairs)}", *limb, f"{seconds:.1f}",
            )  # fmt: skip
    Console(width=110).print(table)


if __name__ == "__main__":
    main()
