"""Make tiles of a real full-disk image unequally bright and measure how even the finished disk is.

    python tests/benchmarks/levels.py IMAGE [--overlap 0.25] [--grid 3x4] [--scale 0.48] [--seed 1] ...

The image is blurred as optics blur it: its finest structure, at one pixel, no interpolation would leave as it is (of
the contrast of granulation, cutting at fractions of a pixel and going back takes 2.7 % without any flaw). Tiles are
cuts at their true places with a gain of 0.8-1.0 each, thin cloud that drifts over the field (it dims a tile and leaves
a slope across it), one surface on the sensor (3 % from the middle to the edges, and 2 % of curvature), an offset of 1 %
and noise. In one overlap a flare doubles its brightness between two tiles; off the limb a prominence moves by 6 px.
Beside the levels and the blend stand, on the same tiles in the same run: `reproject.mosaicking.reproject_and_coadd`
with ``match_background``, and plain feathering by the distance to the tile's edge without any levels. Seams of the
co-addition are where the set of tiles changes. Memory is the peak above what the tiles take, time the process's own.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
from astropy.wcs import WCS
from cutting import LEVEL, Cutting, cut
from diskmosaic.blend.blend import blend_tiles, lay_out
from diskmosaic.disk.disk import flatten
from diskmosaic.figures import light
from diskmosaic.levels.levels import solve_levels
from diskmosaic.limb.limb import fit_limb
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import Tile
from diskmosaic.settings import LevelSettings, LimbSettings
from diskmosaic.synthetic import Sun
from rich.console import Console
from rich.table import Table
from scipy import ndimage
from sessions import real_sun

FIGURES = (
    ("seam_median", "step across seams, median", 0.002),
    ("seam_p95", "step across seams, 95th percentile", 0.006),
    ("level_rms", "large-scale level, a tilt fitted out, rms", 0.005),
    ("level_tilt", "  that tilt, per radius", None),
    ("sector_rms", "uniform disk, sixteen sectors, rms", 0.004),
    ("sector_rest_rms", "  without an overall tilt", 0.004),
    ("uniform_profile_rms", "uniform disk, radial profile, rms", 0.005),
    ("contrast_bright", "contrast of plage against the truth's", 0.02),
    ("contrast_dark", "contrast of spots and filaments", 0.02),
    ("seam_noise", "noise at seams against inside tiles", 0.05),
    ("flare_halves", "flare: furthest from one whole state", 0.02),
    ("prominence_twice", "moved prominence: furthest from one state", 0.10),
)


@dataclass(frozen=True)
class Scene:
    """Tiles with known flaws: places (n, 2), gains, offsets (share of the disk centre), changes, which are turned."""

    sun: Sun
    tiles: list[Tile]
    places: np.ndarray
    gains: np.ndarray
    offsets: np.ndarray
    changes: list[tuple[str, tuple[slice, slice], np.ndarray, np.ndarray]]
    turned: np.ndarray


def simulate(sun: Sun, grid: tuple[int, int], overlap: float, rng: np.random.Generator, asked) -> Scene:
    """Cut the tiles and spoil them."""
    made = cut(sun, Cutting(grid=grid, overlap=overlap, noise=0.0, gains=(1.0, 1.0)), rng)
    plain, places = made.tiles, made.places
    shape = plain[0].image.shape
    turned = np.zeros(len(plain), bool)
    if asked.turn_one:
        middle = int(np.argmin(np.hypot(*(places + np.array(shape) / 2 - sun.centre_yx).T)))
        plain, places = [*plain, plain[middle]], np.concatenate([places, places[middle : middle + 1]])
        turned = np.append(turned, True)
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    turn = rng.uniform(0, 2 * np.pi)
    surface = np.exp(asked.tilt * (np.sin(turn) * y + np.cos(turn) * x) + asked.curvature * (y**2 + x**2 - 0.8) / 2)
    gains = rng.uniform(0.8, 1.0, len(plain))
    offsets = asked.offset * (1 + 0.15 * rng.standard_normal(len(plain)))
    changes = _changes(sun, places, shape)
    tiles = []
    for k, tile in enumerate(plain):
        image = tile.image / LEVEL
        for _, window, first, second in changes:
            image = image + _laid(second if k % 2 else first, window, places[k], shape)
        image = image[::-1, ::-1] if turned[k] else image
        image = LEVEL * (image * gains[k] * surface * _cloud(k, len(plain), y, x, asked) + offsets[k])
        image += LEVEL * asked.noise * rng.standard_normal(shape)
        minutes = f"2041-03-09T09:{2 * k % 60:02d}:00"
        tiles.append(replace(tile, image=image.astype(np.float32), noise=LEVEL * asked.noise, time_utc=minutes))
    return Scene(sun, tiles, places, gains, offsets, changes, turned)


def without_sky(sun: Sun) -> Sun:
    """Take the image's own stray light off, so that an offset is all that lies over the truth."""
    y, x = np.indices(sun.image.shape, np.float32)
    outside = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1]) > 1.05 * sun.radius_px
    return replace(sun, image=np.maximum(sun.image - np.median(sun.image[outside]), 1e-4))


def _cloud(k: int, count: int, y: np.ndarray, x: np.ndarray, asked) -> np.ndarray:
    """Transparency of thin cloud over tile k: a wave that drifts along x in time, averaged over the recording."""
    phase = 2 * np.pi * (2.3 * k / count + np.linspace(0, 0.1, 8))
    wide = asked.cloud_slope / max(asked.cloud / 2, 1e-9)
    return np.mean([1 - asked.cloud * (0.5 + 0.5 * np.sin(p + wide * (x + 0.4 * y))) for p in phase], axis=0)


def _changes(sun: Sun, places: np.ndarray, shape: tuple[int, int]):
    """A flare in an overlap of an even and an odd tile, and a prominence in another off the limb."""
    found = []
    centre, size = np.array(sun.centre_yx), np.array(shape)
    y, x = np.mgrid[-40:41, -40:41].astype(float)
    for name, low, high in (("flare", 0.0, 0.7), ("prominence", 1.035, 1.05)):
        best = None
        for i in range(0, len(places), 2):
            for j in range(1, len(places), 2):
                top, bottom = np.maximum(places[i], places[j]), np.minimum(places[i], places[j]) + size
                for share in np.ndindex(21, 21):
                    at = top + 24 + (bottom - top - 48) * np.array(share) / 20
                    r = np.hypot(*(at - centre)) / sun.radius_px
                    room = min((at - top).min(), (bottom - at).min())
                    alone = sum(((at > p) & (at < p + size)).all() for p in places) == 2
                    if low <= r <= high and alone and room >= 24 and (best is None or room > best[0]):
                        best = (room, at)
        if best is None:
            continue
        at = np.rint(best[1]).astype(int)
        window = (slice(at[0] - 40, at[0] + 41), slice(at[1] - 40, at[1] + 41))
        if name == "flare":
            blob = np.exp(-(y**2 / 60 + (x + 0.4 * y) ** 2 / 25)) * sun.image[window].mean()
            found.append((name, window, 0.8 * blob, 2 * 0.8 * blob))
        else:
            found.append((name, window, *(0.15 * np.exp(-((y - d) ** 2 / 30 + (x + d) ** 2 / 18)) for d in (-2, 2))))
    return found


def _laid(blob: np.ndarray, window: tuple[slice, slice], place: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """A change on a tile's own pixels (a quintic spline: OpenCV's cubic alone would misplace it by 0.05 px)."""
    start = np.array([window[0].start, window[1].start]) - place
    whole = np.floor(start).astype(int)
    moved = ndimage.shift(np.pad(blob, 2), start - whole, order=5)
    laid = np.zeros(shape)
    low, high = np.maximum(whole - 2, 0), np.minimum(whole - 2 + moved.shape, shape)
    if (low < high).all():
        part = tuple(slice(a, b) for a, b in zip(low - whole + 2, high - whole + 2, strict=True))
        laid[low[0] : high[0], low[1] : high[1]] = moved[part]
    return laid


def ours(scene: Scene, asked) -> tuple[np.ndarray, np.ndarray, str]:
    """Levels and blend of the house at the true places."""
    limb = Circle(scene.sun.centre_yx, scene.sun.radius_px, 0.1, 1000)
    far = np.array(scene.tiles[0].image.shape) - 1.0
    places = np.where(scene.turned[:, None], scene.places + far, scene.places)
    turns = np.where(scene.turned[:, None, None], -np.eye(2), np.eye(2)) if scene.turned.any() else None
    placement = Placement(places, (), {}, limb, turns=turns)
    levels = solve_levels(scene.tiles, placement, LevelSettings())
    layout = lay_out(places, scene.tiles[0].image.shape, np.eye(2), turns)
    mosaic = blend_tiles(scene.tiles, placement, levels, layout)
    said = "; ".join(levels.warnings)
    return *(_on_sun(a, layout.matrix[:, 2], scene) for a in (mosaic.image, mosaic.tile)), said


def coadded(scene: Scene, asked) -> tuple[np.ndarray, np.ndarray, str]:
    """The general library's co-addition."""
    import reproject
    from reproject.mosaicking import reproject_and_coadd

    def wcs_at(y, x):
        wcs = WCS(naxis=2)
        wcs.wcs.ctype = "RA---TAN", "DEC--TAN"
        wcs.wcs.cdelt = 1e-5, 1e-5
        wcs.wcs.crpix = scene.sun.centre_yx[1] - x, scene.sun.centre_yx[0] - y
        return wcs

    inputs = [(tile.image, wcs_at(*place)) for tile, place in zip(scene.tiles, scene.places, strict=True)]
    image, _ = reproject_and_coadd(
        inputs,
        wcs_at(0, 0),
        shape_out=scene.sun.image.shape,
        reproject_function=reproject.reproject_interp,
        match_background=True,
        order="bicubic",
    )
    sets = np.zeros(scene.sun.image.shape, np.int64)
    for k, place in enumerate(scene.places):
        top, left = np.ceil(place).astype(int)
        sets[
            max(top, 0) : top + scene.tiles[k].image.shape[0], max(left, 0) : left + scene.tiles[k].image.shape[1]
        ] += 1 << k
    return image.astype(np.float32), np.unique(sets, return_inverse=True)[1].reshape(sets.shape), ""


def feathered(scene: Scene, asked) -> tuple[np.ndarray, np.ndarray, str]:
    """Plain feathering by the distance to the edge, no levels."""
    size = scene.sun.image.shape
    total, weight, best, owner = (np.zeros(size, np.float32) for _ in range(4))
    for k, (tile, place) in enumerate(zip(scene.tiles, scene.places, strict=True)):
        matrix = np.array([[1, 0, place[1]], [0, 1, place[0]]], float)
        inside = cv2.warpAffine(np.ones(tile.image.shape, np.uint8), matrix, size[::-1])
        own = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
        total += own * cv2.warpAffine(tile.image, matrix, size[::-1], flags=cv2.INTER_CUBIC)
        weight += own
        owner[own > best] = k
        best = np.maximum(best, own)
    with np.errstate(invalid="ignore"):
        return np.where(weight > 0, total / weight, np.nan), owner, ""


def _on_sun(image: np.ndarray, shift: np.ndarray, scene: Scene) -> np.ndarray:
    """A canvas at whole-pixel `shift` from the Sun's image, cut to it."""
    top, left = np.rint(shift).astype(int)
    whole = np.full(scene.sun.image.shape, -1 if image.dtype.kind == "i" else np.nan, image.dtype)
    part = image[max(top, 0) :, max(left, 0) :][: whole.shape[0], : whole.shape[1]]
    y, x = max(-top, 0), max(-left, 0)
    part = part[: whole.shape[0] - y, : whole.shape[1] - x]
    whole[y : y + part.shape[0], x : x + part.shape[1]] = part
    return whole


def figures(image: np.ndarray, owner: np.ndarray, scene: Scene) -> dict[str, float | None]:
    """Measure a disk that lies on the Sun's own pixels."""
    sun = scene.sun
    y, x = np.indices(image.shape, np.float32)
    radius = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1]) / sun.radius_px
    truth = sun.image.copy()
    changed = np.zeros(truth.shape, bool)
    for _, window, first, second in scene.changes:
        changed[window] |= np.maximum(first, second) > 1e-3
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((radius < 0.985) & (image > 0), np.log(image / truth), np.nan).astype(np.float32)
    ratio[changed] = np.nan
    circle = fit_limb(image, LimbSettings(), start=(*sun.centre_yx, sun.radius_px))
    uniform = image if circle is None else flatten(image, circle)[0]
    seen = SimpleNamespace(
        ratio=ratio, radius=radius, sun=truth, result=SimpleNamespace(tile=owner, uniform=uniform, natural=image)
    )
    found = {}
    for part in (
        light.seams, light.level_error, light.sectors, light.uniform_profile, light.contrast, light.seam_noise
    ):  # fmt: skip
        found |= part(seen)
    level = np.exp(np.nanmedian(ratio))
    for name, window, first, second in scene.changes:
        key = "flare_halves" if name == "flare" else "prominence_twice"
        found[key] = _furthest(image[window] / level, truth[window], first, second)
    return found


def _furthest(image, truth, first, second) -> float:
    """How far a changed feature is from the nearer of its two states, as a share of the change itself.

    The tile's noise, told by neighbouring pixels around the feature, is taken off: one whole tile has it, too.
    """
    here = np.maximum(first, second) > 0.1 * max(first.max(), second.max())
    # a tilt of the whole disk is no half of a feature
    bright = ~here & (truth > 0.1)
    image = image / (np.median((image / truth)[bright]) if bright.sum() > 200 else 1)
    off = [image - truth - state for state in (first, second)]
    # nor is what the sky leaves behind
    off = [(part - np.median(part[~here]))[here] for part in off]
    size = np.sqrt(np.mean((first - second)[here] ** 2))
    both = ~here[:, 1:] & ~here[:, :-1]
    noise = 1.4826 * np.median(np.abs(np.diff(image - truth - first, axis=1)[both])) / np.sqrt(2)
    return float(np.sqrt(max(min(np.mean(part**2) for part in off) - noise**2, 0)) / size)


def measured(method, scene: Scene, asked):
    """Run a method: its result, CPU seconds and peak memory in MB above what was there."""
    Path("/proc/self/clear_refs").write_text("5")
    before = _memory("VmRSS")
    start = time.process_time()
    image, owner, said = method(scene, asked)
    return image, owner, said, time.process_time() - start, _memory("VmHWM") - before


def _memory(key: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(key))


def main() -> None:
    """Parse, simulate, run the three, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image", type=Path)
    parser.add_argument("--scale", type=float, default=0.48, help="size of the Sun against the image's")
    parser.add_argument("--grid", default="3x4", help="rows x columns")
    parser.add_argument("--overlap", type=float, default=0.25)
    parser.add_argument("--tilt", type=float, default=0.03)
    parser.add_argument("--curvature", type=float, default=0.02)
    parser.add_argument("--offset", type=float, default=0.01)
    parser.add_argument("--cloud", type=float, default=0.10, help="light that it takes at its thickest")
    parser.add_argument("--cloud-slope", type=float, default=0.005, help="steepest slope, middle to edge of a tile")
    parser.add_argument("--noise", type=float, default=0.004, help="rms, share of the disk centre")
    parser.add_argument("--blur", type=float, default=0.8, help="Gaussian of optics and air, px")
    parser.add_argument("--seeds", type=int, nargs="+", default=(1,))
    parser.add_argument("--alone", action="store_true", help="without the peers")
    parser.add_argument("--turn-one", action="store_true", help="one tile once more, turned by 180 degrees; alone")
    parser.add_argument("--save", type=Path, help="folder for the arrays of the last seed")
    asked = parser.parse_args()
    sun = without_sky(real_sun(asked.image, scale=asked.scale))
    sun = replace(sun, image=cv2.GaussianBlur(sun.image, (0, 0), asked.blur))
    methods = [("diskmosaic", ours)]
    if not (asked.alone or asked.turn_one):
        methods += [("co-addition", coadded), ("feathering", feathered)]
    for seed in asked.seeds:
        rng = np.random.default_rng([seed, 6])
        rows, columns = (int(n) for n in asked.grid.split("x"))
        scene = simulate(sun, (rows, columns), asked.overlap, rng, asked)
        columns = []
        ours(scene, asked)  # compiles, once
        for name, method in methods:
            image, owner, said, seconds, megabytes = measured(method, scene, asked)
            columns.append((figures(image, owner, scene), seconds, megabytes))
            if said:
                print(f"{name}: {said}")
            if asked.save:
                asked.save.mkdir(parents=True, exist_ok=True)
                np.savez(asked.save / f"{name}.npz", image=image, owner=owner, sun=sun.image)
        size = scene.tiles[0].image.shape
        title = f"{asked.image.name}: {len(scene.tiles)} tiles {size[1]}x{size[0]}, radius {sun.radius_px:.0f} px"
        table = Table(title=f"{title}, overlap {100 * asked.overlap:.0f} %, seed {seed}")
        table.add_column("figure")
        for name, _ in methods:
            table.add_column(name, justify="right")
        table.add_column("aim", justify="right")
        for key, text, aim in FIGURES:
            cells = [c[0].get(key) for c in columns]
            cells = ["-" if c is None else f"{100 * c:.2f} %" for c in cells]
            table.add_row(text, *cells, "" if aim is None else f"{100 * aim:g} %")
        table.add_row("CPU time", *(f"{c[1]:.1f} s" for c in columns), "least")
        table.add_row("memory", *(f"{c[2]:.0f} MB" for c in columns), "least")
        Console(width=110).print(table)


if __name__ == "__main__":
    main()
