"""Noise of the finished disk at its seams and inside its tiles, from two draws of the same session's noise.

    python tests/benchmarks/seam_noise.py IMAGE [--scale 0.47] [--seed 3] [--hard]

A session is simulated from a full-disk image twice, with the same air, pointing and sensor and other photons, and run.
Of the two disks' difference (over the root of 2 and the disk's light) only noise is left, what placement makes of it
included. Its robust deviation within so many px of a seam is held against that further than 40 px from any, in rings,
since noise depends on brightness.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
from diskmosaic.figures.compare import read_result
from diskmosaic.pipeline import run
from diskmosaic.synthetic import hard, make_session, plain
from scipy import ndimage
from sessions import real_sun

NEAR_PX, FAR_PX = (1, 3, 6, 12), 40
OUTER = 0.93  # radii


def two_disks(sun, plan, seed: int):
    """Run the session under two draws of the noise: the results, the second laid on the first's pixels."""
    found = []
    with tempfile.TemporaryDirectory() as place:
        for draw in (1, 2):
            folder = Path(place) / f"draw{draw}"
            make_session(folder, sun, plan, seed=seed, noise_seed=draw)
            run(folder, jobs=1)
            found.append(read_result(folder / "assembled"))
    first, second = found
    # the canvases begin at whole pixels
    shift = np.rint(np.mean(second.to_disk[:, :, 2] - first.to_disk[:, :, 2], axis=0)).astype(int)
    moved = np.full(first.natural.shape, np.nan, np.float32)
    y, x = (np.arange(n) for n in first.natural.shape)
    y, x = (
        y[(y + shift[0] >= 0) & (y + shift[0] < second.natural.shape[0])],
        x[(x + shift[1] >= 0) & (x + shift[1] < second.natural.shape[1])],
    )
    moved[np.ix_(y, x)] = second.natural[np.ix_(y + shift[0], x + shift[1])]
    return first, moved


def main() -> None:
    """Parse, run twice, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("--scale", type=float, default=0.47)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--hard", action="store_true")
    asked = parser.parse_args()
    sun = real_sun(asked.image, scale=asked.scale)
    first, second = two_disks(sun, (hard if asked.hard else plain)(), asked.seed)
    noise = (first.natural - second) / ((first.natural + second) / np.sqrt(2))
    limb = first.assembly["limb"]
    y, x = np.indices(noise.shape, np.float32)
    radius = np.hypot(y - limb["centre_yx"][0], x - limb["centre_yx"][1]) / limb["radius_px"]
    good = np.isfinite(noise) & (radius < OUTER)
    tile = first.tile
    edge = (np.diff(tile, axis=0, prepend=tile[:1]) != 0) | (np.diff(tile, axis=1, prepend=tile[:, :1]) != 0)
    away = ndimage.distance_transform_edt(~edge)
    ring = (radius * 10).astype(int)
    kind = "hard" if asked.hard else "plain"
    print(
        f"{asked.image.name}, {kind}, {len(first.to_disk)} tiles; noise at seams against inside tiles (aim within 5 %)"
    )
    for low, high in zip((0, *NEAR_PX[:-1], 0), (*NEAR_PX, NEAR_PX[-1]), strict=True):
        ratios, sizes = [], []
        for k in range(10):
            near = noise[good & (ring == k) & (away >= low) & (away < high)]
            far = noise[good & (ring == k) & (away > FAR_PX)]
            if min(near.size, far.size) > 300:
                ratios.append(np.median(np.abs(near - np.median(near))) / np.median(np.abs(far - np.median(far))))
                sizes.append(near.size)
        print(f"  {low} to {high} px of a seam: {100 * (np.average(ratios, weights=sizes) - 1):+.1f} %")


if __name__ == "__main__":
    main()
