"""The flat's low orders: master times the surface solved from the overlaps, against the true pattern of the sensor.

    python tests/benchmarks/low_orders.py OUT TRUTH [OUT TRUTH ...] [--orders 4 6]

OUT is a finished run, TRUTH the truth of its session (`tests/benchmarks/sessions.py` makes and `diskmosaic run` works
on such sessions). Tiles are placed, mended and brought to one level as a run does; then
``log(master * surface / pattern)`` is smoothed by 20 px and a plane is fitted out (an overall tilt: a pointing error of
25 px of the defocused disk alone tilts the flat by 0.8 %, which no flat can tell from vignetting). What is left is told
as rms and as the largest value on the sensor, for the master alone and with the surface; the aim is 0.3 %. The plane
itself stands beside it, middle to edge.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from diskmosaic.arrays.resample import smooth_wide
from diskmosaic.files.masterfile import read_master
from diskmosaic.files.tilefile import read_tile
from diskmosaic.levels.levels import solve_levels
from diskmosaic.placement.placement import place_tiles
from diskmosaic.remainder.motion import mend_by_motion
from diskmosaic.remainder.remainder import mend_tiles
from diskmosaic.settings import Settings
from diskmosaic.synthetic import read_truth
from rich.console import Console
from rich.table import Table

SMOOTH_PX = 20.0
AIM = 0.003


def surfaces_of(out: Path, orders: list[int]) -> list[np.ndarray]:
    """Solve the sensor's surface as `diskmosaic assemble` does, with polynomials of these degrees."""
    settings = Settings()
    tiles = [read_tile(path) for path in sorted((out / "tiles").glob("*.fits"))]
    path = out / "masters" / "flat.fits"
    tiles, _ = mend_by_motion(tiles)
    placement = place_tiles(tiles, settings.placement)
    tiles, _ = mend_tiles(tiles, read_master(path).image if path.exists() else None, placement)
    levels = [settings.levels.model_copy(update={"surface_order": order}) for order in orders]
    return [solve_levels(tiles, placement, one).surface for one in levels]


def low_orders(ratio: np.ndarray, good: np.ndarray) -> tuple[float, float, float]:
    """Rms and largest value of a smoothed logarithm without its plane, and the plane from middle to edge."""
    weight = smooth_wide(good.astype(np.float32), SMOOTH_PX)
    log = smooth_wide(np.where(good, np.log(np.where(good, ratio, 1)), 0).astype(np.float32), SMOOTH_PX) / weight
    y, x = (np.linspace(-1, 1, size) for size in ratio.shape)
    design = np.stack([np.ones(ratio.shape), *np.meshgrid(y, x, indexing="ij")], -1).reshape(-1, 3)
    answer = np.linalg.lstsq(design, log.ravel().astype(float), rcond=None)[0]
    rest = log.ravel() - design @ answer
    return float(np.std(rest)), float(np.abs(rest).max()), float(np.hypot(*answer[1:]))


def main() -> int:
    """Parse, solve, print; 1 where the aim is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pairs", nargs="+", type=Path, metavar="OUT TRUTH")
    parser.add_argument("--orders", nargs="+", type=int, default=[Settings().levels.surface_order])
    asked = parser.parse_args()
    table = Table(title=f"low orders, a plane fitted out (aim {100 * AIM:g} %)")
    for head in ("session", "degree", "flat alone, rms", "largest", "with surface, rms", "largest", "plane"):
        table.add_column(head, justify="right")
    missed = False
    for out, folder in zip(asked.pairs[::2], asked.pairs[1::2], strict=True):
        truth = read_truth(folder)
        pattern, good = truth.parts["pattern_flat"], truth.parts["good"]
        path = out / "masters" / "flat.fits"
        flat = read_master(path).image if path.exists() else np.ones_like(pattern)
        alone = low_orders(flat / pattern, good & (flat > 0))
        for order, surface in zip(asked.orders, surfaces_of(out, asked.orders), strict=True):
            # tiles were divided by the master, then by the surface
            whole = low_orders(flat * surface / pattern, good & (flat > 0))
            missed |= whole[0] > AIM
            table.add_row(out.name, str(order), *(f"{100 * value:.3f} %" for value in (*alone[:2], *whole)))
    Console().print(table)
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
