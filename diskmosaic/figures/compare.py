"""Lay the truth under a result: the global map between them, and the true Sun on the finished disk's grid."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage, optimize

from diskmosaic.errors import bad_input
from diskmosaic.synthetic.plan import rotation
from diskmosaic.synthetic.sun import drift_px_per_s
from diskmosaic.synthetic.truth import TileTruth, Truth


@dataclass(frozen=True)
class Result:
    """What a run left under OUT; arrays native float32 or int16 (h, w).

    ``frames`` holds the FRAMES table of each placed tile, None where its file is missing; ``to_disk`` is (n,
    2, 3).
    """

    natural: NDArray[np.float32]
    uniform: NDArray[np.float32]
    weight: NDArray[np.float32]
    tile: NDArray[np.int16]
    header: fits.Header
    assembly: dict
    to_disk: NDArray[np.float64]
    frames: tuple[NDArray[np.void] | None, ...]
    flat: NDArray[np.float32] | None
    flat_frames: int


@dataclass(frozen=True)
class Comparison:
    """A result with the truth laid under it.

    Attributes
    ----------
    result : Result
    truth : Truth
    known : tuple of TileTruth
        Of each placed tile, in the result's order.
    linear : float64 (2, 2)
        Turn (and mirror image, and scale) from the Sun's image to the disk, on (y, x).
    origin : float64 (2,)
        ``disk = origin + linear @ sun``.
    ideal_yx, found_yx : float64 (n, 2)
        Where the sensors' centres are on the disk by the truth (through the map) and by the result.
    radius : float32 (h, w)
        Distance from the true disk centre in true radii.
    sun : float32 (h, w)
        The true Sun on the disk's grid, blurred like the result.
    ratio : float32 (h, w)
        log(natural / sun); NaN where uncovered or off the disk (beyond 0.985 radii).
    """

    result: Result
    truth: Truth
    known: tuple[TileTruth, ...]
    linear: NDArray[np.float64]
    origin: NDArray[np.float64]
    ideal_yx: NDArray[np.float64]
    found_yx: NDArray[np.float64]
    radius: NDArray[np.float32]
    sun: NDArray[np.float32]
    ratio: NDArray[np.float32]


def read_result(out: Path) -> Result:
    """Read OUT of a finished run.

    Raises
    ------
    InputError
        Where `out` holds no ``disk.fits`` and ``assembly.json``.
    """
    out = Path(out)
    if not ((out / "disk.fits").is_file() and (out / "assembly.json").is_file()):
        raise bad_input(
            out,
            found="no disk.fits and assembly.json",
            expected="the folder of results of a finished run",
            todo="run the session first",
        )
    assembly = json.loads((out / "assembly.json").read_text())
    with fits.open(out / "disk.fits", memmap=False) as hdus:
        natural, uniform, weight = (_native(hdus[k].data, np.float32) for k in (0, "UNIFORM", "WEIGHT"))
        tile = _native(hdus["TILE"].data, np.int16)
        header = hdus[0].header.copy()
    frames = []
    for placed in assembly["tiles"]:
        path = out / "tiles" / (Path(placed["recording"]).stem + ".fits")
        if path.is_file():
            with fits.open(path, memmap=False) as hdus:
                frames.append(np.array(hdus["FRAMES"].data))
        else:
            frames.append(None)
    flat, count = None, 0
    if (out / "masters" / "flat.fits").is_file():
        with fits.open(out / "masters" / "flat.fits", memmap=False) as hdus:
            flat = _native(hdus[0].data, np.float32)
            count = next((int(hdus[0].header[key]) for key in ("FRAMES", "NFRAMES") if key in hdus[0].header), 0)
    to_disk = np.array([placed["to_disk"] for placed in assembly["tiles"]], float).reshape(-1, 2, 3)
    return Result(natural, uniform, weight, tile, header, assembly, to_disk, tuple(frames), flat, count)


def compare(result: Result, truth: Truth) -> Comparison:
    """Fit the global map from the true Sun to the finished disk, and draw the true Sun there."""
    by_name = {tile.recording: tile for tile in truth.tiles}
    known = tuple(by_name[placed["recording"]] for placed in result.assembly["tiles"])
    centre = (np.array(truth.plan.tile_shape) - 1) / 2
    found = result.to_disk[:, :, :2] @ centre + result.to_disk[:, :, 2]
    where = np.array([true_position(tile, frames, truth) for tile, frames in zip(known, result.frames, strict=True)])
    linear = nominal_map(result, truth)
    turned = any(abs(placed["angle_deg"]) > 1e-3 or placed["mirrored"] for placed in result.assembly["tiles"])
    if turned and len(known) > 1:
        linear = fitted_turn(where, found, linear)
    origin = found.mean(0) - linear @ where.mean(0)
    ideal = where @ linear.T + origin

    image, radius = true_sun(result, truth, linear, origin)
    seen = (result.weight > 0) & np.isfinite(result.natural) & (result.natural > 0) & (radius < 0.985)
    blurred = ndimage.gaussian_filter(image, fitted_blur(image, result.natural, seen & (radius < 0.9)))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(seen, np.log(result.natural / blurred), np.nan).astype(np.float32)
    return Comparison(result, truth, known, linear, origin, ideal, found, radius, blurred, ratio)


def true_sun(
    result: Result, truth: Truth, linear: NDArray[np.float64], origin: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Draw the true Sun on the disk's grid, not blurred; also the distance from its centre in radii."""
    y, x = np.mgrid[: result.natural.shape[0], : result.natural.shape[1]].astype(np.float64)
    back = np.linalg.inv(linear)
    sun_y = back[0, 0] * (y - origin[0]) + back[0, 1] * (x - origin[1])
    sun_x = back[1, 0] * (y - origin[0]) + back[1, 1] * (x - origin[1])
    sun = truth.sun
    radius = np.hypot(sun_y - sun.centre_yx[0], sun_x - sun.centre_yx[1]) / sun.radius_px
    seconds = _seconds(result, truth)
    if truth.plan.minutes_between_tiles > 0 and seconds != 0:
        velocity = drift_px_per_s(sun, sun_y, sun_x, north_deg=truth.plan.solar_north_deg)
        sun_y -= velocity[0] * seconds
        sun_x -= velocity[1] * seconds
    image = ndimage.map_coordinates(sun.image, [sun_y, sun_x], order=3, mode="nearest", output=np.float32)
    return np.maximum(image, 1e-6), radius.astype(np.float32)


def true_position(tile: TileTruth, frames: NDArray[np.void] | None, truth: Truth) -> NDArray[np.float64]:
    """Give where on the Sun's image the sensor's centre looked, in the weighted mean over the frames used."""
    mean = tile.shifts.mean(0)
    if frames is not None and frames["weight"].sum() > 0:
        mean = np.average(tile.shifts[frames["frame"]], axis=0, weights=frames["weight"])
    return np.array(tile.position_yx) + true_turn(tile, truth) @ mean


def true_turn(tile: TileTruth, truth: Truth) -> NDArray[np.float64]:
    """Give the 2x2 map from a tile's sensor to the Sun's image."""
    k = [other.recording for other in truth.tiles].index(tile.recording)
    return rotation(truth.plan.angle_deg(k, len(truth.tiles)))


def nominal_map(result: Result, truth: Truth) -> NDArray[np.float64]:
    """Give the 2x2 map from the Sun's image to the disk that the tiles' matrices and the true camera angle
    imply."""
    by_name = {tile.recording: tile for tile in truth.tiles}
    turns = [true_turn(by_name[placed["recording"]], truth) for placed in result.assembly["tiles"]]
    linear = np.mean(result.to_disk[:, :, :2] @ np.linalg.inv(turns), axis=0)
    left, sizes, right = np.linalg.svd(linear)
    return left @ right * sizes.mean()


def fitted_turn(where: NDArray, found: NDArray, linear: NDArray, *, scale: bool = False) -> NDArray[np.float64]:
    """Turn (and scale) `linear` to bring the points `where` best onto `found`."""
    a = (where - where.mean(0)) @ linear.T
    b = found - found.mean(0)
    z = np.sum((a[:, 0] - 1j * a[:, 1]) * (b[:, 0] + 1j * b[:, 1]))
    size = abs(z) / np.sum(a**2) if scale else 1.0
    c, s = z.real / abs(z) * size, z.imag / abs(z) * size
    return np.array([[c, -s], [s, c]]) @ linear


def smooth(values: NDArray, mask: NDArray[np.bool_], sigma_px: float) -> NDArray[np.float32]:
    """Smooth the good values with a Gaussian that knows nothing of the others; 0 far from any good value."""
    weight = ndimage.gaussian_filter(mask.astype(np.float32), sigma_px)
    total = ndimage.gaussian_filter(np.where(mask, values, 0).astype(np.float32), sigma_px)
    return np.where(weight > 1e-4, total / np.maximum(weight, 1e-4), 0)


def _native(data: NDArray, dtype: type) -> NDArray:
    return np.ascontiguousarray(data).astype(dtype)


def _seconds(result: Result, truth: Truth) -> float:
    """Give the disk's own time after the truth's reference: its header's, else the tiles' mean."""
    for key in ("DATE-AVG", "DATE-OBS"):
        if key in result.header:
            then = np.datetime64(str(result.header[key]).rstrip("Z"))
            return float((then - np.datetime64(truth.reference_utc)) / np.timedelta64(1, "s"))
    return float(np.mean([tile.seconds for tile in truth.tiles]))


def fitted_blur(image: NDArray, natural: NDArray, mask: NDArray[np.bool_]) -> float:
    """Find the blur, px, that makes the true Sun most like the result at scales below 6 px."""
    rows, columns = np.nonzero(mask)
    if rows.size == 0:
        return 1.0
    # the middle of the disk tells it as well as the whole
    part = tuple(
        slice(max(int(i.mean()) - 350, i.min()), min(int(i.mean()) + 350, i.max()) + 1) for i in (rows, columns)
    )
    image, inside = image[part], mask[part]
    wanted = np.log(np.where(inside, natural[part], 1))
    wanted -= smooth(wanted, inside, 6)

    def misfit(sigma: float) -> float:
        trial = np.log(ndimage.gaussian_filter(image, sigma))
        return float(np.mean((trial - smooth(trial, inside, 6) - wanted)[inside] ** 2))

    return float(optimize.minimize_scalar(misfit, bounds=(0.05, 4), method="bounded", options={"xatol": 0.02}).x)
