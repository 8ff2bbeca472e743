"""What the flat left behind, found in the tiles themselves and taken out.

The pattern stays on the sensor while the Sun moves under it (Kuhn, Lin & Loranz 1991, PASP 103, 1097; Chae 2004, Solar
Physics 221, 1), so what the tiles share at the same place of the sensor is pattern. It is looked for in the high-passed
logarithms of the tiles, in two steps: fringes, whose phase runs smoothly over the whole sensor
(`diskmosaic.arrays.fringes`), then anything else, window by window (`diskmosaic.arrays.shared`). Each tile is corrected
by what the *other* tiles say, so that its own structures keep their contrast; where the others predict nothing, nothing
is changed. Once the places are known, a second round takes out of each tile what its neighbours saw of the same Sun
and so hears the pattern better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import overlap_windows
from diskmosaic.arrays.fringes import Carrier, find_carrier, smooth_complex
from diskmosaic.arrays.radial import depth_factor
from diskmosaic.arrays.resample import sample_spline, shift_fraction, smooth_wide, spline_coefficients
from diskmosaic.arrays.shared import predict_shared, transfer
from diskmosaic.arrays.specks import predict_specks
from diskmosaic.blend import feather
from diskmosaic.calibration import Calibration
from diskmosaic.parallel import ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings import Recording
from diskmosaic.records import FRAME_DTYPE, FloatImage, Placement, Tile
from diskmosaic.regions import Regions, find_regions
from diskmosaic.settings import MEND_TILES

COARSE_PX = 20.0  # Gaussian; what is slower is left to the levels' surface
SAMPLE_FRAMES = 64  # of each recording, for the first round
CLIP_ROUNDS = 6
CLIP = 5.0  # robust deviations at which a tile's structure is cut, against spots and plage
FRINGE_PX = 64.0  # Gaussian over which the fringes' amplitude is steady
FRINGE_SIGMA = 2.5  # an amplitude below this many times its error is none
QUIET_PX = 24.0  # Gaussian over which a tile's restlessness is judged


@dataclass(frozen=True)
class Remainder:
    """What was found.

    Attributes
    ----------
    pattern : float32 (h, w)
        Logarithm of the remainder, mean over the tiles' corrections; 0 where nothing was found.
    rms : float
        Of `pattern`.
    fringes : float
        Mean amplitude of the fringes in it; 0 where none were found.
    """

    pattern: FloatImage
    rms: float
    fringes: float


def find_remainder(
    tiles: Sequence[Tile],
    flat: FloatImage | None = None,
    *,
    placement: Placement | None = None,
    progress: Progress = silent,
) -> tuple[list[FloatImage], Remainder] | None:
    """Find the pattern that tiles of one session share.

    Parameters
    ----------
    tiles : sequence of Tile
        All of one size.
    flat : float32 (h, w), optional
        That the tiles were divided by: the phase of its fringes is the tiles' too, but for a constant.
    placement : Placement, optional
        Where the tiles lie, once a first round has mended them: what neighbours saw of the same Sun is then taken out
        of each before the pattern is looked for.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    corrections : list of float32 (h, w)
        Logarithm of the pattern in each tile, as the others tell it.
    remainder : Remainder
        None instead of both with too few tiles to tell.
    """
    if len(tiles) < MEND_TILES:
        return None
    regions = find_regions(tiles)
    logs = _structures(tiles, regions)
    if placement is not None:
        logs = _less_neighbours(logs, regions, placement, progress)
    source = None if flat is None else high_pass(np.log(np.maximum(flat, 0.02)), np.ones(flat.shape, bool))
    corrections, amplitude = _fringes(logs, regions, tiles, source)
    rest = [log - known for log, known in zip(logs, corrections, strict=True)]
    weights = [_quiet_weight(log, region.disk) for log, region in zip(rest, regions, strict=True)]
    specks = predict_specks(rest, weights, min_images=MEND_TILES)
    corrections = [known + more for known, more in zip(corrections, specks, strict=True)]
    rest = [log - more for log, more in zip(rest, specks, strict=True)]
    transfers = np.stack([transfer(*tile.moves()) for tile in tiles])
    shared = predict_shared(rest, [region.disk for region in regions], transfers, min_images=MEND_TILES)
    corrections = [known + more for known, more in zip(corrections, shared, strict=True)]
    pattern = np.mean(corrections, axis=0, dtype=np.float64).astype(np.float32)
    return corrections, Remainder(pattern, float(np.std(pattern)), amplitude)


def mend_tiles(
    tiles: Sequence[Tile], flat: FloatImage | None, placement: Placement, *, progress: Progress = silent
) -> tuple[list[Tile], Remainder | None]:
    """Take out of placed tiles what pattern is still in them (the second round).

    Returns
    -------
    tiles : list of Tile
    remainder : Remainder or None
        None with too few tiles to tell.
    """
    found = find_remainder(tiles, flat, placement=placement, progress=progress)
    if found is None:
        return list(tiles), None
    corrections, remainder = found
    mended = [
        replace(tile, image=tile.image * np.exp(-correction))
        for tile, correction in zip(tiles, corrections, strict=True)
    ]
    return mended, remainder


def sample_remainder(
    recordings: Sequence[Recording],
    calibration: Calibration,
    flat: FloatImage | None,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> tuple[list[FloatImage], Remainder] | None:
    """Find what the flat leaves in recordings before they are stacked (the first round).

    The mean of a recording's frames as they are lies still on the sensor: its pattern is sharp and its Sun a little
    blurred. Mending it there keeps the pattern from misleading the alignment of the frames, too.

    Parameters
    ----------
    recordings : sequence of Recording
        All tiles of the session, of one size.
    calibration : Calibration
    flat : float32 (h, w) or None
        The flat in `calibration`.
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    corrections, remainder
        As from `find_remainder`, in the order of the recordings.
    """
    if len(recordings) < MEND_TILES:
        return None
    means = ordered_map(lambda recording: _mean_frame(recording, calibration), recordings, jobs=jobs)
    label = "pattern left by the flat: sample"
    return find_remainder(list(progress(means, label, total=len(recordings), unit="recordings")), flat)


def _mean_frame(recording: Recording, calibration: Calibration) -> Tile:
    """The mean of a sample of frames, not aligned, as a tile."""
    picks = spread_over(recording.frame_count, SAMPLE_FRAMES)
    total = np.zeros((recording.height, recording.width), np.float32)
    frame = None
    for index in picks:
        frame = calibration.apply(recording.gray(index), frame)
        total += frame
    row = np.zeros(1, FRAME_DTYPE)
    row["weight"] = 1
    return Tile(
        name=recording.name,
        image=total / np.float32(len(picks)),
        weight=np.ones(total.shape, np.float32),
        noise=np.nan,
        frames=row,
        sharpness=np.nan,
        time_utc=None,
        recording=recording.path.name,
    )


def high_pass(log: FloatImage, mask: NDArray[np.bool_]) -> FloatImage:
    """Take out what is slower than COARSE_PX, by the masked pixels alone; 0 elsewhere."""
    weight = smooth_wide(mask.astype(np.float32), COARSE_PX)
    slow = smooth_wide(np.where(mask, log, np.float32(0)), COARSE_PX) / np.maximum(weight, 1e-6)
    return np.where(mask, log - slow, 0).astype(np.float32)


def _structures(tiles: Sequence[Tile], regions: Sequence[Regions]) -> list[FloatImage]:
    """High-passed logarithms of the tiles, 0 off the disk; spots and plage cut, but not what the tiles share."""
    logs, spreads, masks = [], [], []
    for tile, region in zip(tiles, regions, strict=True):
        mask = region.disk & (tile.image > 0)
        log = np.zeros(tile.image.shape, np.float32)
        log[mask] = np.log(tile.image[mask])
        logs.append(high_pass(log, mask))
        spreads.append(CLIP * 1.4826 * float(np.median(np.abs(logs[-1][mask]))) if mask.any() else 1.0)
        masks.append(mask)
    seen = np.maximum(np.sum(masks, axis=0, dtype=np.float32), 1)
    base = np.zeros(logs[0].shape, np.float32)
    # dark dust is deeper than the Sun's structure: the common part grows until nothing common is cut
    for _ in range(CLIP_ROUNDS):
        cut = [base + np.clip(log - base, -spread, spread) for log, spread in zip(logs, spreads, strict=True)]
        base = np.sum([np.where(mask, one, 0) for one, mask in zip(cut, masks, strict=True)], axis=0) / seen
    return [
        np.where(mask, base + np.clip(log - base, -spread, spread), 0).astype(np.float32)
        for log, spread, mask in zip(logs, spreads, masks, strict=True)
    ]


def _less_neighbours(
    logs: list[FloatImage], regions: list[Regions], placement: Placement, progress: Progress
) -> list[FloatImage]:
    """Subtract from each tile what the others saw of the same Sun, where they saw it."""
    feathers = [feather(region.disk) for region in regions]
    shape = logs[0].shape
    placed = np.flatnonzero(np.isfinite(placement.positions[:, 0]))
    quieter = list(logs)
    for k in progress(list(placed), "pattern left in the tiles: the Sun from neighbours", unit="tiles"):
        total, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        for other in placed:
            if other == k:
                continue
            if not np.array_equal(placement.turn(k), placement.turn(other)):
                own = _brought_over(feathers[other], placement, k, other)
                if own.any():
                    total += own * _brought_over(logs[other], placement, k, other)
                    weight += own
                continue
            shift = _feature_shift(placement, k, other, shape)
            whole = (int(np.rint(shift[0])), int(np.rint(shift[1])))
            windows = overlap_windows(shape, shape, whole)
            if windows is None or min(w.stop - w.start for w in windows[0]) < 8:
                continue
            part = (float(shift[0] - whole[0]), float(shift[1] - whole[1]))
            own = feathers[other][windows[1]]
            total[windows[0]] += own * shift_fraction(logs[other][windows[1]], part)
            weight[windows[0]] += own
        # weights near 0 belong to the other tiles' very borders
        use = (weight > 0.01) & regions[k].disk
        quieter[k] = np.where(use, logs[k] - total / np.maximum(weight, 0.01), logs[k]).astype(np.float32)
    return quieter


def _brought_over(image: FloatImage, placement: Placement, a: int, b: int) -> FloatImage:
    """Return an image on tile b's pixels as tile a, which is turned against it, sees it; 0 outside."""
    height, width = image.shape
    matrix = placement.between(a, b)
    half = np.array([(height - 1) / 2, (width - 1) / 2])
    matrix[:, 2] += np.linalg.solve(placement.turn(a), _turned_since(placement, a, b, half))
    back = np.linalg.inv(matrix[:, :2])
    y, x = np.arange(height)[:, None] - matrix[0, 2], np.arange(width)[None, :] - matrix[1, 2]
    rows, columns = back[0, 0] * y + back[0, 1] * x, back[1, 0] * y + back[1, 1] * x
    inside = (rows >= 0) & (rows <= height - 1) & (columns >= 0) & (columns <= width - 1)
    if not inside.any():
        return np.zeros(image.shape, np.float32)
    return np.where(inside, sample_spline(spline_coefficients(image), rows, columns), np.float32(0))


def _turned_since(placement: Placement, a: int, b: int, half: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where b's features lie besides its own place, for the Sun turned from a's time to b's; half way between both."""
    if placement.times is None or placement.limb is None:
        return np.zeros(2)
    middle = (placement.to_mosaic(a, half) + placement.to_mosaic(b, half)) / 2
    depth = depth_factor(*middle, placement.limb.centre_yx, placement.limb.radius_px)
    return -(placement.times[b] - placement.times[a]) * depth * np.array(placement.drift_yx)


def _feature_shift(placement: Placement, a: int, b: int, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Where tile b's origin lies in tile a's pixels, for features on the surface at the middle of their overlap."""
    shift = np.linalg.solve(placement.turn(a), placement.positions[b] - placement.positions[a])
    if placement.times is None or placement.limb is None:
        return shift
    low, high = np.maximum(shift, 0), np.minimum(shift, 0) + shape
    middle = placement.to_mosaic(a, (low + high) / 2)
    depth = depth_factor(*middle, placement.limb.centre_yx, placement.limb.radius_px)
    motion = np.linalg.solve(placement.turn(a), np.array(placement.drift_yx))
    return shift - (placement.times[b] - placement.times[a]) * depth * motion


def _fringes(
    logs: list[FloatImage], regions: list[Regions], tiles: Sequence[Tile], source: FloatImage | None
) -> tuple[list[FloatImage], float]:
    """Fringes in the tiles, each told by the others; also their mean amplitude."""
    none = [np.zeros(log.shape, np.float32) for log in logs]
    weights = [_quiet_weight(log, region.disk) for log, region in zip(logs, regions, strict=True)]
    if source is None:
        total = np.sum(weights, axis=0)
        source = np.sum([w * log for w, log in zip(weights, logs, strict=True)], axis=0) / np.maximum(total, 1e-12)
    carrier = find_carrier(source.astype(np.float32))
    if carrier is None:
        return none, 0.0
    back = np.conj(carrier.wave)
    smears = [_line_transfer(carrier, *tile.moves()) for tile in tiles]
    up = [
        2 * smooth_complex(weight * smear * log * back, FRINGE_PX)
        for weight, smear, log in zip(weights, smears, logs, strict=True)
    ]
    down = [smooth_wide(weight * np.square(smear), FRINGE_PX) for weight, smear in zip(weights, smears, strict=True)]
    all_up, all_down = np.sum(up, axis=0), np.sum(down, axis=0)
    mean = all_up / np.maximum(all_down, 1e-12)
    # the tiles' own answers scatter about their mean: that is the error of the mean
    scatter = (
        sum(d**2 * np.abs(u / np.maximum(d, 1e-12) - mean) ** 2 for u, d in zip(up, down, strict=True))
        / np.maximum(all_down, 1e-12) ** 2
    )
    believed = np.clip(1 - scatter / np.maximum(np.abs(mean) ** 2, 1e-20), 0, 1)
    believed[np.abs(mean) ** 2 < FRINGE_SIGMA**2 * scatter] = 0
    if not believed.any():
        return none, 0.0
    corrections = []
    for u, d, smear in zip(up, down, smears, strict=True):
        rest = np.maximum(all_down - d, 0.05 * all_down + 1e-12)
        corrections.append((smear * believed * ((all_up - u) / rest * carrier.wave).real).astype(np.float32))
    return corrections, float(np.mean(believed * np.abs(mean)))


def _quiet_weight(log: FloatImage, mask: NDArray[np.bool_]) -> FloatImage:
    """Inverse local variance: quiet places tell most."""
    cover = smooth_wide(mask.astype(np.float32), QUIET_PX)
    power = smooth_wide(np.square(log), QUIET_PX) / np.maximum(cover, 1e-3)
    typical = float(np.median(power[mask])) if mask.any() else 1.0
    return np.where(mask, 1 / np.maximum(power, 0.02 * typical + 1e-20), 0).astype(np.float32)


def _line_transfer(carrier: Carrier, shifts: NDArray[np.float64], weights: NDArray[np.float64]) -> FloatImage:
    """How much the frames' shifts smear the fringes, from their covariance (Gaussian), per pixel."""
    mean = np.average(shifts, axis=0, weights=weights)
    spread = (shifts - mean).T @ ((shifts - mean) * weights[:, None]) / weights.sum()
    quadratic = np.einsum("...i,ij,...j", carrier.gradient, spread, carrier.gradient)
    return np.exp(-2 * np.pi**2 * quadratic).astype(np.float32)
