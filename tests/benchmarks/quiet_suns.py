"""Disks that tell little: featureless ones, and granulation that is another one in every tile.

    python tests/benchmarks/quiet_suns.py [--seeds 3]

*Featureless*: limb darkening (Neckel & Labs 1994 at 550 nm, by `diskmosaic.sun`) and 0.5 % of noise, 12 tiles of 3 x 4
on a radius of 420 px. Tiles without limb and structure cannot be placed by anybody; the error is that of the tiles with
limb, along the direction to the disk's centre at the middle of their limb. Aim: all of them placed, 0.3 px rms.

*Fresh granulation*: the same disk with grains of 2 px (rms 6 %) that are drawn anew for every tile, and 60 small spots
and faculae that stay. Aim: all placed, 0.5 px rms.
"""

from __future__ import annotations

import argparse

import cv2
import numpy as np
from cutting import Cutting, cut
from diskmosaic.placement import place_tiles
from diskmosaic.settings import PlacementSettings
from diskmosaic.sun import limb_darkening
from diskmosaic.synthetic import Sun

RADIUS, GRAIN_PX, GRAINS, SKY = 420.3, 2.0, 0.06, 0.002
CENTRE = (520.4, 519.1)
SHAPE = (1040, 1041)


def smooth_sun() -> np.ndarray:
    """Return a disk with limb darkening and an edge of one pixel."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(y - CENTRE[0], x - CENTRE[1])
    mu = np.sqrt(np.clip(1 - (r / RADIUS) ** 2, 0, 1))
    image = limb_darkening(mu, 550.0) * np.clip(RADIUS + 0.5 - r, 0, 1)
    return cv2.GaussianBlur(np.maximum(image, SKY).astype(np.float32), (0, 0), 1.2)


def features(rng: np.random.Generator) -> np.ndarray:
    """Return what stays: small spots and faculae, as a factor."""
    light = np.ones(SHAPE, np.float32)
    for _ in range(60):
        radius, angle = RADIUS * 0.93 * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
        y, x = CENTRE[0] + radius * np.sin(angle), CENTRE[1] + radius * np.cos(angle)
        width, depth = rng.uniform(1.5, 5), rng.choice([-0.35, 0.12]) * rng.uniform(0.5, 1)
        rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
        light += (depth * np.exp(-((rows - y) ** 2 + (columns - x) ** 2) / (2 * width**2))).astype(np.float32)
    return light


def grains(rng: np.random.Generator) -> np.ndarray:
    """Return one pattern of granulation, as a factor."""
    noise = cv2.GaussianBlur(rng.standard_normal(SHAPE, np.float32), (0, 0), GRAIN_PX)
    return 1 + np.float32(GRAINS) * noise / noise.std()


def along_limb_normal(made, off: np.ndarray) -> np.ndarray:
    """Return the errors of tiles with limb along the direction in which their limb places them."""
    height, width = made.tiles[0].image.shape
    found = []
    for place, error in zip(made.places, off, strict=True):
        y, x = np.mgrid[:height, :width] + (place - CENTRE)[:, None, None]
        at = np.abs(np.hypot(y, x) - RADIUS) < 1
        if at.sum() < 150:
            continue
        middle = np.array([y[at].mean(), x[at].mean()])
        found.append(error @ middle / np.hypot(*middle))
    return np.array(found)


def main() -> None:
    """Cut, place, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=3)
    asked = parser.parse_args()
    settings = PlacementSettings(fit_drift=False)
    plain = smooth_sun()
    for name in ("featureless", "fresh granulation"):
        missed, placed, limbs = [], 0, 0
        for seed in range(1, asked.seeds + 1):
            rng = np.random.default_rng([seed, 5])
            kind = Cutting((3, 4), 0.2, mount_px=8)
            if name == "featureless":
                made = cut(Sun(plain, CENTRE, RADIUS), kind, rng)
            else:
                still = plain * features(rng)
                made = cut(Sun(still, CENTRE, RADIUS), kind, rng, suns=lambda _, s=still, r=rng: s * grains(r))
            found = place_tiles(made.tiles, settings)
            off = found.positions - made.places
            if name == "featureless":
                if found.limb is None:
                    continue
                # the disk's centre is what they are placed by
                off -= np.array(found.limb.centre_yx) - CENTRE
                error = along_limb_normal(made, off)
                limbs += len(error)
            else:
                off -= np.nanmean(off, axis=0)
                error = np.hypot(*off.T)
                limbs += len(error)
            placed += int(np.isfinite(error).sum())
            missed += list(error[np.isfinite(error)] ** 2)
        rms = np.sqrt(np.mean(missed)) if missed else np.nan
        worst = np.sqrt(max(missed, default=np.nan))
        print(f"{name:20s}{placed} of {limbs} tiles placed, rms {rms:.3f} px, worst {worst:.3f}")


if __name__ == "__main__":
    main()
