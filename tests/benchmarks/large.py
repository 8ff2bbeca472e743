"""Place 15 and 60 tiles of 2.4 megapixels: processor's seconds for each, and how much memory placing takes on top.

    python tests/benchmarks/large.py IMAGE [--overlap 0.2] [--grids 5x3 10x6]

Tiles of about 1936 x 1216 are cut from a full-disk image, enlarged as an extender would do it, with noise of 0.5 %. The
tiles keep their size: a grid of four times as many sees a disk of twice the radius. Aims: the cost is linear in tiles
within 20 %, all that see the disk are placed, and memory stays below 4 GB. Linux only; some minutes, 4 GB.
"""

from __future__ import annotations

import argparse
import threading
import time
from pathlib import Path

import numpy as np
from cutting import Cutting, cut, errors
from diskmosaic.placement.placement import place_tiles
from diskmosaic.settings import PlacementSettings
from sessions import real_sun

from placement import sees_disk

HEIGHT = 1216


def resident() -> float:
    """Return the memory that this process holds, GB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e9


class Peak:
    """The most memory held while it is open, less what was held before."""

    def __enter__(self):
        self.before = self.most = resident()
        self.done = threading.Event()
        self.thread = threading.Thread(target=self._look)
        self.thread.start()
        return self

    def _look(self) -> None:
        while not self.done.wait(0.02):
            self.most = max(self.most, resident())

    def __exit__(self, *_) -> None:
        self.done.set()
        self.thread.join()


def main() -> None:
    """Cut, place, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("image", type=Path)
    parser.add_argument("--overlap", type=float, default=0.2)
    parser.add_argument("--grids", nargs="+", default=("5x3", "10x6"), help="rows x columns")
    asked = parser.parse_args()
    plain = real_sun(asked.image, scale=0.25).radius_px / 0.25
    first = None
    for grid in asked.grids:
        kind = Cutting(tuple(int(n) for n in grid.split("x")), asked.overlap)
        rows = kind.grid[0]
        radius = (HEIGHT * (rows - (rows - 1) * kind.overlap) - 2 * kind.mount_px) / 2 / (1 + kind.margin)
        sun = real_sun(asked.image, scale=radius / plain)
        made = cut(sun, kind, np.random.default_rng(1))
        seeing, count = sees_disk(sun, made), len(made.tiles)
        del sun
        with Peak() as peak:
            start = time.process_time()
            found = place_tiles(made.tiles, PlacementSettings(fit_drift=False))
            seconds = time.process_time() - start
        first = first or seconds / count
        height, width = made.tiles[0].image.shape
        off = np.hypot(*errors(found, made.places).T)
        print(
            f"{count} tiles of {width}x{height}: {seconds:.1f} s, {1000 * seconds / count:.0f} ms a tile "
            f"({seconds / count / first:.2f} of the first grid's), {peak.most - peak.before:.2f} GB on top of "
            f"{peak.before:.2f}; {len(off)} of {seeing} placed, rms {np.sqrt(np.mean(off**2)):.3f} px",
            flush=True,
        )


if __name__ == "__main__":
    main()
