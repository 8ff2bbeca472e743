"""Make a simulated session from a full-disk image of the real Sun.

    python tests/benchmarks/sessions.py IMAGE FOLDER [--hard] [--scale 0.5] [--frames 300] ...

The disk is found in the image (steepest edge along rays, circle by clipped least squares); its radius then
is the truth's. The truth goes to ``FOLDER-truth``. With ``--measure OUT`` nothing is made: the run in OUT is
measured against ``FOLDER-truth``.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import cv2
import numpy as np
from diskmosaic.figures import measure, print_table
from diskmosaic.synthetic import Sun, hard, make_session, plain
from PIL import Image
from scipy import ndimage

SKY = 0.002
"""Least brightness, in units of the disk centre: the simulator wants light everywhere."""


def real_sun(path: Path, *, scale: float = 1.0) -> Sun:
    """Read a full-disk image as a `Sun` whose disk centre has a brightness of 1."""
    Image.MAX_IMAGE_PIXELS = 400_000_000
    with Image.open(path) as picture:
        image = np.asarray(picture.convert("L"), np.float32)
    # 8-bit steps in a smooth disk would be structure that no camera blurs away
    image = cv2.GaussianBlur(image, (0, 0), max(0.5, 0.5 / scale))
    if scale != 1:
        image = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    centre, radius = find_disk(image)
    y, x = (round(c) for c in centre)
    reach = int(radius / 6)
    image = image / np.median(image[y - reach : y + reach, x - reach : x + reach])
    return Sun(np.maximum(image, SKY).astype(np.float32), centre, radius)


def find_disk(image: np.ndarray) -> tuple[tuple[float, float], float]:
    """Find the disk's centre (y, x) and radius, px: steepest edge along 1,440 rays, twice, then a circle."""
    soft = cv2.GaussianBlur(image, (0, 0), 1.5)
    bright = soft > 0.25 * np.percentile(soft, 90)
    centre = np.array(ndimage.center_of_mass(bright))
    radius = np.sqrt(bright.sum() / np.pi)
    angles = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    rays = np.stack([np.sin(angles), np.cos(angles)])
    for width in (0.05, 0.01):
        reach = np.arange(radius * (1 - width), radius * (1 + width), 0.25)
        points = centre[:, None, None] + rays[:, :, None] * reach
        fall = -np.gradient(ndimage.map_coordinates(soft, points, order=3, mode="nearest"), axis=1)
        best = np.clip(fall.argmax(1), 1, len(reach) - 2)
        low, top, high = (np.take_along_axis(fall, best[:, None] + k, 1)[:, 0] for k in (-1, 0, 1))
        edge = reach[best] + 0.25 * 0.5 * (low - high) / np.minimum(low - 2 * top + high, -1e-9)
        good = np.ones(edge.size, bool)
        design = np.column_stack([rays.T, np.ones(edge.size)])
        for _ in range(6):
            # for small offsets of the centre the edge's distance is R + offset along the ray
            fit = np.linalg.lstsq(design[good], edge[good], rcond=None)[0]
            left = edge - design @ fit
            good = np.abs(left) < max(3 * 1.4826 * np.median(np.abs(left[good])), 0.05)
        centre, radius = centre + fit[:2], float(fit[2])
    return (float(centre[0]), float(centre[1])), radius


def main() -> None:
    """Parse, make, say what was made."""
    plain_text = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=plain_text)
    parser.add_argument("image", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hard", action="store_true")
    parser.add_argument("--turn", type=float, default=0.0, help="degrees by which the field turns during the session")
    parser.add_argument("--flip", action="store_true", help="half of the tiles after a meridian flip")
    parser.add_argument("--scale", type=float, default=1.0, help="size of the Sun against the image's")
    parser.add_argument("--tile", type=int, nargs=2, default=(480, 640), metavar=("H", "W"))
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--flat-frames", type=int, default=100)
    parser.add_argument("--overlap", type=float)
    parser.add_argument("--bit-depth", type=int, default=8)
    parser.add_argument("--level", type=float, default=0.6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--measure", type=Path, metavar="OUT", help="measure this run instead")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    asked = parser.parse_args()
    truth = asked.folder.with_name(asked.folder.name + "-truth")
    if asked.measure:
        figures = measure(asked.measure, truth)
        if asked.json:
            print(json.dumps(figures))
        else:
            print_table(figures)
        return
    start = time.perf_counter()
    sun = real_sun(asked.image, scale=asked.scale)
    changes = {
        "tile_shape": tuple(asked.tile),
        "frames": asked.frames,
        "flat_frames": asked.flat_frames,
        "bit_depth": asked.bit_depth,
        "level": asked.level,
    }
    changes["field_turn_deg"] = asked.turn
    if asked.flip:
        changes["flip_after"] = 6
    if asked.overlap is not None:
        changes["overlap"] = asked.overlap
    made = make_session(asked.folder, sun, (hard if asked.hard else plain)(**changes), seed=asked.seed, truth=truth)
    y, x = sun.centre_yx
    print(f"{len(made.tiles)} tiles, disk of {sun.radius_px:.2f} px about ({y:.2f}, {x:.2f})", end="; ")
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
