"""Birds and cosmic hits in one tile's recording: what is taken out, and what that costs, with and without a flat.

    python tests/benchmarks/crossing.py IMAGE [FOLDER] [--place Y X] [--frames 200] ...

One recording of the real Sun (`raw_video`), clean and with a bird (an ellipse of 60x26 px, 85 % dark, 14 px a frame)
and an aircraft's streak that cross it, and a cosmic hit of a tenth of full scale in every frame. *Clean changed* is the
difference that looking makes to the clean recording's tile, in units of its noise (aim < 0.1); *left in* and *taken
out* are the rms differences of the crossed recording's tile to the clean one's where something crossed, likewise.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from diskmosaic.files.ser import SerWriter
from diskmosaic.masters.calibration import Calibration
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.crossing import Crossings
from diskmosaic.tiles.tiles import stack_tile
from raw_video import Video, calibration, load, make
from rich.console import Console
from rich.table import Table


def cross(path: Path, crossed: Path, seed: int = 5) -> np.ndarray:
    """Write the recording with what crosses it; returns True where anything did besides the hits."""
    rng = np.random.default_rng(seed)
    with open_recording(path) as recording:
        height, width = recording.height, recording.width
        y, x = np.indices((height, width))
        where = np.zeros((height, width), bool)
        full = np.iinfo(recording.dtype).max
        dark = float(load(path)["offset"])
        start = recording.frame_count // 3
        bits = 8 * recording.dtype.itemsize
        with SerWriter(crossed, width, height, bits) as ser:
            for k in range(recording.frame_count):
                frame = recording.gray(k).astype(np.float32)
                step = k - start
                if 0 <= step < (width + 60) // 14:
                    bird = ((x + 30 - 14 * step) / 30) ** 2 + ((y - 0.3 * height - 3 * step) / 13) ** 2 < 1
                    frame[bird] = dark + 0.15 * (frame[bird] - dark)
                    where |= bird
                if start + 30 <= k < start + 36:
                    streak = np.abs(y - 0.7 * height - 0.2 * x + 20 * (k - start - 33)) < 3
                    frame[streak] = dark + 0.4 * (frame[streak] - dark)
                    where |= streak
                frame[rng.integers(height), rng.integers(width)] += 0.1 * full
                ser.write(np.clip(np.rint(frame), 0, full).astype(recording.dtype))
    return where


class Clock:
    """Processor time spent in looking for what crosses."""

    def __init__(self) -> None:
        self.seconds = 0.0
        for name in ("_learn", "take_out"):
            setattr(Crossings, name, self._timed(getattr(Crossings, name)))

    def _timed(self, method):
        def timed(*given):
            start = time.thread_time()
            try:
                return method(*given)
            finally:
                self.seconds += time.thread_time() - start

        return timed


def main() -> None:
    """Parse, make the recordings, stack them, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--place", type=float, nargs=2, default=(0.1, 0.2), metavar=("Y", "X"), help="in radii")
    parser.add_argument("--size", type=int, nargs=2, default=(640, 480), metavar=("W", "H"))
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--keep", type=float, default=0.35)
    parser.add_argument("--seeing-px", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    video = Video(
        image=str(asked.image),
        place=tuple(asked.place),
        shape=(asked.size[1], asked.size[0]),
        frames=asked.frames,
        distinct=asked.frames,
        seeing_px=asked.seeing_px,
        seed=asked.seed,
    )
    table = Table(
        title=f"{asked.image.stem}, {asked.size[0]}x{asked.size[1]}, {asked.frames} frames, place {asked.place}"
    )
    table.add_column("figure")
    figures: dict[str, list[str]] = {}
    clock = Clock()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        clean, crossed = folder / "clean.ser", folder / "crossed.ser"
        if not clean.exists():
            make(clean, video)
        where = cross(clean, crossed)
        truth = load(clean)
        bare = Calibration(None, None, float(truth["offset"]), video.shape)
        stack_tile(open_recording(clean), bare, TileSettings(keep=asked.keep), jobs=1)  # loops are compiled
        for name, own in (("with flat", calibration(truth)), ("without", bare)):
            table.add_column(name, justify="right")
            tiles = {}
            for path in (clean, crossed):
                for sigma in (0.0, TileSettings().clip_sigma):
                    clock.seconds, start = 0.0, time.process_time()
                    settings = TileSettings(keep=asked.keep, clip_sigma=sigma)
                    tile = stack_tile(open_recording(path), own, settings, jobs=1)
                    tiles[path, sigma > 0] = tile, clock.seconds, time.process_time() - start
            usual, same = tiles[clean, False][0], tiles[clean, True][0]
            noise = usual.noise
            inside = where & np.isfinite(usual.image)
            change = np.nan_to_num(same.image - usual.image) / noise
            rows = {
                "clean changed, x noise": f"{float(np.std(change)):.3f}",
                "  pixels, by more than 0.1 of it": f"{np.count_nonzero(np.abs(change) > 0.1)}",
            }
            for label, taken in (("left in, x noise", False), ("taken out, x noise", True)):
                tile = tiles[crossed, taken][0]
                rows[label] = f"{float(np.std((tile.image - usual.image)[inside])) / noise:.2f}"
                rows[f"  worst, {label}"] = f"{float(np.abs((tile.image - usual.image)[inside]).max()) / noise:.1f}"
            rows["said"] = "; ".join(tiles[crossed, True][0].warnings) or "nothing"
            for label, key in (("clean", clean), ("crossed", crossed)):
                _, spent, whole = tiles[key, True]
                rows[f"processor time, % of the tile, {label}"] = f"{100 * spent / whole:.1f}"
            for label, value in rows.items():
                figures.setdefault(label, []).append(value)
    for label, values in figures.items():
        table.add_row(label, *values)
    Console(width=120).print(table)


if __name__ == "__main__":
    sys.exit(main())
