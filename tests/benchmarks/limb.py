"""The limb and the uniform disk against known truths; prints tables with aims.

    python tests/benchmarks/limb.py [--seeds 100] [--arcs 360 180 60] [--image FULL_DISK_IMAGE ...] [--scale 0.5]

Without images: the limb of drawn disks over many seeds, whole and in parts, against the Cramer-Rao bound of circle
arcs, beside scikit-image's circle fit on the same points; and the white-light image in sunpy's wheel against the
ephemeris and Neckel & Labs 1994 (Solar Physics 153, 91). With images, each is blurred as seeing would, and its limb
and uniform disk are held against the unblurred image's own.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from diskmosaic.arrays.edge import standard_blur, steepest
from diskmosaic.disk.uniform import flatten
from diskmosaic.limb.limb import fit_limb
from diskmosaic.limb.points import edge_points
from diskmosaic.records.places import Circle
from diskmosaic.settings import LimbSettings
from diskmosaic.sky.sun import ephemeris, limb_darkening
from PIL import Image
from skimage.measure import CircleModel

CENTRE, RADIUS, SHAPE = (611.37, 648.81), 570.4, (1230, 1300)
STEP, RISE = 0.4, 0.6
# deviations in units of noise/sqrt(points): along the bisector, across, radius (rows cos, sin, 1 of Fisher's matrix)
BOUND = {360: (1.414, 1.414, 1.000), 180: (3.25, 1.41, 2.30), 60: (25.0, 3.40, 23.8)}


def drawn_disk() -> np.ndarray:
    """A limb-darkened disk with a sharp edge, averaged from four times finer pixels, then blurred by 1.3 px."""
    y, x = (((np.arange(4 * n, dtype=np.float32) + 0.5) / 4 - 0.5) for n in SHAPE)
    r = np.hypot(y[:, None] - np.float32(CENTRE[0]), x[None] - np.float32(CENTRE[1])) / np.float32(RADIUS)
    light = np.where(r < 1, STEP + RISE * np.sqrt(np.clip(1 - r * r, 0, 1)), 0.01).astype(np.float32)
    return cv2.GaussianBlur(cv2.resize(light, SHAPE[::-1], interpolation=cv2.INTER_AREA), (0, 0), 1.3)


def seeds(count: int, arcs: list[int]) -> None:
    """Errors of the limb over `count` seeds, with so many degrees of it."""
    clean = drawn_disk()
    true_radius = RADIUS + steepest(STEP, RISE, RADIUS, standard_blur(RADIUS))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    angle = np.rad2deg(np.arctan2(y - CENTRE[0], x - CENTRE[1]))
    print(f"{'arc':>5} {'noise':>6} {'':8} {'error, px':>22} {'over bound':>22} {'pull':>18}   general peer, px")
    print(f"{'':5} {'':6} {'':8} {'along  across  radius':>22} {'(aim 1.5 for 60)':>22} {'(aim 0.8-1.25)':>18}")
    for arc in arcs:
        bound = BOUND[arc]
        for noise, grain in ((0.01, 0.0), (0.03, 0.0), (0.03, 4.0)):
            errors, pulls, peers, scatter, number = [], [], [], [], 0.0
            for seed in range(count):
                rng = np.random.default_rng(seed)
                field = rng.standard_normal(SHAPE, np.float32)
                if grain:
                    # structure as large as seeing leaves it: neighbouring rays err together
                    field = cv2.GaussianBlur(field, (0, 0), grain) * np.float32(2 * np.sqrt(np.pi) * grain)
                image = clean + np.float32(noise) * field
                if arc < 360:
                    image = np.where(np.abs(angle) < arc / 2, image, np.float32(np.nan))
                circle = fit_limb(image, LimbSettings(), start=(CENTRE[0] + 1, CENTRE[1] - 1, RADIUS + 1))
                error = np.array([circle.centre_yx[1] - CENTRE[1], circle.centre_yx[0] - CENTRE[0],
                                  circle.radius_px - true_radius])  # fmt: skip
                errors.append(error)
                pulls.append(error / np.array([circle.sigma[1], circle.sigma[0], circle.sigma[2]]))
                points = edge_points(image, CENTRE, RADIUS)[:, :2]
                peers.append(CircleModel.from_estimate(points).radius + circle.edge_px - true_radius)
                scatter.append(circle.rms_px)
                number = circle.points
            rms, pull = (np.sqrt(np.mean(np.square(a), axis=0)) for a in (errors, pulls))
            ratio = rms / (np.array(bound) * np.median(scatter) / np.sqrt(number))
            kind = f"{grain:g} px" if grain else "white"
            cells = (" ".join(f"{v:7.{digits}f}" for v in a) for a, digits in ((rms, 4), (ratio, 2), (pull, 2)))
            print(f"{arc:5} {noise:6} {kind:8} {'   '.join(cells)}   {np.sqrt(np.mean(np.square(peers))):.3f}")


def white_light_sample() -> None:
    """The image in sunpy's wheel: limb against the ephemeris, curve against the published law."""
    import sunpy

    path = Path(sunpy.__file__).parent / "data/test/2023_01_31__03_39_23_200__SDO_HMI_HMI_continuum.jp2"
    with Image.open(path) as picture:
        image = np.asarray(picture.convert("L"), np.float32)
    limb = fit_limb(image, LimbSettings())
    expected = ephemeris("2023-01-31T03:39:23").radius_arcsec / 4.80000016
    sigma = np.hypot(limb.sigma[2], LimbSettings().height_sigma_arcsec / 4.8)
    print(f"sample: radius {limb.radius_px:.3f} px, ephemeris {expected:.3f}, uncertainty {sigma:.3f}")
    _, profile, _ = flatten(image, limb)
    mu = np.sqrt(np.clip(1 - profile[:, 0] ** 2, 0, 1))
    use = mu > 0.2
    law = limb_darkening(mu[use], 617.3)
    light = profile[use, 1]
    off = light / law / np.median((light / law)[mu[use] > 0.9]) - 1
    for low, high in ((0.9, 1), (0.7, 0.9), (0.5, 0.7), (0.35, 0.5), (0.25, 0.35), (0.2, 0.25)):
        part = (mu[use] >= low) & (mu[use] < high)
        print(f"  mu {low}-{high}: {100 * np.median(off[part]):+.2f} % off Neckel & Labs (aim 1.5)")


def real_image(path: Path, scale: float) -> None:
    """A full-disk image, blurred: limb and uniform disk against its own."""
    from sessions import real_sun

    sun = real_sun(path, scale=scale)
    for blur in (0.7, 1.2, 1.8):
        image = cv2.GaussianBlur(sun.image, (0, 0), blur)
        limb = fit_limb(image, LimbSettings())
        miss = np.hypot(*np.subtract(limb.centre_yx, sun.centre_yx))
        uniform = flatten(image, limb)[0]
        figures = uniform_figures(uniform, image, Circle(sun.centre_yx, sun.radius_px, 0.1, 10))
        print(f"{path.name} blur {blur}: centre {miss:.3f}, radius {limb.radius_px - sun.radius_px:+.3f} px; ", end="")
        print("; ".join(f"{name} {100 * value:.2f} %" for name, value in figures.items()))


def uniform_figures(uniform: np.ndarray, image: np.ndarray, true: Circle) -> dict[str, float]:
    """Hold a uniform disk against `image` over the medians of its own rings of 0.01 (towards the limb 0.002) radii."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    y, x = y - true.centre_yx[0], x - true.centre_yx[1]
    r = np.hypot(y, x) / true.radius_px
    edges = np.concatenate([np.arange(0, 0.96, 0.01), np.arange(0.96, 0.9951, 0.0025)])
    ring = np.digitize(r, edges) - 1
    inside = r < edges[-1]
    middles = (edges[1:] + edges[:-1]) / 2
    own_level = np.array([np.median(image[ring == k]) for k in range(len(middles))])
    own = image / np.interp(r, middles, own_level)
    ratio = np.where(inside, uniform / own, np.nan)
    level = np.array([np.median(ratio[ring == k]) for k in range(len(middles))])
    inner = (middles >= 0.15) & (middles <= 0.97)
    level /= level[inner].mean()
    sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * 16).astype(int) % 16
    body = (r > 0.15) & (r < 0.97)
    around = np.array([np.median(ratio[body & (sector == k)]) for k in range(16)])
    strong = body & (np.abs(own - 1) > 0.12)
    contrast = np.median(((uniform / np.median(uniform[body])) - 1)[strong] / (own - np.median(own[body]))[strong])
    rim = level[(middles > 0.97)] - 1
    return {
        "profile 0.15-0.97": float(level[inner].std()),
        "to 0.995, rms": float(np.sqrt(np.mean(rim**2))),
        "worst": float(np.abs(rim).max()),
        "sectors": float(around.std() / around.mean()),
        "contrast of strong structure": float(contrast - 1),
    }


def main() -> None:
    """Parse and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--arcs", type=int, nargs="+", choices=BOUND, default=list(BOUND), help="degrees of limb")
    parser.add_argument("--image", type=Path, nargs="*", default=[])
    parser.add_argument("--scale", type=float, default=0.5)
    asked = parser.parse_args()
    if asked.seeds:
        seeds(asked.seeds, asked.arcs)
    white_light_sample()
    for path in asked.image:
        real_image(path, asked.scale)


if __name__ == "__main__":
    main()
