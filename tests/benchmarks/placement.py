"""Place tiles cut from a full-disk image of the real Sun at known positions, and print the errors.

    python tests/benchmarks/placement.py IMAGE [--grids 3x4 5x6 6x10] [--overlaps 0.10 0.15 0.20 0.30] [--noise 0.005]
    python tests/benchmarks/placement.py IMAGE --scale 0.25 --grids 3x4 --seeds 200
    python tests/benchmarks/placement.py IMAGE --peers

Each tile is a cut at a place that is no whole pixel (cubic spline), with its own gain between 0.7 and 1 and its own
noise, in random order: as such, with 1 % rms of a sensor's pattern left, and with warps of 0.5 px rms length over 80 px
(times the square root of `--scale`) left in every tile. The positions found are compared with the true ones, less the
mean shift of all; rms and worst are lengths, over all seeds. *placed* counts those of the tiles that see any of the
disk. A *wrong* tile lies more than 2 px off, where it should be left out if anything. Beside the rms stands what noise
or warps leave at best where overlaps alone place the tiles (`limits.py`). The limb is held against the image's own,
found by another method (`sessions.find_disk`). With `--peers` general-purpose peers place the same tiles (`peers.py`).
Aims: all placed, rms 0.05 px with noise only, 0.10 px with warps, none wrong.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from cutting import Cutting, cut
from diskmosaic.placement.placement import place_tiles
from diskmosaic.settings import PlacementSettings
from limits import limits
from peers import PEERS
from rich.console import Console
from rich.table import Table
from sessions import real_sun

WRONG_PX = 2.0
KINDS = {"noise": {}, "pattern 1 %": {"pattern": 0.01}, "warps .5 px": {"warp_px": 0.5}}
HEADS = ("with", "tiles", "size", "overlap", "by", "placed", "wrong", "rms px", "worst", "at best", "limb px", "CPU s")


@dataclass
class Tally:
    """What one method made of all seeds of one kind."""

    squares: list[float] = field(default_factory=list)
    worst: float = 0.0
    placed: int = 0
    seeing: int = 0
    wrong: int = 0
    limb: list[float] = field(default_factory=list)
    cpu: float = 0.0

    def count(self, positions: np.ndarray, places: np.ndarray) -> np.ndarray:
        """Add one session's positions; returns the shift of all."""
        placed = np.isfinite(positions[:, 0])
        off = positions[placed] - places[placed]
        # the median first: a wrong tile must not make the others look wrong
        wrong = np.hypot(*(off - np.median(off, axis=0)).T) > WRONG_PX if len(off) else np.zeros(0, bool)
        shift = off[~wrong].mean(axis=0) if (~wrong).any() else np.zeros(2)
        length = np.hypot(*(off[~wrong] - shift).T)
        self.placed, self.wrong = self.placed + int(placed.sum()), self.wrong + int(wrong.sum())
        self.squares += list(length**2)
        self.worst = max(self.worst, float(length.max(initial=0)))
        return shift

    def row(self, seeds: int) -> list[str]:
        """Return placed, wrong, rms, worst."""
        rms = np.sqrt(np.mean(self.squares)) if self.squares else np.nan
        placed = f"{self.placed / seeds:g} of {self.seeing / seeds:g}"
        return [placed, str(self.wrong), f"{rms:.3f}", f"{self.worst:.3f}"]


def sees_disk(sun, made) -> int:
    """Count the tiles that see any of the disk."""
    size = np.array(made.tiles[0].image.shape) - 1
    nearest = np.clip(sun.centre_yx, made.places, made.places + size)
    return int(np.sum(np.hypot(*(nearest - sun.centre_yx).T) < sun.radius_px))


def ours(tiles, jobs: int):
    """Place tiles; returns the placement and the processor's seconds."""
    start = time.process_time()
    found = place_tiles(tiles, PlacementSettings(fit_drift=False), jobs=jobs)
    return found, time.process_time() - start


def main() -> None:
    """Parse, cut, place, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("--overlaps", type=float, nargs="+", default=(0.10, 0.15, 0.20, 0.30))
    parser.add_argument("--grids", nargs="+", default=("3x4", "5x6", "6x10"), help="rows x columns")
    parser.add_argument("--kinds", nargs="+", choices=[name.split()[0] for name in KINDS], default=None)
    parser.add_argument("--noise", type=float, default=0.005, help="rms, share of the disk centre")
    parser.add_argument("--scale", type=float, default=1.0, help="size of the Sun against the image's")
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--peers", action="store_true", help="let general-purpose peers place the same tiles")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    sun = real_sun(asked.image, scale=asked.scale)
    soft = float(np.sqrt(asked.scale))
    table = Table(title=f"{asked.image.name}: radius {sun.radius_px:.1f} px, noise {100 * asked.noise:g} %")
    for head in HEADS:
        table.add_column(head, justify="right")
    for name, more in KINDS.items():
        if asked.kinds and name.split()[0] not in asked.kinds:
            continue
        for grid in asked.grids:
            for overlap in asked.overlaps:
                size = tuple(int(n) for n in grid.split("x"))
                kind = Cutting(size, overlap, asked.noise, mount_px=20 * soft, warp_scale_px=80 * soft, **more)
                start = [name, str(size[0] * size[1]), "x".join(map(str, kind.shape(sun.radius_px)[::-1]))]
                for row in _rows(sun, kind, asked):
                    table.add_row(*start, f"{100 * overlap:.0f} %", *row)
    Console(width=140).print(table)


def _rows(sun, kind: Cutting, asked):
    """Place all seeds of one kind, by every method; yields rows of the table."""
    tallies = {"this": Tally()} | ({peer: Tally() for peer in PEERS} if asked.peers else {})
    best = []
    for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
        made = cut(sun, kind, np.random.default_rng([seed, int(1000 * kind.overlap), kind.grid[1]]))
        found, seconds = ours(made.tiles, asked.jobs)
        for tally in tallies.values():
            tally.seeing += sees_disk(sun, made)
        tally = tallies["this"]
        shift, tally.cpu = tally.count(found.positions, made.places), tally.cpu + seconds
        if found.limb is not None:
            tally.limb.append(float(np.hypot(*(np.array(found.limb.centre_yx) - shift - sun.centre_yx))))
        if asked.seeds <= 3:
            best.append(limits(sun, made))
        for peer, place in PEERS.items() if asked.peers else ():
            start = time.process_time()
            positions = place(made.tiles)
            tallies[peer].cpu += time.process_time() - start
            tallies[peer].count(positions, made.places)
    for method, tally in tallies.items():
        limit = f"{np.sqrt(np.mean(np.square(best), axis=0))[int(kind.warp_px > 0)]:.3f}" if best else "-"
        limb = f"{np.sqrt(np.mean(np.square(tally.limb))):.3f}" if tally.limb else "-"
        yield [method, *tally.row(asked.seeds), limit, limb, f"{tally.cpu / asked.seeds:.1f}"]


if __name__ == "__main__":
    main()
