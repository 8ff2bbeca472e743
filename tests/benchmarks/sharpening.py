"""What deblurring does to scenes whose truth is known.

    python tests/benchmarks/sharpening.py IMAGE [IMAGE ...] [--scale 0.5]

Each full-disk image is blurred and given noise; the result is held against the image itself, beside an unregularised
strength, none at all, and Richardson and Lucy's iteration from scikit-image with the same blur.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from diskmosaic.arrays.limb_profile import find_edge
from diskmosaic.arrays.sharpen import deblur, measure_spectrum
from sessions import real_sun
from skimage.restoration import richardson_lucy


def measure(image: Path, scale: float, blur_px: float, noise: float) -> str:
    """Blur, deblur, compare: one line."""
    sun = real_sun(image, scale=scale)
    rng = np.random.default_rng(0)
    blurred = cv2.GaussianBlur(sun.image, (0, 0), blur_px)
    weight = np.full(blurred.shape, 100, np.float32)
    seen = (blurred + noise * rng.standard_normal(blurred.shape)).astype(np.float32)
    edge = find_edge(seen, sun.centre_yx, sun.radius_px)
    made = deblur(seen, weight, edge, measure_spectrum(seen, weight, edge))
    width = int(4 * edge.blur_px) * 2 + 1
    kernel = cv2.getGaussianKernel(width, edge.blur_px)
    peer = richardson_lucy(np.clip(seen, 1e-4, None), kernel @ kernel.T, num_iter=10, clip=False)
    y, x = np.mgrid[: seen.shape[0], : seen.shape[1]]
    r = np.hypot(y - sun.centre_yx[0], x - sun.centre_yx[1])
    disk = r < 0.95 * sun.radius_px

    def rms(values):
        return float(np.sqrt(np.mean((values - sun.image)[disk] ** 2)))

    def ring(values):
        k = np.floor((r - sun.radius_px + 15) / 0.5).astype(int)
        inside = (k >= 0) & (k < 60)
        return np.bincount(k[inside], values[inside]) / np.bincount(k[inside])

    before, sharp = ring(seen), ring(sun.image)

    def over(values):
        return float((ring(values) - np.maximum(before, sharp)).max() / (before[0] - before[-1]))

    return (
        f"{image.stem:24s} {blur_px:4.1f} {100 * noise:6.1f} {edge.blur_px:9.2f} {made.half_px:6.2f} "
        f"{made.noise_gain:6.2f} {100 * rms(seen):8.2f} {100 * rms(made.image):8.2f} {100 * rms(peer):8.2f} "
        f"{100 * over(made.image):8.2f} {100 * over(peer):8.2f}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("images", type=Path, nargs="+")
    parser.add_argument("--scale", type=float, default=0.5)
    asked = parser.parse_args()
    print(
        "                         blur  noise  measured   left  noise  rms error, % of the centre  overshoot, % (aim 3)"
    )
    print("                           px      %        px     px  times   before    after     peer     ours     peer")
    for image in asked.images:
        for blur_px in (1.2, 2.0):
            for noise in (0.002, 0.01):
                print(measure(image, asked.scale, blur_px, noise))


if __name__ == "__main__":
    main()
