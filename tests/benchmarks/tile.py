"""Measure one tile of simulated raw video of the real Sun against its truth.

    python tests/benchmarks/tile.py IMAGE [FOLDER] [--place Y X] [--frames 300] [--scale 1] [--flat poor] ...

Prints sharpness, noise, geometry and the grade's rank order beside their aims: with local fields and without, and the
ideal stack of the same frames (no warp, no noise but the frames' own). Every distinct view is drawn once by default.
With a poor flat or none the pattern is in the tile, and only the figures of geometry and grade mean something.

*Blur* is the Gaussian that fits the transfer (cross spectrum of tile and truth over the truth's own power, 128 px
patches) up to 0.3 cycles a px; *excess* its variance over the ideal stack's. *Geometry* is the mean over the frames
used of where they show the scene, less the mean warp of all frames; *scatter* their rms about that.

*Noise* is rms at 0.10-0.38 cycles a px over that of the ideal stack of the same frames and weights, divided by the
tile's transfer over the ideal stack's. *Noise proper* is what two tiles differ by that were made of the same views with
two draws of the noise, over the root of two: all that noise does, by way of alignment and choice included. *All that
is not the ideal stack* holds the tile against the noise-free ideal stack, displaced as the tile is (fields between
their nodes included), patch by patch: noise, uneven blur, what is left of the warps. Both are also given for the ideal
stack with white noise of its own, where they must be 1. Held against the *sharp scene*, as this benchmark did once, the
slope of the transfer inside a ring of frequencies counts as noise: the noise-free ideal stack then stands at the figure
in brackets by itself.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import fields
from itertools import pairwise
from pathlib import Path

import numpy as np
from diskmosaic.recordings.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.tiles.tiles import stack_tile
from raw_video import Video, again, calibration, enlarged, load, make, moved
from rich.console import Console
from rich.table import Table
from scipy import ndimage, stats
from spectra import FREQUENCY as F
from spectra import band, blur_of, spectra

NUMBERS = ("scale", "bit_depth", "jitter_px", "seeing_px", "seeing_scale_px", "drift_px", "seed")
FINER = 3  # times that a field is refined to see what lies between its nodes


def scene_at(truth: dict, shift: np.ndarray, bend: np.ndarray | None = None) -> np.ndarray:
    """The true scene on the tile's grid, displaced by `shift` and, pixel by pixel, `bend` (h, w, 2)."""
    height, width = truth["pattern"].shape
    y, x = np.mgrid[:height, :width].astype(np.float64)
    y += truth["room"] + shift[0]
    x += truth["room"] + shift[1]
    if bend is not None:
        y, x = y + bend[..., 0], x + bend[..., 1]
    return ndimage.map_coordinates(truth["scene"], [y, x], order=3, mode="nearest", output=np.float32)


def ideal_stack(truth: dict, scene: np.ndarray, used: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """The weighted mean of the scene as sharp as each of the frames, without warp and noise."""
    blur = truth["blur"][used]
    edges = np.linspace(blur.min() - 1e-6, blur.max() + 1e-6, 13)
    total = np.zeros_like(scene)
    for low, high in pairwise(edges):
        part = (blur > low) & (blur <= high)
        if part.any():
            share = weights[part].sum() / weights.sum()
            total += np.float32(share) * ndimage.gaussian_filter(scene, np.sqrt(np.average(blur[part] ** 2)))
    return total


def noise_map(truth: dict, tile, scene: np.ndarray) -> np.ndarray:
    """The ideal stack's noise, ADU, at each pixel."""
    weights = tile.frames["weight"].astype(float)
    light = np.maximum(scene, 0) * truth["level"]
    raw = light * truth["pattern"]
    variance = (raw / truth["electrons"] + (truth["read_e"] / truth["electrons"]) ** 2 + 1 / 12) / truth["pattern"] ** 2
    return np.sqrt(variance * np.sum(weights**2)) / np.sum(weights)


def shown(truth: dict, tile, finer: int) -> np.ndarray:
    """Where each frame used shows the scene, off its mean place: px (frames, rows, columns, 2), `finer` than cells."""
    used = np.flatnonzero(tile.frames["weight"])
    whole = -np.stack([tile.frames["shift_y"], tile.frames["shift_x"]], axis=-1).astype(np.float32)
    mean = np.average(truth["shifts"][used], axis=0, weights=tile.frames["weight"][used])
    places = []
    for k, field in zip(used, tile.fields, strict=True):
        shape = tuple(n * finer for n in field.shape[:2])
        local = np.stack([enlarged(field[..., axis], shape) for axis in (0, 1)], axis=-1)
        places.append(moved(truth, k, local + whole[k]) - mean)
    return np.stack(places)


def noises(truth: dict, tile, twin, bend: np.ndarray, mask: np.ndarray) -> dict[str, str]:
    """The noise of a tile over the ideal stack's; `twin` is the tile of the same views under another noise."""
    used = np.flatnonzero(tile.frames["weight"])
    weights = tile.frames["weight"][used].astype(float)
    mean = np.average(truth["shifts"][used], axis=0, weights=weights)
    scene = scene_at(truth, mean, bend)
    mask = mask & np.isfinite(twin.image)
    noise = noise_map(truth, tile, scene)
    image = np.where(mask, tile.image, 0)
    level = np.float32(np.median(tile.image[mask]) / np.median(scene[mask]))
    ideal = scene_at({**truth, "scene": ideal_stack(truth, truth["scene"], used, weights)}, mean, bend) * level
    noisy = ideal + noise.astype(np.float32) * np.random.default_rng(1).standard_normal(ideal.shape, np.float32)
    against, _ = spectra(image, ideal, mask, noise)
    transfer = against[1] / against[2]
    apart, _ = spectra(np.where(mask, tile.image - twin.image, 0) / np.sqrt(2), ideal, mask, noise)
    check, _ = spectra(noisy, ideal, mask, noise)
    sharp, _ = spectra(image, scene * level, mask, noise)
    floor, _ = spectra(ideal, scene * level, mask, noise)

    def rms(power: np.ndarray, low: float, high: float) -> float:
        return float(np.sqrt(np.mean(power[band(low, high)])))

    proper, left = apart[0] / transfer**2, against[3] / transfer**2
    other = int(np.sum((tile.frames["weight"] > 0) != (twin.frames["weight"] > 0)))
    return {
        "noise proper over ideal, 0.10-0.38 (aim <= 1.1)": f"{rms(proper, 0.10, 0.38):.3f}",
        "  at 0.10-0.20, 0.25-0.38 c/px": f"{rms(proper, 0.10, 0.20):.3f} {rms(proper, 0.25, 0.38):.3f}",
        "  frames chosen otherwise under it": f"{other}",
        "all that is not the ideal stack, 0.10-0.38": f"{rms(left, 0.10, 0.38):.3f}",
        "  at 0.10-0.20, 0.25-0.38 c/px ": f"{rms(left, 0.10, 0.20):.3f} {rms(left, 0.25, 0.38):.3f}",
        "  the ideal stack's own (must be 1)": f"{rms(check[3], 0.10, 0.38):.3f}",
        "  held against the sharp scene": f"{rms(sharp[3] / transfer**2, 0.1, 0.38):.3f} "
        f"({rms(floor[3], 0.1, 0.38):.3f})",
        "transfer over ideal at .05 .15 .25": " ".join(f"{np.interp(p, F, transfer):.3f}" for p in (0.05, 0.15, 0.25)),
    }


def judge(truth: dict, tile, twin, figures: dict[str, list[str]], whole_excess: float | None) -> float:
    """Measure a tile, append to each figure; returns the variance of the blur in excess of the ideal's."""
    used = np.flatnonzero(tile.frames["weight"])
    weights = tile.frames["weight"][used].astype(float)
    mean = np.average(truth["shifts"][used], axis=0, weights=weights)
    shape = truth["pattern"].shape
    own = shown(truth, tile, FINER)
    fine = np.average(own, axis=0, weights=weights)
    scatter = np.sqrt(np.average(np.sum((own - fine) ** 2, axis=-1) / 2, axis=0, weights=weights))
    middle = slice(FINER // 2, None, FINER)  # the nodes themselves
    bend = fine[middle, middle]
    # the mean warp over all frames where they see the tile's pixels
    still = [np.broadcast_to(mean - shift, bend.shape) for shift in truth["shifts"]]
    average = np.mean([moved(truth, k, field) - mean for k, field in enumerate(still)], axis=0)
    y, x = np.mgrid[: shape[0], : shape[1]]
    radius = np.hypot(y - truth["centre"][0] + mean[0], x - truth["centre"][1] + mean[1]) / truth["radius"]
    at, at_fine = (at_cells(radius, values.shape[:2]) for values in (bend, fine))
    inside, inside_fine = (within(values.shape[:2], room) for values, room in ((bend, 2), (fine, 2 * FINER)))
    disk, disk_fine = inside & (at < 0.97), inside_fine & (at_fine < 0.97)
    limb = inside_fine & (np.abs(at_fine - 1) < 0.012)
    off = bend - average
    displaced = np.stack([enlarged(fine[..., k], shape) for k in (0, 1)], axis=-1)
    flat, scene = scene_at(truth, mean), scene_at(truth, mean, displaced)
    mask = np.isfinite(tile.image) & (radius < 0.985)
    noise = noise_map(truth, tile, scene)
    level = float(np.median(tile.image[mask]) / np.median(scene[mask]))
    got, count = spectra(np.where(np.isfinite(tile.image), tile.image, 0), scene * level, mask, noise)
    model = ideal_stack(truth, flat, used, weights)
    blur, best = blur_of(got), blur_of(spectra(model * level, flat * level, mask, noise)[0])
    excess = blur**2 - best**2
    smooth = ndimage.gaussian_filter(np.where(mask, tile.image / (level * np.maximum(model, 1e-3)), 1), 12)
    error = np.where(mask, tile.image / level / smooth - model, 0)[mask]
    rms = float(np.std(error) / model[mask].mean())
    contrast = float(np.std(flat[mask] - ndimage.gaussian_filter(flat, 30)[mask]) / flat[mask].mean())
    rank = stats.spearmanr(tile.frames["quality"], -truth["blur"]).statistic

    def rms_of(values, where):
        return float(np.sqrt(np.mean(values[where] ** 2))) if where.any() else np.nan

    taken = "" if whole_excess is None else f"{100 * (1 - excess / whole_excess):.0f} %"
    rows = {
        "frames used": f"{len(used)} of {len(tile.frames)}",
        "blur, px": f"{blur:.3f}",
        "  ideal stack's": f"{best:.3f}",
        "  over the ideal's (aim <= 1.05)": f"{blur / best:.3f}",
        "  excess taken away (aim >= 80 %)": taken,
        **noises(truth, tile, twin, displaced, mask),
        "geometry off the mean warp, px (aim <= 0.10)": f"{rms_of(off, disk):.3f}",
        "  mean offset (y, x), px": "{:+.3f} {:+.3f}".format(*off[disk].mean(axis=0)) if disk.any() else "",
        "  scatter of the frames, px": f"{rms_of(scatter, disk_fine):.3f}",
        "  scatter, 0.85-0.97 R": f"{rms_of(scatter, disk_fine & (at_fine > 0.85)):.3f}",
        "  scatter at the limb": f"{rms_of(scatter, limb):.3f}",
        "  mean warp itself": f"{rms_of(average, disk):.3f}",
        "grade's Spearman (aim >= 0.9)": f"{rank:.3f}",
        "rms error, % of level (contrast %)": f"{100 * rms:.3f} ({100 * contrast:.1f})",
        "patches": f"{count}",
    }
    for label, value in rows.items():
        figures.setdefault(label, []).append(value)
    return excess


def at_cells(image: np.ndarray, cells: tuple[int, int]) -> np.ndarray:
    """An image's values at the centres of cells over it."""
    y, x = (((np.arange(n) + 0.5) * size / n).astype(int) for n, size in zip(cells, image.shape, strict=True))
    return image[np.ix_(y, x)]


def within(cells: tuple[int, int], room: int) -> np.ndarray:
    """True but for a border of cells."""
    inside = np.zeros(cells, bool)
    inside[room:-room, room:-room] = True
    return inside


def main() -> None:
    """Parse, make the recording, stack it, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--place", type=float, nargs=2, default=(0.1, 0.2), metavar=("Y", "X"), help="in radii")
    parser.add_argument("--size", type=int, nargs=2, default=(1936, 1216), metavar=("W", "H"))
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--distinct", type=int, help="as many as there are frames")
    parser.add_argument("--keep", type=float, default=0.3)
    parser.add_argument("--flat", choices=("good", "poor", "none"), default="good")
    parser.add_argument("--jobs", type=int, default=2)
    for name in NUMBERS:
        kind = next(f for f in fields(Video) if f.name == name).default
        parser.add_argument(f"--{name.replace('_', '-')}", type=type(kind), default=kind)
    asked = parser.parse_args()
    extra = {name: getattr(asked, name) for name in NUMBERS}
    video = Video(
        image=str(asked.image),
        place=tuple(asked.place),
        shape=(asked.size[1], asked.size[0]),
        frames=asked.frames,
        distinct=asked.distinct or asked.frames,
        **extra,
    )
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "tile.ser"
        if not (path.exists() and again(path).exists()):
            make(path, video)
        truth = load(path)
        own = calibration(truth, asked.flat, video.seed)
        table = Table(title=f"{Path(video.image).stem}, {asked.size[0]}x{asked.size[1]}, seeing {video.seeing_px} px")
        table.add_column("figure")
        whole, figures = None, {}
        for name, local in (("whole frames", False), ("local fields", True)):
            settings = TileSettings(keep=asked.keep, local_fields=local)
            start = time.process_time()
            tile = stack_tile(open_recording(path), own, settings, jobs=asked.jobs)
            spent = time.process_time() - start
            twin = stack_tile(open_recording(again(path)), own, settings, jobs=asked.jobs)
            whole = judge(truth, tile, twin, figures, whole)
            table.add_column(name, justify="right")
            figures.setdefault("processor s", []).append(f"{spent:.1f}")
        for label, values in figures.items():
            table.add_row(label, *values)
        Console(width=110).print(table)


if __name__ == "__main__":
    sys.exit(main())
