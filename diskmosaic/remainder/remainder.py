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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.creep import phase_creep
from diskmosaic.arrays.fringes import Carrier, find_carrier, smooth_complex
from diskmosaic.arrays.resample import smooth_wide
from diskmosaic.arrays.shared import predict_shared, transfer
from diskmosaic.arrays.specks import predict_specks
from diskmosaic.masters.calibration import Calibration
from diskmosaic.parallel import ordered_map, spread_over
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.image import FloatImage
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import FRAME_DTYPE, Tile, tile_times
from diskmosaic.remainder.neighbours import less_neighbours
from diskmosaic.settings import MEND_TILES
from diskmosaic.tiles.finer import corrected, placement_on_frames, tile_on_frames
from diskmosaic.tiles.regions import Regions, find_regions

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
    creep : float
        Fringes through which their phase ran from the first tile to the last; 0 where no creep is believed.
    """

    pattern: FloatImage
    rms: float
    fringes: float
    creep: float = 0.0


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
        logs = less_neighbours(logs, regions, placement, progress)
    source = None if flat is None else high_pass(np.log(np.maximum(flat, 0.02)), np.ones(flat.shape, bool))
    corrections, amplitude, creep = _fringes(logs, regions, tiles, source)
    rest = [log - known for log, known in zip(logs, corrections, strict=True)]
    weights = [_quiet_weight(log, region.disk) for log, region in zip(rest, regions, strict=True)]
    specks = predict_specks(rest, weights, min_images=MEND_TILES)
    corrections = [known + more for known, more in zip(corrections, specks, strict=True)]
    rest = [log - more for log, more in zip(rest, specks, strict=True)]
    transfers = np.stack([transfer(*tile.moves()) for tile in tiles])
    shared = predict_shared(rest, [region.disk for region in regions], transfers, min_images=MEND_TILES)
    corrections = [known + more for known, more in zip(corrections, shared, strict=True)]
    pattern = np.mean(corrections, axis=0, dtype=np.float64).astype(np.float32)
    return corrections, Remainder(pattern, float(np.std(pattern)), amplitude, creep)


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
    placement = placement_on_frames(placement, tiles[0].finer)
    found = find_remainder([tile_on_frames(tile) for tile in tiles], flat, placement=placement, progress=progress)
    if found is None:
        return list(tiles), None
    corrections, remainder = found
    return [corrected(tile, known) for tile, known in zip(tiles, corrections, strict=True)], remainder


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
    stamp = recording.timestamp()
    return Tile(
        name=recording.name,
        image=total / np.float32(len(picks)),
        weight=np.ones(total.shape, np.float32),
        noise=np.nan,
        frames=row,
        sharpness=np.nan,
        time_utc=None if stamp is None else str(stamp),
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


def _fringes(
    logs: list[FloatImage], regions: list[Regions], tiles: Sequence[Tile], flat: FloatImage | None
) -> tuple[list[FloatImage], float, float]:
    """Fringes in the tiles, each told by the others; also their mean amplitude, and the creep of their phase."""
    none = [np.zeros(log.shape, np.float32) for log in logs]
    weights = [_quiet_weight(log, region.disk) for log, region in zip(logs, regions, strict=True)]
    source = flat
    if source is None:
        total = np.sum(weights, axis=0)
        source = np.sum([w * log for w, log in zip(weights, logs, strict=True)], axis=0) / np.maximum(total, 1e-12)
    carrier = find_carrier(source.astype(np.float32))
    if carrier is None:
        return none, 0.0, 0.0
    back = np.conj(carrier.wave)
    smears = [_line_transfer(carrier, *tile.moves()) for tile in tiles]
    up = [
        2 * smooth_complex(weight * smear * log * back, FRINGE_PX)
        for weight, smear, log in zip(weights, smears, logs, strict=True)
    ]
    down = [smooth_wide(weight * np.square(smear), FRINGE_PX) for weight, smear in zip(weights, smears, strict=True)]
    # the flat took its own fringes out: what creeps is these and the remainder together
    own = np.complex64(0) if flat is None else 2 * smooth_complex(flat * back, FRINGE_PX)
    times, ahead = tile_times(tiles), np.zeros(len(tiles))
    if times is not None:
        ahead = phase_creep([u + d * own for u, d in zip(up, down, strict=True)], down, times)
    turns, creeps = np.exp(1j * ahead).astype(np.complex64), bool(ahead.any())
    if creeps:  # all as they are half way through
        up = [(u + d * own) * np.conj(turn) - d * own for u, d, turn in zip(up, down, turns, strict=True)]
    all_up, all_down = np.sum(up, axis=0), np.sum(down, axis=0)
    mean = all_up / np.maximum(all_down, 1e-12)
    # the tiles' own answers scatter about their mean: that is the error of the mean
    scatter = (
        sum(d**2 * np.abs(u / np.maximum(d, 1e-12) - mean) ** 2 for u, d in zip(up, down, strict=True))
        / np.maximum(all_down, 1e-12) ** 2
    )
    believed = np.clip(1 - scatter / np.maximum(np.abs(mean) ** 2, 1e-20), 0, 1)
    believed[np.abs(mean) ** 2 < FRINGE_SIGMA**2 * scatter] = 0
    if not (believed.any() or creeps):
        return none, 0.0, 0.0
    corrections = []
    for u, d, smear, turn in zip(up, down, smears, turns, strict=True):
        rest = np.maximum(all_down - d, 0.05 * all_down + 1e-12)
        amplitude = turn * (believed * (all_up - u) / rest) + (turn - 1) * own
        corrections.append((smear * (amplitude * carrier.wave).real).astype(np.float32))
    return corrections, float(np.mean(believed * np.abs(mean))), float(np.ptp(ahead)) / (2 * np.pi)


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
