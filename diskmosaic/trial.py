"""A flat on trial: does its pattern fit the recordings it is meant for?

The recordings' own pattern is what the means of their frames share, not flat-corrected (`diskmosaic.samples`,
`diskmosaic.arrays.consensus`); one recording's Sun hides it, all of them together show it. It is held against the
flat's pattern by its dust (sharp, local), its single pixels, and the phase of its fringes, each for itself: fringes
that changed their phase look like a displacement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.consensus import Consensus, consensus
from diskmosaic.arrays.fringes import WINDOW_PX, find_carrier
from diskmosaic.arrays.grains import Grain, changed, find_grains, judge_grains
from diskmosaic.arrays.likeness import (
    FINE_PX,
    Likeness,
    Waves,
    bands,
    compare_dust,
    compare_pixels,
    robust_spread,
)
from diskmosaic.arrays.noise import PhotonTransfer, added_noise, enough_frames, fit_transfer
from diskmosaic.arrays.resample import shift_fraction
from diskmosaic.records import FloatImage, Master
from diskmosaic.samples import Sample, odd_pixels
from diskmosaic.settings import TileSettings

FOUND = 9.0  # significance of a peak; among other flats' dust 6.1 was the highest seen
CLEAR = 1.5  # times the best peak in any other orientation
PIXELS_FOUND = 20.0  # single pixels agree by hundreds, or not at all
PEAK_PX = 5.0  # width of a correlation's peak: its place is uncertain by that over its significance
STILL_PX = 0.75  # a displacement below is none: the Sun's structure, or rings that moved, fake up to half a pixel
FEW = 2.5  # recordings that must see a place for it to be judged
MIN_VOTES = 3  # recordings that must show a grain moved
MOVED_DEPTH = 0.03  # shallower grains drown in what the Sun and moved rings leave there
MOST = 0.6  # of the recordings must show it
VOTE_DEPTH = 0.3  # of its deepest place, over its middle: the shadows of wide grains are hollow
ALONE = 6.0  # significance from which one recording's own displacement is told
STRENGTH = 0.04  # that the pattern's strength may differ from 1
RINGS = 0.05  # fringes by which they may have moved
CHANCE = 4.0  # standard errors
GAIN = 0.15  # by which the camera's gain may differ, the Sun's own motion being part of what is measured
JITTER_PX = 1.0  # rms per axis that any recording has; it leaves 1/(4 pi) of the flat's noise
CORNER = 0.5  # of the middle's light (common practice, no source)
GRADIENT = 0.15  # across the sensor
DIM = 0.2  # of the tiles' level
SATURATED = 0.001


@dataclass(frozen=True)
class Look:
    """What the trial saw in one recording.

    Attributes
    ----------
    name : str
    level : float
        ADU above the offset.
    saturated : float
        Share of its pixels.
    shift_yx : (float, float) or None
        px from the flat's dust to this recording's; None where its Sun hides it.
    significance : float
        Of that.
    stacked : int
        Frames that its tile takes.
    flat_noise : float
        Share by which the flat's noise raises the tile's, without jitter; NaN where the gain is not known.
    enough : int
        Flat frames from which on more are pointless, without jitter; 0 where the gain is not known.
    """

    name: str
    level: float
    saturated: float
    shift_yx: tuple[float, float] | None
    significance: float
    stacked: int
    flat_noise: float
    enough: int


@dataclass(frozen=True)
class Rings:
    """Fringes of the flat as the recordings show them: change of phase (fringes), its error, and strength."""

    change: float
    sigma: float
    strength: float


@dataclass(frozen=True)
class Trial:
    """What came of a flat's trial.

    Attributes
    ----------
    kind : {'same', 'displaced', 'turned', 'mirrored', 'not found', 'hidden'}
        'hidden': the recordings' Sun hides their pattern, or the flat has none, and nothing can be said.
    likeness : Likeness
        Of the dust.
    pixels : Likeness
        Of the single pixels.
    strength, strength_sigma : float
        Of the flat's dust in the tiles; NaN where not judged.
    grains : int
        In the flat.
    gone, added : tuple of Grain
    rings : Rings or None
        None where the flat has none.
    corner, gradient : float
        Of the flat: light of the darkest corner over the middle's; change across the sensor.
    camera, tiles_camera : PhotonTransfer
        Of the flat's frames, and of the recordings'.
    looks : tuple of Look
    pattern : Consensus
        The recordings' dust band.
    flat_band : float32 (h, w)
        The flat's.
    """

    kind: str
    likeness: Likeness
    pixels: Likeness
    strength: float
    strength_sigma: float
    grains: int
    gone: tuple[Grain, ...]
    added: tuple[Grain, ...]
    rings: Rings | None
    corner: float
    gradient: float
    camera: PhotonTransfer
    tiles_camera: PhotonTransfer
    looks: tuple[Look, ...]
    pattern: Consensus
    flat_band: FloatImage

    @property
    def ok(self) -> bool:
        """Whether the flat can be used as it is."""
        return self.kind in ("same", "hidden")

    @property
    def shift(self) -> tuple[float, float]:
        """(dy, dx) px from the flat's pattern to the recordings'; exact where another region of the sensor was read."""
        dust = self.likeness.shift
        whole = self.pixels_found and self.pixels.upright and self.pixels.sigma_px == 0
        if not _clear(self.likeness):
            return self.pixels.shift
        near = np.hypot(*np.subtract(dust, self.pixels.shift)) < 1
        return self.pixels.shift if whole and near and self.pixels.shift != (0.0, 0.0) else dust

    @property
    def pixels_found(self) -> bool:
        """Whether the single pixels tell where they are."""
        return self.pixels.significance > PIXELS_FOUND and self.pixels.significance > CLEAR * self.pixels.second

    @property
    def sensor_still(self) -> bool:
        """The pixels lie as in the flat: what moved, moved in front of the sensor."""
        return self.pixels_found and self.pixels.upright and self.pixels.shift == (0.0, 0.0)


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
    dust = np.where(good, _less(pattern.mean, waves, good), 0).astype(np.float32)
    likeness = compare_dust(dust, known_dust, good)
    if not (_clear(likeness) and likeness.upright):
        # fringes of a flat that is turned do not run as the tiles' do
        own = _waves(pattern.mean)
        if own is not None:
            dust = np.where(good, _less(pattern.mean, own, good), 0).astype(np.float32)
            likeness = compare_dust(dust, known_dust, good)
    kind = _kind(likeness, pixels)
    strength = sigma = np.nan
    gone, added, rings = [], [], None
    # single pixels may tell where the flat lies while the Sun still hides the dust: nothing is said of that then
    if kind in ("same", "displaced") and _clear(likeness):
        there = known_dust if kind == "same" else moved(known_dust, likeness.shift)
        _, strength, sigma = judge_grains(there, dust, good)
        if kind == "displaced" or np.isfinite(strength):
            there = np.float32(np.nan_to_num(strength, nan=1.0)) * there
            gone, added = changed(dust - there, pattern.error, good)
            gone = [grain for grain in gone if _in_most(grain, -1, samples, there)]
            added = [grain for grain in added if _in_most(grain, 1, samples, there)]
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


def follow_of(trial: Trial) -> dict[str, object]:
    """How `moved_by` has to move a displaced flat."""
    return {"shift": list(trial.shift), "pixels_stay": trial.sensor_still}


def moved_by(flat: Master, *, shift: Sequence[float], pixels_stay: bool) -> Master:
    """Move a flat that lies displaced onto the recordings' pattern.

    Parameters
    ----------
    flat : Master
    shift : (float, float)
        (dy, dx) px.
    pixels_stay : bool
        Only move what is coarser than single pixels: the glass moved, the sensor did not.

    Returns
    -------
    Master
        Of mean 1 again; what comes in from beyond the border repeats the flat's edge.
    """
    shift = (float(shift[0]), float(shift[1]))
    if pixels_stay:
        log = np.log(np.maximum(flat.image, np.float32(0.02)))
        soft = cv2.GaussianBlur(log, (0, 0), FINE_PX)
        image, good = np.exp(moved(soft, shift) + log - soft), flat.good
    else:
        image = moved(flat.image, shift)
        # a bad pixel's neighbours took part of it
        spoiled = cv2.dilate((~flat.good).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
        good = moved(spoiled, shift) < 0.5
    image = np.maximum(image, np.float32(0.02))
    image /= np.float32(image.mean(dtype=np.float64))
    uncertainty = np.maximum(moved(flat.uncertainty, shift), 0)
    return replace(flat, image=image.astype(np.float32), uncertainty=uncertainty, good=good)


def moved(image: FloatImage, shift: tuple[float, float]) -> FloatImage:
    """Move an image by (dy, dx) px, of any size; what comes in from beyond the border repeats it."""
    whole = [int(np.floor(part)) for part in shift]
    height, width = image.shape
    rows = np.clip(np.arange(height) - whole[0], 0, height - 1)
    columns = np.clip(np.arange(width) - whole[1], 0, width - 1)
    part = (shift[0] - whole[0], shift[1] - whole[1])
    return shift_fraction(np.ascontiguousarray(image[rows[:, None], columns]), part)


def _kind(dust: Likeness, pixels: Likeness) -> str:
    if _clear(dust):
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


def _clear(dust: Likeness) -> bool:
    return dust.significance > FOUND and dust.significance > CLEAR * dust.second


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


def _in_most(grain: Grain, sign: int, samples: Sequence[Sample], there: FloatImage) -> bool:
    """Whether most recordings show that a grain is new (sign 1) or gone (-1): a spot or a filament is in one or two."""
    reach = max(2, int(0.35 * grain.across_px))
    window = tuple(slice(max(round(at) - reach, 0), round(at) + reach + 1) for at in grain.place_yx)
    values = []
    for sample in samples:
        seen = sample.mask[window]
        if seen.mean() > 0.8:
            rest = sample.dust[window].astype(np.float32) - there[window]
            values.append(-sign * float(rest[seen].mean()))
    if len(values) < MIN_VOTES or grain.depth < MOVED_DEPTH:
        return False
    typical = float(np.median(values))
    votes = sum(value > 0.5 * typical for value in values)
    return typical > VOTE_DEPTH * grain.depth and votes >= MIN_VOTES and votes > MOST * len(values)


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
