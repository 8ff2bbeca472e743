"""What a finer grid gives an undersampled camera: one tile, usual and finer, against the truth on the finer grid.

    python tests/benchmarks/finer.py IMAGE [--finer 2] [--frames 300] [--blur 0.45 0.7] ...

The camera's pixels are means of ``bin x bin`` px of a full-disk image of the real Sun, which moving air has warped and
blurred on that finer grid: with a blur of half a camera pixel, structure beyond the camera's Nyquist frequency (0.5
cycles a camera pixel) reaches the sensor. The usual tile is brought to the finer grid by a cubic spline.

*Transfer* is the cross spectrum with the truth over the truth's own power, *likeness* the share of an image's power
that the truth explains (squared coherence), both in rings of 128 px patches; 'ideal' is the truth as blurred as the
frames, seen by a camera of fine pixels without noise. *rms error* is against that; *at best* once each image's own
transfer is undone ring by ring as well as its noise allows (a Wiener filter that knows both).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from diskmosaic.arrays.cellsums import block_means
from diskmosaic.arrays.drops import noise_of_drops
from diskmosaic.files.ser import SerWriter
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.synthetic import plain, sensor_pattern
from diskmosaic.synthetic.camera import PAD_PX, Detector, TileView, Warps
from diskmosaic.tiles.finer import enlarged, finer_shape
from diskmosaic.tiles.tiles import stack_tile
from raw_video import STEP, calibration, moved
from raw_video import enlarged as spread
from rich.console import Console
from rich.table import Table
from scipy import ndimage
from sessions import real_sun
from spectra import BINS, patches, spectra
from tile import ideal_stack


def record(path: Path, asked: argparse.Namespace) -> dict[str, np.ndarray]:
    """Write the recording; returns its truth, lengths in camera px, as `raw_video.moved` takes them."""
    rng = np.random.default_rng(asked.seed)
    times, shape = asked.bin, (asked.size[1], asked.size[0])
    fine = tuple(times * n for n in shape)
    plan = plain(tile_shape=fine, bit_depth=asked.bit_depth, jitter_px=asked.jitter * times)
    sun = real_sun(asked.image, scale=asked.scale)
    position = np.array(sun.centre_yx) + np.array(asked.place) * sun.radius_px
    view, warps = TileView(sun, plan, tuple(position), 0.0), Warps(fine, asked.seeing * times, 80.0 * times)
    detector = Detector(plan)
    sensor = sensor_pattern(
        *shape, rng, dust=16, rings=plan.rings, vignetting=plan.vignetting, response=plan.response, phase=0.0
    )
    level = plan.level * detector.full_scale
    light, dark = sensor.product * np.float32(level), np.full(shape, np.float32(detector.offset_adu))
    shifts = rng.normal(0, asked.jitter, (asked.frames, 2))
    low, high = asked.blur
    blur = low * (high / low) ** rng.uniform(0, 1, asked.frames)
    kept = []
    with SerWriter(path, shape[1], shape[0], asked.bit_depth) as ser:
        for shift, width in zip(shifts, blur, strict=True):
            warp = warps.draw(rng)
            inside = warp[:, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]
            kept.append((inside[:, :: STEP * times, :: STEP * times] / times).astype(np.float32))
            drawn = np.ascontiguousarray(view.draw(shift * times, warp, width * times))
            ser.write(detector.expose(block_means(drawn, times) * light, dark, rng))
    room = 24 * times
    axes = [np.arange(-room, n + room) - (n - 1) / 2 + at for n, at in zip(fine, position, strict=True)]
    scene = ndimage.map_coordinates(
        sun.image, np.meshgrid(*axes, indexing="ij"), order=3, mode="nearest", output=np.float32
    )
    return {
        "scene": scene,
        "room": room,
        "shifts": shifts,
        "blur": blur * times,
        "warps": np.stack(kept),
        "view": np.arange(asked.frames),
        "pattern": sensor.product,
        "level": level,
        "offset": detector.offset_adu,
        "centre": (np.array(sun.centre_yx) - position) / times + (np.array(shape) - 1) / 2,
        "radius": sun.radius_px / times,
    }


def truth_under(truth: dict, tile, times: int) -> tuple[np.ndarray, np.ndarray]:
    """The scene where the frames used show it on average, on the truth's grid; where that is disk."""
    used = np.flatnonzero(tile.frames["weight"])
    weights = tile.frames["weight"][used].astype(float)
    whole = -np.stack([tile.frames["shift_y"], tile.frames["shift_x"]], axis=-1)
    own = [moved(truth, k, field + whole[k]) for k, field in zip(used, tile.fields, strict=True)]
    bend = times * np.average(own, axis=0, weights=weights)
    shape = tuple(times * n for n in truth["pattern"].shape)
    y, x = np.indices(shape)
    at = [
        axis + truth["room"] + spread(part, shape) for axis, part in zip((y, x), np.moveaxis(bend, -1, 0), strict=True)
    ]
    scene = ndimage.map_coordinates(truth["scene"], at, order=3, mode="nearest", output=np.float32)
    centre = [times * (c + 0.5) - 0.5 for c in truth["centre"]]
    return scene, np.hypot(y - centre[0], x - centre[1]) < 0.97 * times * truth["radius"]


def judge(image: np.ndarray, scene: np.ndarray, ideal: np.ndarray, mask: np.ndarray, table: dict, times: int) -> None:
    """Measure an image in units of the scene."""
    mask = mask & np.isfinite(image)
    image = np.where(mask, image, 0) * np.float32(np.median(ideal[mask]) / np.median(image[mask]))
    level = np.ones_like(image)
    (power, cross, own, _), count = spectra(image, scene, mask, level)
    transfer, likeness = cross / own, cross**2 / (power * own)
    sharpest = spectra(ideal, scene, mask, level)[0]
    wanted = sharpest[1] / sharpest[2]
    f = times * 0.5 * (BINS[1:] + BINS[:-1])
    share = np.pi * (BINS[1:] ** 2 - BINS[:-1] ** 2)
    error = np.concatenate([(image - ideal)[part].ravel() for part in patches(mask)])
    level = float(np.median(ideal[mask]))
    best = np.sqrt(np.sum(share * wanted**2 * own * (1 - likeness))) / level
    for low, high in ((0.0, 0.2), (0.2, 0.4), (0.4, 0.5), (0.5, 0.6), (0.6, 0.8), (0.8, 1.0)):
        ring = (f > low) & (f < high)
        name = f"{low:.1f}-{high:.1f} c/px"
        table.setdefault(f"transfer {name}", []).append(f"{np.mean(transfer[ring]):.3f}")
        table.setdefault(f"  likeness {name}", []).append(f"{np.mean(likeness[ring]):.3f}")
    table.setdefault("rms error, % of level", []).append(f"{100 * float(np.std(error)) / level:.3f}")
    table.setdefault("  at best", []).append(f"{100 * best:.3f}")
    table.setdefault("patches", []).append(f"{count}")


def main() -> None:
    """Parse, record, stack twice, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("--finer", type=float, default=2.0)
    parser.add_argument("--pixel-share", type=float, nargs="+", default=[TileSettings().pixel_share])
    parser.add_argument("--bin", type=int, default=2, help="px of the truth to a camera pixel")
    parser.add_argument("--size", type=int, nargs=2, default=(640, 480), metavar=("W", "H"), help="camera px")
    parser.add_argument("--place", type=float, nargs=2, default=(0.1, 0.2), metavar=("Y", "X"), help="in radii")
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--keep", type=float, default=0.35)
    parser.add_argument("--blur", type=float, nargs=2, default=(0.45, 0.7), help="camera px, best and worst frames")
    parser.add_argument("--seeing", type=float, default=0.5, help="camera px rms of the warps")
    parser.add_argument("--jitter", type=float, default=1.5, help="camera px")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--bit-depth", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "coarse.ser"
        truth = record(path, asked)
        own, figures, columns = calibration(truth | {"electrons": 1.0}), {}, ["usual, enlarged"]
        fine = finer_shape(truth["pattern"].shape, asked.bin)
        choices = [TileSettings(keep=asked.keep)]
        for share in asked.pixel_share:
            choices.append(TileSettings(keep=asked.keep, finer=asked.finer, pixel_share=share))
            columns.append(f"{asked.finer:g} x finer, share {share:g}")
        scene = None
        for settings in choices:
            with open_recording(path) as recording:
                start = time.process_time()
                tile = stack_tile(recording, own, settings, jobs=asked.jobs)
                spent = time.process_time() - start
            if scene is None:
                scene, mask = truth_under(truth, tile, asked.bin)
                used = np.flatnonzero(tile.frames["weight"])
                weights = tile.frames["weight"][used].astype(float)
                ideal = ideal_stack(truth, scene, used, weights)
                noise = tile.noise
                judge(ideal, scene, ideal, mask, figures, asked.bin)
            known = np.where(np.isfinite(tile.image), tile.image, np.float32(0))
            image = enlarged(known, asked.bin / tile.finer, fine)
            seen = enlarged(tile.weight, asked.bin / tile.finer, fine) > 0.5 * weights.sum()
            judge(np.where(seen, image, np.nan), scene, ideal, mask, figures, asked.bin)
            told = 1.0 if tile.finer == 1 else noise_of_drops(tile.finer, tile.pixel_share)
            scatter = float(np.std(tile.weight[tile.weight > 0.8 * weights.sum()])) / weights.sum()
            for name, first, value in (
                ("pixel noise x the usual's (formula)", "0", f"{tile.noise / noise:.2f} ({told:.2f})"),
                ("  of means over areas, x the pixels'", "", f"{tile.finer / told:.2f}"),
                ("scatter of weights, %", "", f"{100 * scatter:.1f}"),
                ("processor s", "", f"{spent:.1f}"),
            ):
                figures.setdefault(name, [first]).append(value)
    width, height = asked.size
    table = Table(
        title=f"{asked.image.stem}, {width}x{height}, blur {asked.blur[0]}-{asked.blur[1]} px; c/px: of the camera"
    )
    for name in ("figure", "ideal", *columns):
        table.add_column(name, justify="left" if name == "figure" else "right")
    for label, values in figures.items():
        table.add_row(label, *values)
    Console(width=130).print(table)


if __name__ == "__main__":
    sys.exit(main())
