"""Figures of light: the flat, what the pattern left behind, seams, the radial profile, noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from diskmosaic.blend.seam_steps import strips_along_x
from diskmosaic.figures.compare import Comparison, smooth
from diskmosaic.synthetic.truth import Truth

FINE_PX = 20.0
"""High-pass of pattern and result where the pattern's remainder is measured: sigma, px."""


def flat(seen: Comparison) -> dict[str, float | None]:
    """Master flat against the true pattern at scales below 30 px: rms, its photon limit, their ratio."""
    truth, master = seen.truth, seen.result.flat
    frames = seen.result.flat_frames or truth.plan.flat_frames
    if master is None or frames == 0:
        return {"flat_rms": None, "flat_photon_limit": None, "flat_over_limit": None}
    good = truth.parts["good"] & np.isfinite(master) & (master > 0)
    light = _without_surface(np.log(np.where(good, master / truth.parts["pattern_flat"], 1)), good)
    fine = (light - smooth(light, good, 30 / 2))[good]
    expected = truth.parts["pattern_flat"] * truth.parts["flat_light"]
    level = expected[good] * truth.plan.flat_level * truth.level_adu / truth.plan.level
    limit = np.sqrt(np.mean(relative_variance(level, truth)) / frames)
    rms = float(np.sqrt(np.mean(fine.astype(np.float64) ** 2)))
    return {"flat_rms": rms, "flat_photon_limit": float(limit), "flat_over_limit": float(rms / limit)}


def pattern_left(seen: Comparison) -> dict[str, float | None]:
    """Coefficients of the true dust and rings, laid at each tile's place, in log(natural disk / truth).

    1 is a pattern wholly left in; dust over all tiles at once, rings per tile (mean and worst of the sizes).
    """
    parts = seen.truth.parts
    good = np.isfinite(seen.ratio) & (seen.radius < 0.97)
    left = seen.ratio - smooth(seen.ratio, good, FINE_PX)
    whole = np.ones(seen.truth.plan.tile_shape, bool)
    maps = [np.log(parts[name]) for name in ("dust", "rings")]
    maps = [(m - smooth(m, whole, FINE_PX)).astype(np.float32) for m in maps]
    normal, right, rings = np.zeros((2, 2)), np.zeros(2), []
    for k, matrix in enumerate(seen.result.to_disk):
        rows, columns = np.nonzero(good & (seen.result.tile == k))
        if rows.size < 200:
            continue
        back = np.linalg.inv(matrix[:, :2])
        points = back @ (np.stack([rows, columns]) - matrix[:, 2:])
        laid = [ndimage.map_coordinates(m, points, order=1, mode="nearest") for m in maps]
        values = left[rows, columns].astype(np.float64)
        design = np.stack([*laid, np.ones(rows.size)]).astype(np.float64)
        rest = values - np.linalg.lstsq(design.T, values, rcond=None)[0] @ design
        # what sticks out of the fit are misfits of spots and the like, not the sensor's
        kept = np.abs(rest) <= 8 * 1.4826 * np.median(np.abs(rest)) + 0.005
        design = np.stack([column[kept] - column[kept].mean() for column in design[:2]])
        target = values[kept] - values[kept].mean()
        normal += design @ design.T
        right += design @ target
        both = np.linalg.lstsq(design.T, target, rcond=None)[0]
        if design[1].std() > 0.1 * max(maps[1].std(), 1e-9):
            rings.append(abs(both[1]))
    # a sensor without dust or without rings has nothing to leave
    present = np.diag(normal) > 0
    dust = np.linalg.lstsq(normal, right, rcond=None)[0][0] if present[0] else None
    return {
        "dust_left": None if dust is None else float(abs(dust)),
        "rings_left": float(np.mean(rings)) if rings and present[1] else None,
        "rings_left_worst": float(np.max(rings)) if rings and present[1] else None,
    }


def seams(seen: Comparison, *, depth_px: int = 12, length_px: int = 24) -> dict[str, float | None]:
    """Brightness steps across seams less the same statistic at random places: median and 95th percentile.

    A step is the difference of the mean log(natural disk / truth) over two strips, `depth_px` deep and
    `length_px` long, 2 px off the seam on either side.
    """
    good = np.isfinite(seen.ratio) & (seen.radius < 0.95)
    tile = np.where(good, seen.result.tile, -1)
    values = np.where(good, seen.ratio, 0).astype(np.float32)
    at_seams, elsewhere = [], []
    rng = np.random.default_rng(0)
    for turned in (False, True):
        v, t = (np.ascontiguousarray(a.T) if turned else a for a in (values, tile))
        step, seam, clear, _ = strips_along_x(v, t, depth_px, length_px)
        at_seams.append(np.abs(step[seam]))
        others = np.abs(step[clear])
        elsewhere.append(rng.choice(others, min(others.size, 20_000), replace=False) if others.size else others)
    at_seams, elsewhere = np.concatenate(at_seams), np.concatenate(elsewhere)
    if at_seams.size < 20 or elsewhere.size < 20:
        return {"seam_median": None, "seam_p95": None}
    return {
        f"seam_{name}": float(max(0.0, np.percentile(at_seams, q) - np.percentile(elsewhere, q)))
        for name, q in (("median", 50), ("p95", 95))
    }


def level_error(seen: Comparison, *, smooth_px: float = 20.0) -> dict[str, float | None]:
    """Error of the large-scale level: rms of log(natural disk / truth), smoothed, one overall tilt fitted out.

    ``level_tilt`` is the size of that tilt, per radius.
    """
    good = np.isfinite(seen.ratio) & (seen.radius < 0.97)
    if good.sum() < 1000:
        return {"level_rms": None, "level_tilt": None}
    level = smooth(seen.ratio, good, smooth_px)[good].astype(np.float64)
    rows, columns = np.nonzero(good)
    y, x = rows - rows.mean(), columns - columns.mean()
    tilt = np.linalg.lstsq(np.stack([y, x], 1), level - level.mean(), rcond=None)[0]
    left = level - level.mean() - y * tilt[0] - x * tilt[1]
    radius_px = np.sqrt(good.sum() / np.pi) / float(seen.radius[good].max())
    return {"level_rms": float(left.std()), "level_tilt": float(np.hypot(*tilt) * radius_px)}


def sectors(seen: Comparison, *, count: int = 16) -> dict[str, float | None]:
    """Rms over sectors (0.15-0.97 radii) of the uniform disk over the truth's own uniform disk.

    ``sector_rest_rms`` is the same without what an overall tilt of the disk explains (once round the disk).
    """
    own, good = _own_uniform(seen)
    good &= (seen.radius > 0.15) & (seen.radius < 0.97)
    if good.sum() < 1000:
        return {"sector_rms": None, "sector_rest_rms": None}
    rows, columns = np.nonzero(good)
    # the true centre, from where the radius is least
    centre = np.unravel_index(int(np.argmin(seen.radius)), seen.radius.shape)
    angle = np.arctan2(rows - centre[0], columns - centre[1])
    part = np.minimum(((angle + np.pi) / (2 * np.pi) * count).astype(int), count - 1)
    values = np.log(seen.result.uniform[good] / own[good])
    level = np.array([np.median(values[part == k]) if (part == k).any() else np.nan for k in range(count)])
    told = np.isfinite(level)
    middle = -np.pi + (np.arange(count) + 0.5) * 2 * np.pi / count
    round_once = np.stack([np.ones(count), np.cos(middle), np.sin(middle)], 1)[told]
    rest = level[told] - round_once @ np.linalg.lstsq(round_once, level[told], rcond=None)[0]
    return {"sector_rms": float(level[told].std()), "sector_rest_rms": float(rest.std())}


def contrast(seen: Comparison, *, smooth_px: float = 40.0) -> dict[str, float | None]:
    """Contrast of bright and dark structures (plage; spots, filaments) over the truth's, less 1.

    The slope of the disk's structure on the truth's own, both less what is slower than `smooth_px`, over the
    brightest and the darkest hundredth of the truth.
    """
    good = np.isfinite(seen.ratio) & (seen.radius < 0.93)
    if good.sum() < 10_000:
        return {"contrast_bright": None, "contrast_dark": None}
    found = np.where(good, np.exp(seen.ratio) * seen.sun, 0)
    # not logarithms: in a spot's core they would ask for the sky behind the third digit
    true = np.where(good, seen.sun / np.maximum(smooth(seen.sun, good, smooth_px), 1e-6) - 1, 0)
    error = np.where(good, found / np.maximum(smooth(found, good, smooth_px), 1e-6) - 1 - true, 0)
    low, high = np.percentile(true[good], (1, 99))
    figures = {}
    for name, chosen in (("bright", good & (true > high)), ("dark", good & (true < low))):
        size = true[chosen].astype(np.float64)
        figures[f"contrast_{name}"] = float(np.sum(size * error[chosen]) / np.sum(size**2))
    return figures


def seam_noise(seen: Comparison, *, near_px: int = 12, far_px: int = 40) -> dict[str, float | None]:
    """Noise within `near_px` of seams over that further than `far_px` from any, less 1.

    Noise is what is left of log(natural disk / truth) above about 0.2 cycles a px; places are compared within
    rings, since noise depends on brightness.
    """
    good = np.isfinite(seen.ratio) & (seen.radius < 0.93)
    values = np.where(good, seen.ratio, 0).astype(np.float32)
    fine = values - cv2.GaussianBlur(values, (0, 0), 1.0)
    good = cv2.erode(good.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    tile = seen.result.tile
    edge = (np.diff(tile, axis=0, prepend=tile[:1]) != 0) | (np.diff(tile, axis=1, prepend=tile[:, :1]) != 0)
    away = ndimage.distance_transform_edt(~edge)
    ring = (seen.radius * 10).astype(int)
    ratios, shares = [], []
    for k in range(10):
        here = good & (ring == k)
        near, far = fine[here & (away < near_px)], fine[here & (away > far_px)]
        if min(near.size, far.size) > 500:
            ratios.append(np.median(np.abs(near)) / np.median(np.abs(far)))
            shares.append(near.size)
    return {"seam_noise": float(np.average(ratios, weights=shares)) - 1 if ratios else None}


def uniform_profile(seen: Comparison) -> dict[str, float | None]:
    """Rms of the radial profile, 0.15-0.97 radii, of the uniform disk over the truth's own uniform disk."""
    own, good = _own_uniform(seen)
    ratio = np.where(good, seen.result.uniform / np.maximum(own, 1e-6), 1)
    r, level = ring_median(ratio, seen.radius, good)
    inside = (r >= 0.15) & (r <= 0.97)
    if inside.sum() < 20:
        return {"uniform_profile_rms": None}
    level = level[inside] / level[inside].mean()
    return {"uniform_profile_rms": float(level.std())}


def noise(seen: Comparison, *, patch_px: int = 64) -> dict[str, float | None]:
    """Noise of the disk against the ideal stack of the same frames with the same weights and a perfect flat.

    Measured on patches that a single tile covers, as the power of log(natural disk / truth) at 0.20-0.38
    cycles a px, where a stack has hardly lost noise by resampling and the blurred Sun has little of its own;
    what a small displacement or blur would explain is fitted out first.
    """
    truth, shape = seen.truth, seen.ratio.shape
    covered = np.zeros(shape, np.uint8)
    h, w = truth.plan.tile_shape
    corners = np.array([[0, 0], [0, w - 1], [h - 1, w - 1], [h - 1, 0]], float)
    for matrix in seen.result.to_disk:
        polygon = corners @ matrix[:, :2].T + matrix[:, 2]
        layer = np.zeros(shape, np.uint8)
        cv2.fillConvexPoly(layer, np.rint(polygon[:, ::-1]).astype(np.int32), 1)
        covered += layer
    good = np.isfinite(seen.ratio) & (seen.radius < 0.95) & (covered == 1)
    window = np.outer(np.hanning(patch_px), np.hanning(patch_px))
    frequency = np.hypot(np.fft.fftfreq(patch_px)[:, None], np.fft.rfftfreq(patch_px)[None])
    band = (frequency > 0.20) & (frequency < 0.38)
    light = np.log(seen.sun)
    ratios = []
    for y in range(0, shape[0] - patch_px, patch_px // 2):
        for x in range(0, shape[1] - patch_px, patch_px // 2):
            part = (slice(y, y + patch_px), slice(x, x + patch_px))
            if not good[part].all():
                continue
            k = int(np.bincount(seen.result.tile[part].ravel()).argmax())
            left = _unexplained(seen.ratio[part], light[part])
            power = np.mean(np.abs(np.fft.rfft2(left * window))[band] ** 2) / np.sum(window**2)
            ratios.append(power / _ideal_variance(seen, k, float(seen.sun[part].mean())))
    return {"noise_over_ideal": float(np.sqrt(np.median(ratios))) if len(ratios) >= 4 else None}


def relative_variance(level_adu: NDArray[np.floating] | float, truth: Truth) -> NDArray[np.floating] | float:
    """Give a raw value's relative variance at `level_adu` above the offset: photons, reading, rounding."""
    k = truth.electrons_per_adu
    return (level_adu / k + (truth.plan.read_noise_e / k) ** 2 + 1 / 12) / level_adu**2


def ring_median(values: NDArray, radius: NDArray, good: NDArray[np.bool_], *, step: float = 0.01):
    """Give the medians of the good values in rings: (middle radii, medians)."""
    ring = (radius[good] / step).astype(int)
    order = np.argsort(ring, kind="stable")
    sorted_values, starts = values[good][order], np.flatnonzero(np.diff(ring[order], prepend=-1))
    medians = [float(np.median(part)) for part in np.split(sorted_values, starts[1:])]
    return (ring[order][starts] + 0.5) * step, np.array(medians)


def _own_uniform(seen: Comparison) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Give the truth's own uniform disk, and where it and the result's can be compared."""
    good = np.isfinite(seen.ratio) & np.isfinite(seen.result.uniform) & (seen.result.uniform > 0)
    profile = ring_median(seen.sun, seen.radius, good)
    return seen.sun / np.interp(seen.radius, *profile), good


def _without_surface(values: NDArray, good: NDArray[np.bool_], degree: int = 4) -> NDArray[np.float64]:
    """Take a polynomial surface out: the Sun's own light on the flat, which a high-pass bends at the
    edges."""
    y, x = (np.linspace(-1, 1, n) for n in values.shape)
    terms = [np.outer(y**i, x**j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    fit = np.linalg.lstsq(np.stack([t[good] for t in terms], 1), values[good], rcond=None)[0]
    return values - np.tensordot(fit, np.stack(terms), 1)


def _ideal_variance(seen: Comparison, k: int, sun_level: float) -> float:
    """Relative variance of the weighted mean of the frames used, at a place as bright as `sun_level`."""
    known, frames, truth = seen.known[k], seen.result.frames[k], seen.truth
    weight, transparency = np.ones(len(known.shifts)), known.transparency
    if frames is not None and frames["weight"].sum() > 0:
        weight, transparency = frames["weight"].astype(float), transparency[frames["frame"]]
    level = truth.level_adu * known.gain * sun_level * transparency * float(np.median(truth.parts["vignetting"]))
    # frames add up as light: a dimmer frame has less of it and a larger relative variance
    share = weight * transparency / np.sum(weight * transparency)
    return float(np.sum(share**2 * relative_variance(level, truth)))


def _unexplained(ratio: NDArray, light: NDArray) -> NDArray[np.float64]:
    """Take out of `ratio` what a shift or a change of blur of the Sun in `light` explains."""
    down, across = np.gradient(light)
    design = np.stack([down, across, ndimage.laplace(light), light, np.ones_like(light)], -1).reshape(-1, 5)
    design = design.astype(np.float64)
    fit = np.linalg.lstsq(design, ratio.ravel().astype(np.float64), rcond=None)[0]
    return ratio - (design @ fit).reshape(ratio.shape)
