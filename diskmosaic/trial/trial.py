"""A flat on trial: does its pattern fit the recordings it is meant for?

The recordings' own pattern is what the means of their frames share, not flat-corrected (`diskmosaic.trial.samples`,
`diskmosaic.arrays.consensus`); one recording's Sun hides it, all of them together show it. It is held against the
flat's pattern by its dust (sharp, local), its single pixels, and the phase of its fringes, each for itself: fringes
that changed their phase look like a displacement.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.changes import find_gone, find_new, less_brims
from diskmosaic.arrays.consensus import consensus
from diskmosaic.arrays.fringes import WINDOW_PX, find_carrier
from diskmosaic.arrays.grains import Grain, find_grains, judge_grains
from diskmosaic.arrays.likeness import (
    Likeness,
    Waves,
    bands,
    compare_dust,
    compare_pixels,
    robust_spread,
)
from diskmosaic.arrays.noise import PhotonTransfer, added_noise, enough_frames, fit_transfer
from diskmosaic.records.image import FloatImage
from diskmosaic.records.master import Master
from diskmosaic.settings import TileSettings
from diskmosaic.trial.findings import CLEAR, FOUND, PIXELS_FOUND, Look, Rings, Trial, clear
from diskmosaic.trial.moving import moved
from diskmosaic.trial.samples import Sample, odd_pixels

PEAK_PX = 5.0  # width of a correlation's peak: its place is uncertain by that over its significance
STILL_PX = 0.75  # a displacement below is none: the Sun's structure, or rings that moved, fake up to half a pixel
FEW = 2.5  # recordings that must see a place for it to be judged
ALONE = 6.0  # significance from which one recording's own displacement is told
CHANCE = 4.0  # standard errors


def try_flat(flat: Master, samples: Sequence[Sample], tiles: TileSettings) -> Trial:
    """Hold a flat against the recordings it would serve.

    Parameters
    ----------
    flat : Master
    samples : sequence of Sample
        Of the recordings; at least one, all of the flat's size.
    tiles : TileSettings
        Tell how many frames each tile takes.

    Returns
    -------
    Trial
    """
    image = np.maximum(flat.image, np.float32(0.02))
    known, known_pixels = bands(np.log(image), flat.good & ~odd_pixels(image))
    pattern = consensus([sample.dust for sample in samples], [sample.mask for sample in samples])
    good = pattern.images >= min(FEW, 0.9 * len(samples))
    waves = _waves(known)
    known_dust = _less(known, waves)
    pixels = compare_pixels(_pixel_mean(samples), known_pixels)
    seen_waves = waves
    dust = np.where(good, _less(pattern.mean, seen_waves, good), 0).astype(np.float32)
    likeness = compare_dust(dust, known_dust, good)
    if not (clear(likeness) and likeness.upright):
        # fringes of a flat that is turned do not run as the tiles' do
        own = _waves(pattern.mean)
        if own is not None:
            seen_waves = own
            dust = np.where(good, _less(pattern.mean, seen_waves, good), 0).astype(np.float32)
            likeness = compare_dust(dust, known_dust, good)
    kind = _kind(likeness, pixels)
    strength = sigma = np.nan
    gone, added, rings = [], [], None
    # single pixels may tell where the flat lies while the Sun still hides the dust: nothing is said of that then
    if kind in ("same", "displaced") and clear(likeness):
        there = known_dust if kind == "same" else moved(known_dust, likeness.shift)
        _, strength, sigma = judge_grains(there, dust, good)
        if kind == "displaced" or np.isfinite(strength):
            gone, added = _changed(np.float32(np.nan_to_num(strength, nan=1.0)) * there, seen_waves, samples)
        rings = None if waves is None or kind != "same" else _rings(known, waves, samples)
    corner, gradient = _light(flat)
    camera = PhotonTransfer(flat.gain, np.nan, flat.read_noise)
    tiles_camera = _tiles_camera(samples, camera)
    return Trial(
        kind,
        likeness,
        pixels,
        strength,
        sigma,
        len(find_grains(known_dust)),
        tuple(gone),
        tuple(added),
        rings,
        corner,
        gradient,
        camera,
        tiles_camera,
        tuple(_look(sample, known_dust, waves, flat, camera, tiles) for sample in samples),
        pattern,
        known,
    )


def _kind(dust: Likeness, pixels: Likeness) -> str:
    if clear(dust):
        if dust.mirrored:
            return "mirrored"
        if dust.turns:
            return "turned"
        limit = max(CHANCE * np.nan_to_num(dust.sigma_px), still_px(dust.significance))
        return "displaced" if np.hypot(*dust.shift) > limit else "same"
    if pixels.significance > PIXELS_FOUND and pixels.significance > CLEAR * pixels.second:
        if pixels.mirrored or pixels.turns:
            return "mirrored" if pixels.mirrored else "turned"
        return "displaced" if np.hypot(*pixels.shift) > STILL_PX else "same"
    return "not found" if dust.expected > CLEAR * FOUND else "hidden"


def still_px(significance: float, least: float = STILL_PX) -> float:
    """Displacement (px) up to which a peak of such a significance tells of none."""
    return max(least, CHANCE * PEAK_PX / significance)


def _waves(band: FloatImage) -> Waves | None:
    """Fringes' phase; None where there are none, or the sensor is too small to tell."""
    carrier = find_carrier(band) if min(band.shape) >= WINDOW_PX else None
    return None if carrier is None else Waves.of(carrier)


def _less(band: FloatImage, waves: Waves | None, mask: NDArray[np.bool_] | None = None) -> FloatImage:
    return band if waves is None else band - waves.fringes(band, mask)


def _pixel_mean(samples: Sequence[Sample]) -> FloatImage:
    total = np.zeros(samples[0].mask.shape, np.float32)
    count = np.zeros_like(total)
    for sample in samples:
        # a dim recording's pixels are noise
        weight = np.float32(1 / max(robust_spread(sample.pixels.astype(np.float32), sample.mask), 1e-4) ** 2)
        total += weight * sample.pixels
        count += weight * sample.mask
    return total / np.maximum(count, np.float32(1e-9))


def _changed(there: FloatImage, waves: Waves | None, samples: Sequence[Sample]) -> tuple[list[Grain], list[Grain]]:
    """Grains of the flat that the recordings do not show, and grains that only they show."""
    # each recording's fringes by itself: what its Sun adds to them is then an error of its own, and shows as one
    rests = [
        np.where(one.mask, _less(one.dust.astype(np.float32), waves, one.mask) - there, 0).astype(np.float16)
        for one in samples
    ]
    masks = [sample.mask for sample in samples]
    gone = find_gone(rests, masks, there)
    return gone, less_brims(find_new(rests, masks, there), gone)


def _rings(known: FloatImage, waves: Waves, samples: Sequence[Sample]) -> Rings | None:
    """How the flat's fringes look in the recordings, each by itself; their scatter tells the error."""
    mine = _complex(waves.amplitude(known))
    power = np.abs(mine) ** 2
    answers, weights = [], []
    for sample in samples:
        cover = cv2.resize(sample.mask.astype(np.float32), mine.shape[::-1], interpolation=cv2.INTER_AREA)
        share = float(np.sum(cover * power))
        if share > 0.05 * power.sum():
            own = _complex(waves.amplitude(sample.dust.astype(np.float32), sample.mask))
            answers.append(np.sum(cover * own * np.conj(mine)) / share)
            weights.append(share)
    if not answers:
        return None
    mean = complex(np.average(answers, weights=weights))
    across = (np.array(answers) * np.exp(-1j * np.angle(mean))).imag
    sigma = float(np.sqrt(np.mean(across**2) / max(len(answers) - 1, 1))) / max(abs(mean), 1e-9) / (2 * np.pi)
    return Rings(float(abs(np.angle(mean)) / (2 * np.pi)), sigma if len(answers) > 1 else np.nan, abs(mean))


def _complex(parts: tuple[FloatImage, FloatImage]) -> NDArray[np.complex64]:
    return parts[0] + 1j * parts[1]


def _light(flat: Master) -> tuple[float, float]:
    """Light of the darkest corner over the middle's, and the change of a plane through all, across the sensor."""
    small = cv2.resize(flat.image, (16, 16), interpolation=cv2.INTER_AREA)
    corner = float(min(small[0, 0], small[0, -1], small[-1, 0], small[-1, -1]) / np.median(small[6:10, 6:10]))
    ramp = np.linspace(-0.5, 0.5, 16)
    slopes = [float(np.sum(small * r) / np.sum(np.square(r) * np.ones_like(small))) for r in (ramp[:, None], ramp)]
    return corner, float(np.hypot(*slopes) / small.mean())


def _tiles_camera(samples: Sequence[Sample], camera: PhotonTransfer) -> PhotonTransfer:
    """Photon transfer of the recordings; their read noise is the flat's where that is known."""
    known = (camera.read_noise / camera.gain) ** 2
    return fit_transfer([part for sample in samples for part in sample.noise], known if np.isfinite(known) else None)


def _look(
    sample: Sample,
    known: FloatImage,
    waves: Waves | None,
    flat: Master,
    camera: PhotonTransfer,
    tiles: TileSettings,
) -> Look:
    band = sample.dust.astype(np.float32)
    shift, significance = None, 0.0
    if sample.mask.mean() > 0.1:
        band = np.where(sample.mask, _less(band, waves, sample.mask), 0).astype(np.float32)
        likeness = compare_dust(band, known, sample.mask, orientations=((0, False),), exact=False)
        significance = likeness.significance
        shift = likeness.shift if significance > ALONE else None
    stacked = min(sample.frames, max(tiles.min_frames, int(np.ceil(tiles.keep * sample.frames))))
    adds, enough = np.nan, 0
    if np.isfinite(camera.gain) and sample.level > 0 and flat.level > 0:
        noises = camera.relative_noise(sample.level), camera.relative_noise(flat.level)
        adds, enough = added_noise(stacked, noises[0], flat.frames, noises[1]), enough_frames(stacked, *noises)
    return Look(sample.name, sample.level, sample.saturated, shift, significance, stacked, adds, enough)
