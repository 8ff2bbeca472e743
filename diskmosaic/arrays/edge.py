"""The blurred edge of a limb-darkened disk: where it is steepest, and how far blur moves that place inwards.

Offsets are px along a ray, outwards positive. Just inside the edge, at depth u, a disk of radius R shines as
``a + b sqrt(1 - (1 - u/R)^2)``, with the last factor the cosine of the heliocentric angle; it ends in a step, and a
Gaussian blurs it. What shines above the limb, and light scattered near it, may be added as a haze that falls
exponentially from the edge outwards, under the same Gaussian.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.special import log_ndtr, ndtr

STANDARD_BLUR = 0.0025  # of the radius, Gaussian (2.4 arcsec): a share, whatever the size of the pixels
REACH_PX = 6.0  # to both sides: further out stray light, further in bright rims and belts have their own slopes
_BLURS_PX = (0.3, 6.0)
_CELL_PX, _CELL_GROWS, _WIDEST_PX = 0.05, 1.1, 0.15  # of the cosine: finest where it is steepest, at the edge; half the
# least blur at most: under that, steps of this width leave no ripple


@dataclass(frozen=True)
class Edge:
    """A fitted edge: the disk's end at `shift_px`, blurred by a Gaussian of `blur_px`.

    ``step`` and ``rise`` are the light at the very edge over the sky, and what a full cosine adds to it.
    ``steepest_px`` is where the edge would be steepest were it blurred by `standard_blur` only.
    """

    shift_px: float
    blur_px: float
    step: float
    rise: float
    steepest_px: float


def fit_edge(offsets: NDArray[np.float64], profile: NDArray[np.float64], radius: float) -> Edge | None:
    """Fit the blurred edge to brightness along a ray, or to the mean over many.

    Parameters
    ----------
    offsets, profile : (n,)
        Place, px, and brightness, without NaN.
    radius : float
        Of the disk, px.

    Returns
    -------
    Edge or None
        None where the profile is no falling edge.
    """
    use = np.abs(offsets) <= REACH_PX
    x, light = np.asarray(offsets, float)[use], np.asarray(profile, float)[use]

    def columns(shift: float, blur: float) -> NDArray[np.float64]:
        return np.column_stack([*blurred_parts(x - shift, blur, radius), np.ones_like(x)])

    def misfit(unknown: NDArray[np.float64]) -> NDArray[np.float64]:
        design = columns(*unknown)
        return design @ np.linalg.lstsq(design, light, rcond=None)[0] - light

    reach = float(min(-x[0], x[-1])) / 2
    found = optimize.least_squares(misfit, (0.0, 1.5), bounds=((-reach, _BLURS_PX[0]), (reach, _BLURS_PX[1])))
    shift, blur = (float(value) for value in found.x)
    step, rise, _ = (float(value) for value in np.linalg.lstsq(columns(shift, blur), light, rcond=None)[0])
    if not found.success or step <= 0 or abs(shift) > 0.99 * reach:
        return None
    return Edge(shift, blur, step, rise, shift + steepest(step, rise, radius, standard_blur(radius)))


def standard_blur(radius: float) -> float:
    """Return the Gaussian, px, under which the steepest place of the edge counts as the limb."""
    return STANDARD_BLUR * radius


def steepest(step: float, rise: float, radius: float, blur: float) -> float:
    """Return where a blurred edge at 0 falls fastest, px: inwards (negative) where the disk darkens to its limb."""
    x = np.linspace(-2 * blur, blur, 601)
    first, second = blurred_parts(x, blur, radius)
    fall = -np.gradient(step * first + rise * second, x)
    best = int(np.clip(np.argmax(fall), 5, len(x) - 6))
    near = slice(best - 5, best + 6)
    a, b, _ = np.polyfit(x[near], fall[near], 2)
    return float(-b / (2 * a)) if a < 0 else float(x[best])


def blurred_parts(
    x: NDArray[np.float64], blur: float, radius: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a step down at 0 and the cosine of the heliocentric angle that ends there, both blurred.

    Parameters
    ----------
    x : (n,)
        Offsets from the edge, px, rising.
    blur, radius : float
        Gaussian and disk, px.
    """
    reach = max(-float(x[0]), 0) + 5 * blur
    growing = _CELL_PX * _CELL_GROWS ** np.arange(np.log(_WIDEST_PX / _CELL_PX) / np.log(_CELL_GROWS))
    even = np.full(int(max(reach - growing.sum(), 0) / _WIDEST_PX) + 1, _WIDEST_PX)
    borders = np.concatenate([[0.0], np.cumsum(np.concatenate([growing, even]))])
    rises = np.diff(np.sqrt(np.clip(1 - (1 - borders / radius) ** 2, 0, 1)))
    # the cosine rises like a root: each cell's share of it is a step of its own, where a root has its mean place
    root = np.sqrt(borders)
    depth = np.diff(root**3) / (3 * np.diff(root))
    return ndtr(-x / blur), ndtr(-(x[:, None] + depth) / blur) @ rises


def blurred_haze(x: NDArray[np.float64], blur: float, reach: float) -> NDArray[np.float64]:
    """Return ``exp(-x / reach)`` outside the edge, nothing inside, blurred: an exponentially modified Gaussian."""
    return np.exp(blur**2 / (2 * reach**2) - x / reach + log_ndtr(x / blur - blur / reach))
