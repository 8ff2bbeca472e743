"""Disks that tell little: featureless ones, and granulation that is another one in every tile.

    python tests/benchmarks/quiet_suns.py [--seeds 3]
    python tests/benchmarks/quiet_suns.py --granulation IMAGE [--finest 10] [--grid 3x4]

*Featureless*: limb darkening (Neckel & Labs 1994 at 550 nm, by `sky.sun`) and 0.5 % of noise, 12 tiles of 3 x 4
on a radius of 420 px. Tiles without limb and structure cannot be placed by anybody; the error is that of the tiles with
limb, along the direction to the disk's centre at the middle of their limb. Aim: all of them placed, 0.3 px rms.

*Fresh granulation*: a full-disk image of the Sun in white light whose fine structure, below a period of 10 arcsec (a
granule is 1 to 2 wide and lives for ten minutes; what is 5 wide lasts for an hour), is drawn anew for every tile:
Gaussian noise of the power spectrum and the rms of what is taken away, as it varies over the disk. Spots (more than 5
deviations of the structure), faculae, network and limb stay: they are what a session of an hour has in common. 0.5 % of
noise. Aim: all placed, 0.5 px rms.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from cutting import Cutting, cut
from diskmosaic.placement.placement import place_tiles
from diskmosaic.settings import PlacementSettings
from diskmosaic.sky.sun import limb_darkening
from diskmosaic.synthetic import Sun
from sessions import real_sun

from placement import sees_disk

RADIUS, SKY = 420.3, 0.002
CENTRE = (520.4, 519.1)
SHAPE = (1040, 1041)
SUN_ARCSEC = 960.0
"""Radius of the Sun, to some per cent."""
QUIET = 0.5
"""Half a side of the square about the disk's centre, in radii, whose power spectrum is the granulation's."""


def smooth_sun() -> np.ndarray:
    """Return a disk with limb darkening and an edge of one pixel."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(y - CENTRE[0], x - CENTRE[1])
    mu = np.sqrt(np.clip(1 - (r / RADIUS) ** 2, 0, 1))
    image = limb_darkening(mu, 550.0) * np.clip(RADIUS + 0.5 - r, 0, 1)
    return cv2.GaussianBlur(np.maximum(image, SKY).astype(np.float32), (0, 0), 1.2)


class Granulation:
    """A Sun's lasting structure, and its granulation drawn as often as wanted."""

    def __init__(self, sun: Sun, finest_arcsec: float) -> None:
        y, x = np.mgrid[: sun.image.shape[0], : sun.image.shape[1]]
        r = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1]) / sun.radius_px
        # a Gaussian whose transfer is one half at that period: sigma = period sqrt(ln 2 / 2) / pi
        sigma = finest_arcsec * sun.radius_px / SUN_ARCSEC * np.sqrt(np.log(2) / 2) / np.pi
        # inside the limb only: the edge is no granulation
        disk = np.clip((0.995 - r) * sun.radius_px / (4 * sigma), 0, 1).astype(np.float32)
        fine = disk * (sun.image - cv2.GaussianBlur(sun.image, (0, 0), sigma)) / np.maximum(sun.image, 0.05)
        quiet = fine[disk == 1]
        limit = 5 * 1.4826 * float(np.median(np.abs(quiet)))
        spots = cv2.GaussianBlur((np.abs(fine) > limit).astype(np.float32), (0, 0), 4 * sigma) > 0.01
        fine[spots] = 0
        self.lasting = (sun.image * (1 - fine)).astype(np.float32)
        known = cv2.GaussianBlur((~spots & (disk > 0)).astype(np.float32), (0, 0), 30)
        rms = np.sqrt(cv2.GaussianBlur(fine**2, (0, 0), 30) / np.maximum(known, 1e-3))
        self.rms = np.where(spots, 0, rms * disk).astype(np.float32)
        middle, reach = np.rint(sun.centre_yx).astype(int), int(QUIET * sun.radius_px)
        square = fine[middle[0] - reach : middle[0] + reach, middle[1] - reach : middle[1] + reach]
        window = np.outer(np.hanning(2 * reach), np.hanning(2 * reach))
        self.power = np.abs(np.fft.rfft2(square * window))

    def drawn(self, rng: np.random.Generator) -> np.ndarray:
        """Return the Sun with a granulation of its own: white noise under the power spectrum, patch by patch."""
        side = 2 * (self.power.shape[1] - 1)
        shape = self.lasting.shape
        whole = np.zeros(shape, np.float32)
        smooth = np.sqrt(cv2.GaussianBlur(self.power**2, (0, 0), 3))
        for top in range(0, shape[0], side):
            for left in range(0, shape[1], side):
                noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * smooth, (side, side))
                part = noise[: shape[0] - top, : shape[1] - left]
                whole[top : top + side, left : left + side] = part / noise.std()
        return self.lasting * (1 + self.rms * whole)


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


def featureless(seed: int) -> np.ndarray | None:
    """Place one featureless session; returns errors of tiles with limb, NaN where not placed."""
    made = cut(Sun(smooth_sun(), CENTRE, RADIUS), Cutting((3, 4), 0.2, mount_px=8), np.random.default_rng([seed, 5]))
    found = place_tiles(made.tiles, PlacementSettings(fit_drift=False))
    if found.limb is None:
        return None
    # the disk's centre is what they are placed by
    return along_limb_normal(made, found.positions - made.places - (np.array(found.limb.centre_yx) - CENTRE))


def granulated(sun: Sun, drawing: Granulation, kind: Cutting, seed: int) -> tuple[np.ndarray, int, np.ndarray]:
    """Place one session of fresh granulation; returns errors of placed tiles, how many see disk, errors as stated."""
    rng = np.random.default_rng([seed, 6])
    made = cut(Sun(drawing.lasting, sun.centre_yx, sun.radius_px), kind, rng, suns=lambda _: drawing.drawn(rng))
    found = place_tiles(made.tiles, PlacementSettings(fit_drift=False))
    placed = np.isfinite(found.positions[:, 0])
    off = (found.positions - made.places)[placed]
    off = off - np.median(off, axis=0)
    return np.hypot(*off.T), sees_disk(sun, made), np.hypot(*found.sigma[placed].T)


def main() -> None:
    """Cut, place, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--granulation", type=Path, metavar="IMAGE", help="full disk in white light")
    parser.add_argument("--scale", type=float, default=1.0, help="size of the Sun against the image's")
    parser.add_argument("--grid", default="3x4")
    parser.add_argument("--finest", type=float, default=10.0, help="arcsec; structure of shorter periods is drawn anew")
    parser.add_argument("--overlap", type=float, default=0.2)
    asked = parser.parse_args()
    if asked.granulation is None:
        errors = [error for seed in range(1, asked.seeds + 1) if (error := featureless(seed)) is not None]
        _tell("featureless", np.concatenate(errors) if errors else np.zeros(0), sum(map(len, errors)))
        return
    sun = real_sun(asked.granulation, scale=asked.scale)
    drawing = Granulation(sun, asked.finest)
    kind = Cutting(tuple(int(n) for n in asked.grid.split("x")), asked.overlap)
    inside = drawing.rms[tuple(np.rint(sun.centre_yx).astype(int))]
    print(f"radius {sun.radius_px:.1f} px, granulation of {100 * inside:.2f} % rms at the centre")
    for seed in range(1, asked.seeds + 1):
        error, seeing, stated = granulated(sun, drawing, kind, seed)
        _tell(f"seed {seed}", error, seeing, f", stated {np.sqrt(np.mean(stated**2)):.3f}")


def _tell(name: str, error: np.ndarray, seeing: int, more: str = "") -> None:
    known = error[np.isfinite(error)]
    rms, worst = (np.sqrt(np.mean(known**2)), np.abs(known).max()) if len(known) else (np.nan, np.nan)
    print(f"{name:20s}{len(known)} of {seeing} tiles placed, rms {rms:.3f} px, worst {worst:.3f}{more}", flush=True)


if __name__ == "__main__":
    main()
