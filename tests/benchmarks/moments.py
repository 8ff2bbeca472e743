"""What choosing the best moments place by place gains, on simulated raw video of the real Sun.

    python tests/benchmarks/moments.py IMAGE [--frames 100] [--size 968 608] ...

For air that blurs alike all over the field, and for more and more uneven air (share of the variance of the blur's
logarithm that differs over places of 150 px), frames are chosen as wholes and place by place, as many of them. Prints
the transfer of the sharp scene at two bands, noise proper (`tile.py`: from two draws of the noise; over that of as many
frames of equal weight), how many frames were warped, and processor seconds.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.tiles import stack_tile
from raw_video import Video, again, calibration, load, make
from rich.console import Console
from rich.table import Table
from spectra import band, spectra
from tile import noise_map, scene_at

SHARES = (0.0, 0.3, 0.7)
BANDS = ((0.12, 0.20), (0.20, 0.30))


def judge(truth: dict, tile, twin) -> list[str]:
    """Transfers, noise, frames warped."""
    weights = tile.frames["weight"].astype(float)
    scene = scene_at(truth, np.average(truth["shifts"], axis=0, weights=weights))
    mask = np.isfinite(tile.image) & np.isfinite(twin.image)
    level = np.float32(np.median(tile.image[mask]) / np.median(scene[mask]))
    noise = noise_map(truth, tile, scene)
    sharp, _ = spectra(np.where(mask, tile.image, 0), scene * level, mask, noise)
    apart, _ = spectra(np.where(mask, tile.image - twin.image, 0) / np.sqrt(2), scene, mask, noise)
    # the map is that of weights equal everywhere; what quiets a place is its own
    equal = np.sum(weights) ** 2 / np.sum(weights**2) / np.median(tile.weight[mask])
    transfer = sharp[1] / sharp[2]
    rms = np.sqrt(np.mean(apart[0][band(0.10, 0.38)]) / equal)
    passed = [f"{np.mean(transfer[band(*limits)]):.3f}" for limits in BANDS]
    return [*passed, f"{tile.noise:.3f}", f"{rms:.2f}", f"{np.count_nonzero(weights)}"]


def main() -> None:
    """Parse, make recordings, stack them both ways, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--size", type=int, nargs=2, default=(968, 608), metavar=("W", "H"))
    parser.add_argument("--keep", type=float, default=0.3)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    table = Table(title=f"{asked.image.stem}, best {100 * asked.keep:.0f} % of {asked.frames} frames")
    heads = ["uneven", "chosen", *(f"transfer {a}-{b}" for a, b in BANDS), "noise", "of expected", "warped", "cpu s"]
    for head in heads:
        table.add_column(head, justify="right")
    with tempfile.TemporaryDirectory() as folder:
        for share in SHARES:
            path = Path(folder) / f"{share}.ser"
            size = {"shape": (asked.size[1], asked.size[0]), "frames": asked.frames, "distinct": asked.frames}
            make(path, Video(image=str(asked.image), uneven=share, seed=asked.seed, **size))
            truth = load(path)
            for name, places in (("frames", False), ("places", True)):
                settings = TileSettings(keep=asked.keep, per_patch=places)
                start = time.process_time()
                tile, twin = (
                    stack_tile(open_recording(file), calibration(truth), settings, jobs=asked.jobs)
                    for file in (path, again(path))
                )
                spent = time.process_time() - start
                table.add_row(f"{share:.1f}", name, *judge(truth, tile, twin), f"{spent / 2:.1f}")
    Console(width=110).print(table)


if __name__ == "__main__":
    main()
