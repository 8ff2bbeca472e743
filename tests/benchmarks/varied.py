"""Levels, limb and uniform disk on Suns of several kinds, drawn here: brightness against the truth.

    python tests/benchmarks/varied.py [--seeds 1 2] [--only halpha ...]

*halpha*: long dark filaments, bright plage, fibrils of 6 %, a soft limb with spicules, prominences and a glow around
the disk. *saturated*: the same, its plage cut at 1.25 of the disk's centre. *negative*: brightness turned over, so
that the disk brightens to its limb. *interior*: six tiles of its middle, no limb. *limb*: three tiles with 60 degrees
of limb. *bare*: white light with a few spots and a sensor without a flat (10 % of vignetting). Tiles have gains of 0.8
to 1, a surface on the sensor (1 % from the middle to the edges, 2 % of curvature), 1 % of offset, 0.4 % of noise. They
lie at their true places.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
from cutting import LEVEL, Cutting, cut
from diskmosaic.blend.blend import blend_tiles, lay_out
from diskmosaic.disk.uniform import flatten
from diskmosaic.figures import light
from diskmosaic.levels.levels import solve_levels
from diskmosaic.limb.limb import fit_limb
from diskmosaic.records.places import Circle, Placement
from diskmosaic.settings import LevelSettings, LimbSettings
from diskmosaic.sky.sun import limb_darkening
from diskmosaic.synthetic import Sun
from scipy import ndimage

CENTRE, RADIUS, SHAPE = (700.3, 699.6), 610.2, (1400, 1401)
KINDS = ("halpha", "saturated", "negative", "interior", "limb", "bare")


def texture(rng: np.random.Generator, width: float) -> np.ndarray:
    """White noise smoothed to `width` px, rms 1."""
    field = cv2.GaussianBlur(rng.standard_normal(SHAPE, np.float32), (0, 0), width)
    return field / field.std()


def drawn(kind: str, rng: np.random.Generator) -> Sun:
    """Draw a Sun."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    y, x = (y - CENTRE[0]) / RADIUS, (x - CENTRE[1]) / RADIUS
    r = np.hypot(y, x)
    mu = np.sqrt(np.clip(1 - r * r, 0, 1))
    edge = np.clip((1 - r) * RADIUS + 0.5, 0, 1)
    if kind == "bare":
        disk = limb_darkening(mu, 550.0) * (1 + 0.01 * texture(rng, 1.5))
        for _ in range(8):
            at = rng.uniform(-0.6, 0.6, 2)
            disk *= 1 - 0.7 * np.exp(-((y - at[0]) ** 2 + (x - at[1]) ** 2) / (2 * rng.uniform(0.005, 0.015) ** 2))
        return Sun(cv2.GaussianBlur((disk * edge).astype(np.float32), (0, 0), 1.2) + 1e-4, CENTRE, RADIUS)
    disk = (0.7 + 0.3 * mu) * (1 + 0.06 * texture(rng, 2.0) * (1 + 0.3 * texture(rng, 12.0)))
    for side in (-1, 1):  # belts of plage, more on one side
        for _ in range(5):
            at = side * rng.uniform(0.2, 0.4), rng.uniform(-0.7, 0.4)
            spread = rng.uniform(0.02, 0.06)
            blob = np.exp(-(((y - at[0]) / spread) ** 2 + ((x - at[1]) / (1.8 * spread)) ** 2) / 2)
            disk *= 1 + rng.uniform(0.3, 0.9) * blob * np.clip(1 + 0.4 * texture(rng, 2.5), 0, 2)
    for _ in range(7):  # filaments: bent lines
        at, turn, bend = rng.uniform(-0.6, 0.6, 2), rng.uniform(0, np.pi), rng.uniform(-0.8, 0.8)
        along = (x - at[1]) * np.cos(turn) + (y - at[0]) * np.sin(turn)
        across = -(x - at[1]) * np.sin(turn) + (y - at[0]) * np.cos(turn) - bend * along**2
        disk *= 1 - 0.45 * np.exp(-((across / 0.008) ** 2) / 2) / (1 + np.exp((np.abs(along) - 0.2) / 0.01))
    if kind == "negative":
        disk = np.maximum(1.5 - disk, 0.15)
    beyond = np.maximum(r - 1, 0)
    out = 0.02 * np.exp(-beyond / 0.05) + 0.25 * np.exp(-beyond / 0.004) * (1 + 0.3 * texture(rng, 1.5))
    angle = np.arctan2(y, x)
    for _ in range(6):
        middle, height = rng.uniform(-np.pi, np.pi), rng.uniform(0.03, 0.08)
        off = (angle - middle + np.pi) % (2 * np.pi) - np.pi
        out += 0.2 * np.exp(-((off / 0.05) ** 2) / 2 - beyond / height) * np.clip(1 + 0.5 * texture(rng, 3.0), 0, 2)
    image = cv2.GaussianBlur((disk * edge + out * (1 - edge)).astype(np.float32), (0, 0), 1.3)
    return Sun(np.maximum(image, 1e-4), CENTRE, RADIUS)


def tiles_of(kind: str, sun: Sun, rng: np.random.Generator):
    """Cut and spoil the tiles: those of the kind, and their places."""
    made = cut(sun, Cutting(grid=(3, 4), overlap=0.25, noise=0.0, gains=(1.0, 1.0)), rng)
    shape = np.array(made.tiles[0].image.shape)
    middle = (made.places + (shape - 1) / 2 - CENTRE) / RADIUS
    chosen = np.arange(12)
    if kind == "interior":
        # six tiles around the middle, none with sky
        steps = np.array([(i - 0.5, j - 1) for i in range(2) for j in range(3)]) * (0.42, 0.48) * shape[0]
        places = np.array(CENTRE) - shape / 2 + steps + rng.uniform(-15, 15, (6, 2))
        made, chosen = at_places(sun, places, tuple(shape)), np.arange(6)
    elif kind == "limb":
        chosen = np.argsort(np.abs(np.arctan2(middle[:, 0], middle[:, 1])))[:3]
    tiles, places = [made.tiles[k] for k in chosen], made.places[chosen]
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    bowl = 0.10 if kind == "bare" else 0.02
    surface = np.exp(0.01 * (0.6 * y - 0.8 * x) - bowl * (y**2 + x**2 - 2 / 3) / 2)
    spoilt = []
    for tile in tiles:
        image = tile.image / LEVEL
        ceiling = 1.25 if kind == "saturated" else np.inf
        image = np.minimum(image, ceiling) * rng.uniform(0.8, 1.0) * surface + 0.01
        image = LEVEL * (image + 0.004 * rng.standard_normal(image.shape))
        spoilt.append(replace(tile, image=image.astype(np.float32), noise=0.004 * LEVEL))
    return spoilt, places


def at_places(sun: Sun, places: np.ndarray, shape: tuple[int, int]):
    """Cut at given places."""
    one = cut(sun, Cutting(grid=(3, 4), noise=0.0, gains=(1.0, 1.0)), np.random.default_rng(0)).tiles[0]
    y, x = np.mgrid[: shape[0], : shape[1]]
    tiles = [
        replace(
            one,
            image=(LEVEL * ndimage.map_coordinates(sun.image, [y + p[0], x + p[1]], order=3)).astype(np.float32),
            weight=np.ones(shape, np.float32),
            name=f"tile_{k:02d}",
        )
        for k, p in enumerate(places)
    ]
    return SimpleNamespace(tiles=tiles, places=places)


def measure(kind: str, seed: int) -> None:
    """Run one and print."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    sun = drawn(kind, rng)
    tiles, places = tiles_of(kind, sun, rng)
    known = None if kind == "interior" else Circle(CENTRE, RADIUS, 0.1, 1000)
    placement = Placement(places, (), {}, known)
    levels = solve_levels(tiles, placement, LevelSettings())
    layout = lay_out(places, tiles[0].image.shape, np.eye(2))
    mosaic = blend_tiles(tiles, placement, levels, layout)
    shift = np.rint(-layout.matrix[:, 2]).astype(int)
    y, x = (np.arange(n) + s for n, s in zip(mosaic.image.shape, shift, strict=True))
    rows, columns = np.clip(y, 0, SHAPE[0] - 1), np.clip(x, 0, SHAPE[1] - 1)
    truth = np.minimum(sun.image, 1.25 if kind == "saturated" else np.inf)[np.ix_(rows, columns)]
    radius = np.hypot(y[:, None] - CENTRE[0], x[None] - CENTRE[1]).astype(np.float32) / np.float32(RADIUS)
    image = mosaic.image / LEVEL
    limb = fit_limb(mosaic.image, LimbSettings())
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where((radius < 0.985) & (image > 0), np.log(image / truth), np.nan).astype(np.float32)
    told = (
        []
        if limb is None
        else [
            f"limb off {np.hypot(*(np.array(limb.centre_yx) + shift - CENTRE)):.3f} px, "
            f"radius {limb.radius_px - RADIUS:+.3f} ({limb.sigma[2]:.3f})"
        ]
    )
    uniform, profile = (mosaic.image, None) if limb is None else flatten(mosaic.image, limb)[:2]
    seen = SimpleNamespace(
        ratio=ratio, radius=radius, sun=truth,
        result=SimpleNamespace(tile=mosaic.tile, uniform=uniform, natural=image),
    )  # fmt: skip
    if limb is not None and kind not in ("negative", "bare"):
        # the curve that was drawn, without plage and filaments; textures' own mean is 0
        mu = np.sqrt(np.clip(1 - profile[:, 0] ** 2, 0, 1))
        use = (profile[:, 0] > 0.15) & (profile[:, 0] < 0.97)
        off = (profile[:, 1] / (0.7 + 0.3 * mu))[use]
        told.append(f"curve against the drawn one {100 * off.std() / off.mean():.2f} % rms")
    figures = light.seams(seen) | light.level_error(seen) | light.contrast(seen)
    if limb is not None:
        figures |= light.sectors(seen) | light.uniform_profile(seen)
        sky = radius > 1.05
        off = (uniform * np.nan_to_num(1.0))[sky & np.isfinite(uniform)]
        told.append(f"sky {np.median(off):+.4f}, 5 % {np.percentile(off, 5):+.3f}")
        edge = [(a, float(np.nanmedian(uniform[(radius > a) & (radius < a + 0.002)]))) for a in (0.96, 0.98, 0.99)]
        told.append("uniform at " + ", ".join(f"{a} R {value:.3f}" for a, value in edge))
    print(f"{kind}, seed {seed}: " + "; ".join([f"{k} {100 * v:.2f} %" for k, v in figures.items() if v is not None]))
    print("   " + "; ".join(told))
    for text in levels.warnings:
        print("   " + text)


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=(1,))
    parser.add_argument("--only", nargs="+", choices=KINDS, default=KINDS)
    asked = parser.parse_args()
    for kind in asked.only:
        for seed in asked.seeds:
            measure(kind, seed)


if __name__ == "__main__":
    main()
