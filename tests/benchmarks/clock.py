"""Tiles recorded over 45 minutes, under which the Sun turns: where features of the finished disk lie.

    python tests/benchmarks/clock.py [--radius 900] [--north 33]

30 tiles are cut, in random order, from an invented Sun of B0 = 7.2 deg that turns by the law of magnetic features
(Howard, Harvey & Forgach 1990; `tests/test_rotation.py` holds the arithmetic against sunpy), with 1 % of noise; they
are placed and blended at their mean time. Features are compared with the Sun at that time in patches of 64 px inside
0.9 radii, by phase correlation of scikit-image. Aim: 0.3 px rms with north known. Some minutes.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from diskmosaic.disk.bearings import find_bearings
from diskmosaic.disk.disk import orientation
from diskmosaic.disk.rounding import blend_round
from diskmosaic.observation import Observation
from diskmosaic.placement.placement import place_tiles
from diskmosaic.records.light import Levels
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from diskmosaic.settings import Settings
from diskmosaic.sky.rotation import SurfaceMotion
from diskmosaic.synthetic import invented_sun
from scipy import ndimage
from skimage.registration import phase_cross_correlation

TIME = "2024-09-08T12:00:00"
MINUTES, ROWS, COLUMNS, PATCH = 45.0, 6, 5, 64


def recorded(sun, observation: Observation, rng: np.random.Generator) -> list[Tile]:
    """Cut the tiles, each from the Sun as it had turned by then."""
    sides = zip(sun.image.shape, (ROWS, COLUMNS), strict=True)
    shape = tuple(int(side / (1 + (n - 1) * 0.75)) + 1 for side, n in sides)
    places = [(y, x) for y in np.linspace(0, sun.image.shape[0] - shape[0], ROWS)
              for x in np.linspace(0, sun.image.shape[1] - shape[1], COLUMNS)]  # fmt: skip
    motion = SurfaceMotion(TIME, orientation(observation))
    tiles = []
    for turn, k in enumerate(rng.permutation(len(places))):
        seconds = 60 * MINUTES * (turn / (len(places) - 1) - 0.5)
        y, x = np.mgrid[: shape[0], : shape[1]] + (np.array(places[k]) + rng.uniform(-8, 8, 2))[:, None, None]
        back_y, back_x = y, x
        for _ in range(3):  # where the feature seen here lies at the reference time
            dy, dx = motion.shift(back_y, back_x, sun.centre_yx, sun.radius_px, seconds)
            back_y, back_x = y - dy, x - dx
        image = ndimage.map_coordinates(sun.image, [back_y, back_x], order=3, mode="nearest")
        image = (20_000 * (image + 0.01 * rng.standard_normal(shape))).astype(np.float32)
        table = np.zeros(1, FRAME_DTYPE)
        table["weight"] = 1
        when = str(np.datetime64(TIME, "ms") + np.timedelta64(round(1000 * seconds), "ms"))
        name = f"t_{turn:02d}"
        tiles.append(Tile(name, image, np.full(shape, 30, np.float32), 200.0, table, 1.0, when, f"{name}.ser"))
    return tiles


def displacement(image, sun, to_sun) -> float:
    """Return the rms distance of features from the truth, one translation for all taken out, px."""
    shifts = []
    for y in range(PATCH, image.shape[0] - PATCH, PATCH):
        for x in range(PATCH, image.shape[1] - PATCH, PATCH):
            own = image[y - PATCH // 2 : y + PATCH // 2, x - PATCH // 2 : x + PATCH // 2]
            rows, columns = np.mgrid[y - PATCH // 2 : y + PATCH // 2, x - PATCH // 2 : x + PATCH // 2]
            at = np.tensordot(to_sun[:, :2], np.stack([rows, columns]), 1) + to_sun[:, 2][:, None, None]
            middle = at.mean(axis=(1, 2))
            if np.hypot(*(middle - sun.centre_yx)) > 0.9 * sun.radius_px or not np.isfinite(own).all():
                continue
            true = ndimage.map_coordinates(sun.image, at, order=3, mode="nearest")
            flat = [i / i.mean() for i in (true, own)]
            flat = [ndimage.gaussian_filter(i, 1) - ndimage.gaussian_filter(i, 8) for i in flat]
            window = np.outer(np.hanning(PATCH), np.hanning(PATCH))
            shifts.append(
                phase_cross_correlation(*(i * window for i in flat), upsample_factor=50, normalization=None)[0]
            )
    shifts = np.array(shifts)
    shifts -= np.median(shifts, axis=0)
    return float(np.sqrt(np.mean(np.sum(shifts**2, axis=1))))


def main() -> None:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--radius", type=float, default=900)
    parser.add_argument("--north", type=float, default=33.0)
    asked = parser.parse_args()
    rng = np.random.default_rng(8)
    sun = invented_sun(asked.radius, rng)
    true = Observation(north_deg=asked.north, mirrored=False)
    tiles = recorded(sun, true, rng)
    settings = Settings()
    settings = settings.model_copy(update={"placement": settings.placement.model_copy(update={"refraction": False})})
    ones = np.ones(len(tiles))
    levels = Levels(20_000 * ones, 0 * ones, np.ones(tiles[0].image.shape, np.float32), 0 * ones, 0.0)
    found = place_tiles(tiles, settings.placement, jobs=2)
    placed, drift = np.isfinite(found.positions[:, 0]).sum(), np.hypot(*found.drift_yx) * 60 * MINUTES
    print(f"{placed} of {len(tiles)} tiles placed; drift {drift:.2f} px in {MINUTES:.0f} min")
    still = replace(found, drift_yx=(0.0, 0.0), times=None)
    for name, placement, known in (
        ("not taken out", still, Observation()),
        ("north unknown: fitted drift", found, Observation()),
        ("north known, mirror open", found, Observation(north_deg=asked.north)),
        ("north and mirror known", found, true),
    ):
        lying, _, told = find_bearings(placement, tiles, known)
        # the layout stays the sensor's: only the motion differs
        made = blend_round(tiles, lying, levels, Observation(), settings)
        offset = np.array(sun.centre_yx) - made.limb.centre_yx
        rms = displacement(made.mosaic.image, sun, np.column_stack([np.eye(2), offset]))
        by = "law" if lying.motion is not None else "drift" if np.any(lying.drift_yx) else "-"
        print(f"{name:30s}{rms:6.3f} px  {by:6s}{'; '.join(told)}")


if __name__ == "__main__":
    main()
