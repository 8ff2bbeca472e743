"""Measure one tile of simulated raw video of the real Sun against its truth.

    python tests/benchmarks/tile.py IMAGE [FOLDER] [--place Y X] [--frames 300] [--scale 1] ...

Prints sharpness, noise, geometry and the grade's rank order beside their aims: with local fields and without, and the
ideal stack of the same frames (no warp, no noise but the frames' own). Every distinct view is drawn once by default.

*Blur* is the Gaussian that fits the transfer (cross spectrum of tile and truth over the truth's own power, 128 px
patches) up to 0.3 cycles a px; *excess* its variance over the ideal stack's. *Noise* is what the transfer does not
explain, at 0.10-0.38 cycles a px, divided by the tile's transfer over the ideal stack's. *Geometry* is the mean over
the frames used of where they show the scene, less the mean warp of all frames; *scatter* their rms about that.
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
from diskmosaic.recordings import open_recording
from diskmosaic.settings import TileSettings
from diskmosaic.tiles import stack_tile
from raw_video import Video, calibration, enlarged, load, make, moved
from rich.console import Console
from rich.table import Table
from scipy import ndimage, optimize, stats

PATCH = 128
NUMBERS = ("scale", "bit_depth", "jitter_px", "seeing_px", "seeing_scale_px", "drift_px", "seed")
EDGE = 24  # px at the sensor's border that are not judged


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


def patches(mask: np.ndarray):
    """Windows wholly inside a mask, overlapping by half."""
    for y in range(EDGE, mask.shape[0] - PATCH - EDGE, PATCH // 2):
        for x in range(EDGE, mask.shape[1] - PATCH - EDGE, PATCH // 2):
            part = (slice(y, y + PATCH), slice(x, x + PATCH))
            if mask[part].all():
                yield part


def spectra(image: np.ndarray, scene: np.ndarray, mask: np.ndarray, bins: np.ndarray, levels: np.ndarray):
    """Radially binned power of image and scene and their cross power, in units of white noise of variance 1.

    Each patch's image is divided by `levels` (the noise expected there) for the noise's sake: last result.
    """
    window = np.outer(np.hanning(PATCH), np.hanning(PATCH))
    frequency = np.hypot(np.fft.fftfreq(PATCH)[:, None], np.fft.fftfreq(PATCH)[None])
    ring = np.digitize(frequency, bins).ravel()
    total = np.zeros((4, len(bins) + 1))
    transfers = []
    for part in patches(mask):
        a, b = image[part].astype(float), scene[part].astype(float)
        a, b = a - a.mean(), b - b.mean()
        fa, fb = np.fft.fft2(a * window), np.fft.fft2(b * window)
        norm = np.sum(window**2)
        rows = [np.abs(fa) ** 2, (fa * fb.conj()).real, np.abs(fb) ** 2]
        binned = [np.bincount(ring, r.ravel() / norm, len(bins) + 1) for r in rows]
        left = binned[0] - binned[1] ** 2 / np.maximum(binned[2], 1e-12)
        transfers.append(binned)
        for k in range(3):
            total[k] += binned[k] / levels[part].mean() ** 2
        total[3] += left / levels[part].mean() ** 2
    counts = np.bincount(ring, minlength=len(bins) + 1)
    return total / np.maximum(counts, 1) / max(len(transfers), 1), len(transfers)


def blur_of(total: np.ndarray, bins: np.ndarray) -> float:
    """The Gaussian sigma, px, of a transfer up to 0.3 cycles a px, weighted as its own coherence tells."""
    f = 0.5 * (bins[1:] + bins[:-1])
    transfer = total[1][1:-1] / total[2][1:-1]
    use = (f > 0.03) & (f < 0.3)
    weight = total[2][1:-1] / np.maximum(total[0][1:-1] - total[1][1:-1] ** 2 / total[2][1:-1], 1e-9)

    def misfit(parameters):
        model = parameters[1] * np.exp(-2 * (np.pi * f * parameters[0]) ** 2)
        return (np.sqrt(np.minimum(weight, 1e4)) * (transfer - model))[use]

    return float(abs(optimize.least_squares(misfit, [1.0, 1.0]).x[0]))


def noise_map(truth: dict, tile, scene: np.ndarray) -> np.ndarray:
    """The ideal stack's noise, ADU, at each pixel."""
    weights = tile.frames["weight"].astype(float)
    light = np.maximum(scene, 0) * truth["level"]
    raw = light * truth["pattern"]
    variance = (raw / truth["electrons"] + (truth["read_e"] / truth["electrons"]) ** 2 + 1 / 12) / truth["pattern"] ** 2
    return np.sqrt(variance * np.sum(weights**2)) / np.sum(weights)


def judge(truth: dict, tile, figures: dict[str, list[str]], whole_excess: float | None) -> float:
    """Measure a tile, append to each figure; returns the variance of the blur in excess of the ideal's."""
    used = np.flatnonzero(tile.frames["weight"])
    weights = tile.frames["weight"][used].astype(float)
    mean = np.average(truth["shifts"][used], axis=0, weights=weights)
    shape = truth["pattern"].shape
    whole = -np.stack([tile.frames["shift_y"], tile.frames["shift_x"]], axis=-1)
    own = [moved(truth, k, f + whole[k]) - mean for k, f in zip(used, tile.fields, strict=True)]
    own = np.stack(own)
    bend = np.average(own, axis=0, weights=weights)
    scatter = np.sqrt(np.average(np.sum((own - bend) ** 2, axis=-1) / 2, axis=0, weights=weights))
    # the mean warp over all frames where they see the tile's pixels
    still = [np.broadcast_to(mean - shift, bend.shape) for shift in truth["shifts"]]
    average = np.mean([moved(truth, k, field) - mean for k, field in enumerate(still)], axis=0)
    y, x = np.mgrid[: shape[0], : shape[1]]
    radius = np.hypot(y - truth["centre"][0] + mean[0], x - truth["centre"][1] + mean[1]) / truth["radius"]
    cells = bend.shape[:2]
    cy = ((np.arange(cells[0]) + 0.5) * shape[0] / cells[0]).astype(int)
    cx = ((np.arange(cells[1]) + 0.5) * shape[1] / cells[1]).astype(int)
    at = radius[np.ix_(cy, cx)]
    edge = np.zeros(cells, bool)
    edge[2:-2, 2:-2] = True
    disk = edge & (at < 0.97)
    limb = edge & (np.abs(at - 1) < 0.012)
    off = bend - average
    scene = scene_at(truth, mean, np.stack([enlarged(bend[..., k], shape) for k in (0, 1)], axis=-1))
    flat = scene_at(truth, mean)
    mask = np.isfinite(tile.image) & (radius < 0.985)
    noise = noise_map(truth, tile, scene)
    bins = np.linspace(0, 0.5, 26)
    level = float(np.median(tile.image[mask]) / np.median(scene[mask]))
    got, count = spectra(np.where(np.isfinite(tile.image), tile.image, 0), scene * level, mask, bins, noise)
    ideal, _ = spectra(ideal_stack(truth, flat, used, weights) * level, flat * level, mask, bins, noise)
    f = 0.5 * (bins[1:] + bins[:-1])
    transfer = got[1][1:-1] / got[2][1:-1] / (ideal[1][1:-1] / ideal[2][1:-1])
    band = (f > 0.10) & (f < 0.38)
    over = np.sqrt(np.mean((got[3][1:-1] / transfer**2)[band]))
    high = np.sqrt(np.mean((got[3][1:-1] / transfer**2)[(f > 0.25) & (f < 0.4)]))
    blur, best = blur_of(got, bins), blur_of(ideal, bins)
    excess = blur**2 - best**2
    model = ideal_stack(truth, flat, used, weights)
    smooth = ndimage.gaussian_filter(np.where(mask, tile.image / (level * np.maximum(model, 1e-3)), 1), 12)
    error = np.where(mask, tile.image / level / smooth - model, 0)[mask]
    rms = float(np.std(error) / model[mask].mean())
    contrast = float(np.std(flat[mask] - ndimage.gaussian_filter(flat, 30)[mask]) / flat[mask].mean())
    rank = stats.spearmanr(tile.frames["quality"], -truth["blur"]).statistic

    def rms_of(values, where):
        return float(np.sqrt(np.mean(values[where] ** 2))) if where.any() else np.nan

    taken = "" if whole_excess is None else f"{100 * (1 - excess / whole_excess):.0f} %"
    rows = {
        "frames used": f"{len(used)} of {len(whole)}",
        "blur, px": f"{blur:.3f}",
        "  ideal stack's": f"{best:.3f}",
        "  over the ideal's (aim <= 1.05)": f"{blur / best:.3f}",
        "  excess taken away (aim >= 80 %)": taken,
        "noise over ideal, 0.10-0.38 (aim <= 1.1)": f"{over:.3f}",
        "  at 0.25-0.40 c/px": f"{high:.3f}",
        "geometry off the mean warp, px (aim <= 0.10)": f"{rms_of(off, disk):.3f}",
        "  mean offset (y, x), px": "{:+.3f} {:+.3f}".format(*off[disk].mean(axis=0)) if disk.any() else "",
        "  scatter of the frames, px": f"{rms_of(scatter, disk):.3f}",
        "  scatter, 0.85-0.97 R": f"{rms_of(scatter, disk & (at > 0.85)):.3f}",
        "  scatter at the limb": f"{rms_of(scatter, limb):.3f}",
        "  mean warp itself": f"{rms_of(average, disk):.3f}",
        "grade's Spearman (aim >= 0.9)": f"{rank:.3f}",
        "rms error, % of level (contrast %)": f"{100 * rms:.3f} ({100 * contrast:.1f})",
        "transfer over ideal at .05 .15 .25": " ".join(f"{np.interp(p, f, transfer):.3f}" for p in (0.05, 0.15, 0.25)),
        "patches": f"{count}",
    }
    for label, value in rows.items():
        figures.setdefault(label, []).append(value)
    return excess


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
        if not path.exists():
            make(path, video)
        truth = load(path)
        own = calibration(truth)
        table = Table(title=f"{Path(video.image).stem}, {asked.size[0]}x{asked.size[1]}, seeing {video.seeing_px} px")
        table.add_column("figure")
        whole, figures = None, {}
        for name, local in (("whole frames", False), ("local fields", True)):
            settings = TileSettings(keep=asked.keep, local_fields=local)
            start = time.process_time()
            tile = stack_tile(open_recording(path), own, settings, jobs=asked.jobs)
            spent = time.process_time() - start
            whole = judge(truth, tile, figures, whole)
            table.add_column(name, justify="right")
            figures.setdefault("processor s", []).append(f"{spent:.1f}")
        for label, values in figures.items():
            table.add_row(label, *values)
        Console(width=110).print(table)


if __name__ == "__main__":
    sys.exit(main())
