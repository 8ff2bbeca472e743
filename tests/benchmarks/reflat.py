"""A better flat on archived tiles, held against stacking the raw video again with it; and its speed.

    python tests/benchmarks/reflat.py [--frames 100] [--tile 480 640] [--tiles 20] [--work FOLDER]

A simulated session is run with a poor flat (16 frames, displaced by 2 px, rings moved by 0.35 of a fringe). Then the
good flat is put on its tiles by `reflat`, with the frames' local fields and by their shifts alone, and the raw video is
stacked with the good flat: with the frames and displacements of the archived tile (what `reflat` promises: *same*),
graded and aligned anew, and the latter put where the archived tile lies (*laid*: a tile's origin is the mean of the
frames it is made of, and one other frame moves it by a tenth of a pixel, which its place on the mosaic makes good).
What is left of the difference has two sources, told apart by aligning anew the frames of the archived tile
(*shifts*) and by the share of frames that both chose (*frames*): a poor flat misleads alignment and grading.
Differences are rms of the tiles' ratio, in per cent, over the disk where all frames see it (a tile's very border, which
few of its frames reach, weighs next to nothing in the blend); the tiles' own noise stands beside them. Speed: tiles of
1936x1216 px with 350 frames.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from diskmosaic import pipeline
from diskmosaic.arrays.kernels import warp_add
from diskmosaic.arrays.warped import covered
from diskmosaic.files.masterfile import pixels_sha256, read_master, write_master
from diskmosaic.files.ser import SerWriter
from diskmosaic.files.tilefile import read_tile, write_tile
from diskmosaic.masters.calibration import Calibration
from diskmosaic.masters.masters import make_flat
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.records.master import Master
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from diskmosaic.remainder.imprint import reflat_tile
from diskmosaic.settings import MasterSettings, Settings, TileSettings
from diskmosaic.synthetic import invented_sun, make_session, plain, sensor_pattern
from diskmosaic.tiles import tiles
from diskmosaic.tiles.regions import find_regions
from rich.console import Console
from rich.table import Table

SEED = 5


def make_poor(folder: Path, plan, offset_adu: float) -> None:
    """Put a poor flat in the place of the good one, which goes beside the folder."""
    good = folder.with_name("good.ser")
    shutil.move(folder / "flat.ser", good)
    parts = {"dust": plan.dust, "rings": plan.rings, "vignetting": plan.vignetting, "response": plan.response}
    rings = [
        sensor_pattern(*plan.tile_shape, np.random.default_rng([SEED, 77]), **parts, phase=phase).rings
        for phase in (0.0, 0.35)
    ]
    with open_recording(good) as recording, SerWriter(folder / "flat.ser", *plan.tile_shape[::-1], 8) as writer:
        for k in range(16):
            light = (recording.gray(k) - offset_adu) * rings[1] / rings[0] + offset_adu
            writer.write(np.clip(np.rint(np.roll(light, (2, 0), (0, 1))), 0, 255).astype(np.uint8))


def spread(one: np.ndarray, other: np.ndarray, use: np.ndarray) -> float:
    """Rms of the ratio of two tiles, its mean taken off, %."""
    return 100 * float(np.std(one[use] / other[use]))


def stacked_alike(recording, calibration: Calibration, tile: Tile) -> np.ndarray:
    """Stack the frames of a tile with its own displacements and weights, but calibrated otherwise."""
    light, weights = np.zeros(tile.image.shape, np.float32), np.zeros(tile.image.shape, np.float32)
    used = tile.frames[tile.frames["weight"] > 0]
    frame = None
    for row, bend in zip(used, tile.fields, strict=True):
        frame = calibration.apply(recording.gray(int(row["frame"])), frame)
        field = bend - np.array([row["shift_y"], row["shift_x"]], np.float32)
        seen = covered(field, light.shape)
        warp_add(frame, field, float(row["weight"] / row["level"]), light, seen)
        weights[seen] += row["weight"]
    return light / np.maximum(weights, 1e-6)


def laid(recording, calibration: Calibration, tile: Tile, archived: Tile) -> np.ndarray:
    """Stack a tile's own frames once more, with its own displacements, but where an archived one lies."""
    both = (tile.frames["weight"] > 0) & (archived.frames["weight"] > 0)
    rows = tile.frames.copy()
    for axis in ("shift_y", "shift_x"):
        rows[axis] -= np.mean((tile.frames[axis] - archived.frames[axis])[both])
    rows["level"] /= np.mean((tile.frames["level"] / archived.frames["level"])[both])
    return stacked_alike(recording, calibration, replace(tile, frames=rows))


def aligned_anew(recording, calibration: Calibration, archived: Tile) -> Tile:
    """Stack the frames that an archived tile is made of, aligned with another calibration."""
    choose, weight = tiles.choose, archived.frames["weight"].astype(np.float32)
    tiles.choose = lambda looks, settings: replace(choose(looks, settings), weight=weight)
    try:
        return tiles.stack_tile(recording, calibration, TileSettings())
    finally:
        tiles.choose = choose


def accuracy(work: Path, frames: int, shape: tuple[int, int], mend: bool) -> Table:
    """Run, reflat, reprocess, compare."""
    folder = work / f"session-{mend}"
    sun = invented_sun(1.15 * shape[0], np.random.default_rng(3))
    plan = plain(tile_shape=shape, frames=frames, flat_frames=300)
    truth = make_session(folder, sun, plan, seed=SEED)
    make_poor(folder, plan, truth.offset_adu)
    settings = Settings(masters=MasterSettings(mend=mend))
    pipeline.tiles(folder, jobs=2, settings=settings)
    out = folder / "assembled"
    dark, poor = (read_master(out / "masters" / f"{role}.fits") for role in ("dark", "flat"))
    with open_recording(folder.with_name("good.ser")) as recording:
        good = make_flat([recording], dark, MasterSettings())
    old, new = (Calibration(dark, flat, 0.0, shape) for flat in (poor, good))
    table = Table(title=f"{len(truth.tiles)} tiles of {frames} frames, remainder {'taken out' if mend else 'left'}")
    heads = ("tile", "before", "by fields", "by shifts", "anew", "by fields, anew", "by fields, laid")
    for head in (*heads, "shifts", "frames", "noise"):
        table.add_column(head, justify="right")
    figures = []
    for path in sorted((out / "tiles").glob("*.fits")):
        tile = read_tile(path)
        with open_recording(folder / tile.recording) as recording:
            known = old if tile.remainder is None else old.less(tile.remainder)
            kept = tiles.stack_tile(recording, known, TileSettings())  # as archived, its fields not rounded
            same = stacked_alike(recording, new, kept)
            anew = tiles.stack_tile(recording, new, TileSettings())
            there = laid(recording, new, anew, kept)
            shifts = laid(recording, new, aligned_anew(recording, new, kept), kept)
        common = (kept.frames["weight"] > 0) & (anew.frames["weight"] > 0)
        by_fields = reflat_tile(replace(tile, fields=kept.fields), old, new)
        by_shifts = reflat_tile(replace(tile, fields=None), old, new)
        use = find_regions([tile])[0].disk & (
            np.minimum(anew.weight / anew.weight.max(), kept.weight / kept.weight.max()) > 0.999
        )
        noise = 100 * anew.noise / float(np.median(anew.image[use]))
        row = [
            spread(tile.image, same, use),
            spread(by_fields.image, same, use),
            spread(by_shifts.image, same, use),
            spread(same, anew.image, use),
            spread(by_fields.image, anew.image, use),
            spread(by_fields.image, there, use),
            spread(same, shifts, use),
            100 * common.sum() / (kept.frames["weight"] > 0).sum(),
            noise,
        ]
        figures.append(row)
        table.add_row(tile.name, *(f"{value:.3f} %" for value in row))
    table.add_row("rms", *(f"{value:.3f} %" for value in np.sqrt(np.nanmean(np.square(figures), axis=0))))
    return table


def speed(work: Path, count: int) -> str:
    """Time `reflat` of large tiles, reading and writing included."""
    rng = np.random.default_rng(1)
    shape = (1216, 1936)
    out = work / "large" / "assembled"
    patterns = [1 + 0.05 * rng.standard_normal(shape, dtype=np.float32) for _ in range(2)]
    known = {"uncertainty": np.zeros(shape, np.float32), "clipped": 0.0, "level": 1.0, "offset": 0.0}
    masters = [
        Master("flat", image / image.mean(), frames=500, good=np.ones(shape, bool), **known) for image in patterns
    ]
    write_master(out / "masters" / "flat.fits", masters[0])
    write_master(work / "better.fits", masters[1])
    frames = np.zeros(1000, FRAME_DTYPE)
    frames["weight"][:350] = frames["level"] = 1
    frames["shift_y"], frames["shift_x"] = rng.normal(0, 3, (2, 1000))
    image = 1e4 * patterns[0]
    first = Tile("t", image, np.full(shape, 350, np.float32), 30.0, frames, 1.0, None, "t.ser")
    first = replace(
        first,
        masters={"flat": pixels_sha256(masters[0].image)},
        remainder=np.zeros(shape, np.float32),
        fields=rng.normal(0, 0.7, (350, 38, 60, 2)).astype(np.float32),
    )
    for k in range(count):
        write_tile(out / "tiles" / f"t{k:02}.fits", replace(first, name=f"t{k:02}"))
    from diskmosaic.job.job import Job
    from diskmosaic.job.reflatting import reflat_tiles

    start = time.perf_counter()
    reflat_tiles(Job(work / "large", jobs=2), work / "better.fits", None)
    return f"{count} tiles of {shape[1]}x{shape[0]} px: {time.perf_counter() - start:.1f} s (to be under 30 s for 20)"


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--tile", type=int, nargs=2, default=(480, 640), metavar=("H", "W"))
    parser.add_argument("--tiles", type=int, default=20, help="of the timing; 0: no timing")
    parser.add_argument("--mend", choices=("on", "off"), help="only so; both unless given")
    parser.add_argument("--work", type=Path, help="folder for the sessions; a temporary one unless given")
    asked = parser.parse_args()
    console = Console(width=110)
    with tempfile.TemporaryDirectory() as temporary:
        work = asked.work or Path(temporary)
        if asked.tiles:
            console.print(speed(work, asked.tiles))
        for mend in {"on": (True,), "off": (False,), None: (True, False)}[asked.mend]:
            console.print(accuracy(work, asked.frames, tuple(asked.tile), mend))


if __name__ == "__main__":
    main()
