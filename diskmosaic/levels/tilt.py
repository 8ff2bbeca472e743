"""The overall tilt of the disk's brightness: what overlaps cannot see, and what else is known of it.

A linear surface on the sensor with free gains is exactly a tilt of the whole disk. What speaks of it, each with an
uncertainty of its own, is averaged by inverse variances:

- the *roundness* of the quiet Sun: what is left of it once round the disk. How far the Sun itself is from round is told
  by what goes round two to four times, which no sensor can make;
- the *gains*: with equal exposures they are alike, so they should not rise across the disk (or only with time);
- the *flat*: it leaves a linear surface as far as it was pointed off the disk's centre. But it is light of the same
  Sun: where that is not round, the flat leaves its slope on the sensor, reversed, and roundness and flat err together
  by the same amount. The best average of two such voices gives the flat no weight where the whole disk tells its
  roundness well, however well the flat was pointed, and decides for it where a part of the disk tells little;
- a *sensor without a flat*: its own vignetting is seldom far off the axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RINGS = 24  # of the roundness, from the centre to OUTER
OUTER = 0.95  # of the radius: beyond, misplacement by a fraction of a pixel makes brightness
SUNS_OWN = (2, 3, 4)  # times round the disk that tell how round the Sun is
POINTING = 0.03  # of the radius, on each axis: how far a flat is pointed off the centre; common practice, no source
BEND = 0.5  # of log brightness over r^2 near the centre, where the centre was not seen
NO_FLAT = 0.05  # expected linear surface, middle to edge, of a sensor without a flat: vignetting off the axis
# Variance inflation of once round by the other waves (Marquardt 1970, Technometrics 12, 591; from memory): on half a
# disk once and three times round are nearly the same; 0.1 % that levels leave would make a slope of 0.6 % at this bound
LIKE_OTHERS = 30.0
DARK_CUT, BRIGHT_CUT = 3.0, 2.0  # robust deviations: spots and filaments; plage and network are brighter oftener


@dataclass(frozen=True)
class Tilt:
    """A slope of log brightness per disk radius along (y, x), and its covariance."""

    slope: NDArray[np.float64]
    covariance: NDArray[np.float64]

    @property
    def sigma(self) -> float:
        """Standard error along the worse axis."""
        return float(np.sqrt(max(np.linalg.eigvalsh(self.covariance)[-1], 0)))

    @property
    def size(self) -> float:
        """Length of the slope."""
        return float(np.hypot(*self.slope))


@dataclass(frozen=True)
class Roundness:
    """The tilt that makes the quiet Sun round.

    ``own`` is the variance that the Sun's own slope gives it, per axis (part of the tilt's covariance); ``bend`` how
    fast log brightness falls with r^2 near the centre.
    """

    tilt: Tilt
    own: float
    bend: float


def combine(parts: list[Tilt]) -> Tilt:
    """Average tilts by their inverse covariances."""
    precision = [np.linalg.inv(part.covariance) for part in parts]
    covariance = np.linalg.inv(np.sum(precision, axis=0))
    return Tilt(covariance @ np.sum([p @ t.slope for p, t in zip(precision, parts, strict=True)], axis=0), covariance)


def ring_of(at: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return the distance from the centre and the ring of places (n, 2) on the disk, in radii."""
    radius = np.hypot(*at.T)
    return radius, np.minimum((radius / OUTER * RINGS).astype(int), RINGS - 1)


def quiet_rings(
    rest: NDArray[np.float64], ring: NDArray[np.intp], quiet: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Take each ring's median off what a fit leaves.

    Parameters
    ----------
    rest, ring : (n,)
    quiet : (n,)
        1 where the round before saw the quiet Sun, else 0.

    Returns
    -------
    left, weight, quiet : (n,)
        The rest less its ring's median; 0 off the quiet Sun, else the inverse of the ring's variance; quiet places now.
    """
    level, spread = np.zeros(RINGS), np.ones(RINGS)
    for i in range(RINGS):
        here = rest[(ring == i) & (quiet > 0)]
        if len(here):
            level[i] = np.median(here)
            spread[i] = max(1.4826 * np.median(np.abs(here - level[i])), 1e-6)
    left = rest - level[ring]
    quiet = ((left > -DARK_CUT * spread[ring]) & (left < BRIGHT_CUT * spread[ring])).astype(float)
    return left, quiet / np.maximum(spread[ring], 0.2 * np.median(spread)) ** 2, quiet


def tilt_by_roundness(value: NDArray[np.float64], at: NDArray[np.float64]) -> Roundness | None:
    """Fit log brightness = f(r) + tilt . (y, x) on the quiet Sun.

    Parameters
    ----------
    value : (n,)
        Log brightness of places on the disk.
    at : (n, 2)
        Their (y, x) from the centre in radii, all within OUTER.

    Returns
    -------
    Roundness or None
        None where too little of the disk is seen to part a tilt from other waves.
    """
    radius, ring = ring_of(at)
    angle = np.arctan2(at[:, 0], at[:, 1])
    if len(value) < 200 or np.ptp(np.bincount((angle * 4 / np.pi).astype(int) + 4, minlength=9)[:8]) >= len(value) / 2:
        return None
    waves = [radius * wave(m * angle) for m in (1, *SUNS_OWN) for wave in (np.sin, np.cos)]
    columns = np.stack(waves, axis=1)
    answer, quiet = np.zeros(columns.shape[1]), np.ones(len(value))
    for _ in range(15):
        left, weight, quiet = quiet_rings(value - columns @ answer, ring, quiet)
        # rings' mean places leave with their levels: only what goes round the disk counts
        total = np.maximum(np.bincount(ring, weight, RINGS), 1e-12)
        mean = np.stack([np.bincount(ring, weight * column, RINGS) / total for column in columns.T], axis=1)
        free = columns - mean[ring]
        normal = free.T @ (weight[:, None] * free)
        step = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), free.T @ (weight * left))
        answer = answer + step
        if np.abs(step).max() < 1e-6:
            break
    noise = np.linalg.inv(normal + 1e-9 * np.trace(normal) * np.eye(len(normal)))
    if (np.diag(noise) * np.diag(normal))[:2].max() > LIKE_OTHERS:
        return None
    # what is uneven on the Sun (activity, the shading of slow optics) is smooth: its waves fall with their number.
    # Amplitudes as 1/m fit three full-disk images in white light and the chromosphere; equal ones would make once
    # round 2 to 6 times too sure. A variance told by n amplitudes predicts the next with n/(n-2) of it (Student's t)
    count = np.repeat(SUNS_OWN, 2)
    power = count**2 * (answer[2:] ** 2 - np.diag(noise)[2:])
    own = max(float(np.mean(power)), 0.0) * len(count) / (len(count) - 2)
    middle = (np.arange(RINGS) + 0.5) / RINGS * OUTER
    number = np.bincount(ring, quiet, RINGS)
    inner = (number > 0) & (middle < 0.5)
    rest = value - columns @ answer
    level = np.array([np.median(rest[(ring == i) & (quiet > 0)]) if number[i] else 0.0 for i in range(RINGS)])
    bend = -float(np.polyfit(middle[inner] ** 2, level[inner], 1)[0]) if inner.sum() > 3 else BEND
    return Roundness(Tilt(answer[:2], own * np.eye(2) + noise[:2, :2]), own, bend)


def tilt_by_gains(
    gains: NDArray[np.float64], at: NDArray[np.float64], times: NDArray[np.float64] | None
) -> Tilt | None:
    """Tell the tilt that makes the tiles' log gains (n,) not rise across the disk.

    Parameters
    ----------
    gains : (n,)
    at : (n, 2)
        The tiles' centres (y, x) from the disk's centre in radii.
    times : (n,) or None
        Seconds: a steady change in time (height of the Sun) is no tilt.
    """
    columns = [np.ones(len(gains)), *at.T]
    if times is not None and np.ptp(times) > 0:
        columns.append((times - times.mean()) / np.ptp(times))
    design = np.stack(columns, axis=1)
    free = len(gains) - design.shape[1]
    if free < 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    answer = np.linalg.lstsq(design, gains, rcond=None)[0]
    scatter = np.sum((gains - design @ answer) ** 2) / free
    # few tiles tell their own scatter badly: half a per cent is what steady air and exposures reach
    covariance = np.linalg.inv(design.T @ design)[1:3, 1:3] * (scatter + 0.005**2) * (1 + 2 / free)
    return Tilt(-answer[1:3], covariance)


def tilt_by_flat(roundness: Roundness) -> Tilt:
    """Tell how small a linear surface a flat leaves: 0, uncertain by its pointing and by the Sun's own slope in it."""
    return Tilt(np.zeros(2), ((2 * roundness.bend * POINTING) ** 2 + roundness.own) * np.eye(2))


def with_flat(roundness: Roundness) -> Tilt:
    """Average roundness and flat, which err together by the Sun's own slope (generalised least squares)."""
    flat, shared = tilt_by_flat(roundness), roundness.own * np.eye(2)
    covariance = np.block([[roundness.tilt.covariance, shared], [shared, flat.covariance]])
    precision = np.linalg.inv(covariance + 1e-12 * np.eye(4))
    normal = precision[:2, :2] + precision[:2, 2:] + precision[2:, :2] + precision[2:, 2:]
    right = (precision[:2] + precision[2:]) @ np.concatenate([roundness.tilt.slope, flat.slope])
    together = np.linalg.inv(normal)
    return Tilt(together @ right, together)


def tilt_of_bare_sensor(half_radii: NDArray[np.float64]) -> Tilt:
    """Tell what linear surface is to be expected without a flat: 0, and an uncertainty.

    Parameters
    ----------
    half_radii : (2,)
        Half the sensor in disk radii (y, x).
    """
    return Tilt(np.zeros(2), np.diag((NO_FLAT / half_radii) ** 2))
