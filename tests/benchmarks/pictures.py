"""How long the usual pictures of a large disk take, and the memory they need; nothing is written.

    python tests/benchmarks/pictures.py [--side 10000] [--jobs 2]

The aim for a side of 10,000 px, files and all, is 180 s on 2 cores and 4 GB.
"""

from __future__ import annotations

import argparse
import resource
import time

import cv2
import numpy as np
from diskmosaic.observation import Observation
from diskmosaic.pictures.light import in_order
from diskmosaic.pictures.make import Maker
from diskmosaic.pictures.paint import paint
from diskmosaic.records.light import Disk
from diskmosaic.records.places import Circle


def large_disk(side: int) -> Disk:
    """Return an invented disk, made row by row."""
    rng = np.random.default_rng(1)
    radius, centre = 0.44 * side, ((side - 1) / 2, (side - 1) / 2)
    grain = cv2.GaussianBlur(rng.standard_normal((1024, 1024)).astype(np.float32), (0, 0), 2.0)
    grain /= grain.std()
    natural, uniform = np.empty((side, side), np.float32), np.empty((side, side), np.float32)
    x = np.arange(side, dtype=np.float32) - centre[1]
    for y in range(side):
        r = np.hypot(np.float32(y - centre[0]), x)
        mu = np.sqrt(np.clip(1 - (r / radius) ** 2, 0, 1))
        inside = np.clip((radius - r) / 4 + 0.5, 0, 1)
        row = inside * (1 + 0.04 * np.resize(grain[y % 1024], side)) + 0.01
        row += 0.003 * rng.standard_normal(side, dtype=np.float32)
        natural[y], uniform[y] = row * (0.4 + 0.6 * mu), row
    weight = np.full((side, side), 300, np.float32)
    tile = np.zeros((side, side), np.int16)
    limb = Circle(centre, radius, 0.1, 1440)
    cards = {"NORTHUP": True, "DATE-OBS": "2031-05-04T10:20:00", "SOLAR_P0": -23.0, "HGLT_OBS": -3.9, "CRLN_OBS": 10.0}
    return Disk(natural, uniform, weight, tile, np.eye(2, 3)[None], limb, cards, np.zeros((0, 2)), 952 / radius)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--side", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    maker = Maker(large_disk(asked.side), Observation(name="Large", wavelength_nm=656.28), jobs=asked.jobs)
    start, cpu = time.perf_counter(), time.process_time()
    print(f"{'recipe':14s} {'s':>6s} {'CPU s':>6s} {'peak GB':>8s}")
    recipes = maker.usual()
    for name in in_order(recipes):
        recipe = recipes[name]
        begun, used = time.perf_counter(), time.process_time()
        picture = maker.make(name, recipe)
        if picture.marks is not None:
            paint(picture.pixels, picture.marks)
        del picture
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"{name:14s} {time.perf_counter() - begun:6.1f} {time.process_time() - used:6.1f} {peak:8.2f}", flush=True
        )
    print(f"{'all':14s} {time.perf_counter() - start:6.1f} {time.process_time() - cpu:6.1f}")


if __name__ == "__main__":
    main()
