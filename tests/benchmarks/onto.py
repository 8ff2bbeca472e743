"""What it costs to put a disk onto another map's grid: one direct interpolation against a general library.

    python tests/benchmarks/onto.py [--side 1500]

Both put the same disk onto the same grid (turned by 7 degrees, pixels 1.1 times as large), at the same time and for
the same observer, so that the answers can be compared; then the direct way does what the map's time asks, too. Times
are processor seconds, the least of three. Aims: the same answer to 0.2 % of the disk's level; no slower
than the library.
"""

from __future__ import annotations

import argparse
import time
import warnings

import numpy as np
from astropy.io import fits
from diskmosaic.disk.onto import put_onto
from diskmosaic.files.solarmap import grid_of
from diskmosaic.sky.sun import ephemeris, helioprojective_cards
from scipy import ndimage

TIME = "2024-09-08T12:00:00"


def made_disk(side: int) -> tuple[fits.Header, np.ndarray]:
    """Make a disk with structure, and its cards."""
    sun = ephemeris(TIME)
    radius = 0.45 * side
    centre = (side / 2 + 3.3, side / 2 - 2.2)
    rng = np.random.default_rng(1)
    grain = ndimage.gaussian_filter(rng.normal(size=(side, side)), 2)
    y, x = np.indices((side, side))
    r = np.hypot(y - centre[0], x - centre[1]) / radius
    image = (1 + 0.05 * grain / grain.std()) * np.clip((1 - r) * radius / 3, 0, 1)
    return cards(centre, sun.radius_arcsec / radius), image.astype(np.float32)


def cards(centre, scale, *, turn=0.0, when=TIME) -> fits.Header:
    """Give the cards of a map."""
    header = fits.Header()
    header.update(
        helioprojective_cards(
            time_utc=when, centre_yx=centre, arcsec_per_px=scale, ephemeris=ephemeris(when), rotation_deg=turn
        )
    )
    return header


def least(action, repeats: int = 3):
    """Return the answer and the least processor time."""
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        answer = action()
        spent.append(time.process_time() - start)
    return answer, min(spent)


def main() -> None:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--side", type=int, default=1500)
    side = parser.parse_args().side
    import sunpy.coordinates  # noqa: F401 - the library needs it for solar axes
    from astropy.wcs import WCS
    from reproject import reproject_interp

    header, image = made_disk(side)
    scale = 1.1 * header["CDELT1"]
    source = grid_of(header, image.shape, "disk")
    target_header = cards((side / 2, side / 2), scale, turn=7.0)
    target = grid_of(target_header, image.shape, "map")
    later = grid_of(cards((side / 2, side / 2), scale, turn=7.0, when="2024-09-08T16:00:00"), image.shape, "later")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        library, library_s = least(
            lambda: reproject_interp(
                (image, WCS(header)), WCS(target_header), shape_out=image.shape, order=3, return_footprint=False
            )
        )
    (direct,), direct_s = least(lambda: put_onto(target, source, [image]))
    _, later_s = least(lambda: put_onto(later, source, [image]))
    both = np.isfinite(library) & np.isfinite(direct)
    print(f"{side} x {side} px, one image; cubic interpolation in both")
    print(f"{'':34s}{'CPU s':>8s}{'s a Mpx':>9s}")
    for name, spent in (
        ("general library (reproject)", library_s),
        ("direct", direct_s),
        ("direct, 4 hours of turning", later_s),
    ):
        print(f"{name:34s}{spent:8.2f}{spent / side**2 * 1e6:9.2f}")
    miss = np.abs(library - direct)[both]
    print(
        f"rms difference {np.sqrt(np.mean(miss**2)):.1e}, largest {miss.max():.1e} of the disk's level (aim: rms 0.002)"
    )


if __name__ == "__main__":
    main()
