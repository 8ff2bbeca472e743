"""Colour: the hue of a wavelength, and ramps from black to white that keep the luminance of gray.

A ramp gives each gray value a colour of the same luminance, so that detail survives as it is and whoever does
not see the hue, or prints in gray, sees the gray picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

VISIBLE_NM = (380.0, 780.0)
SIZE = 65536
_KNOTS = 2048  # where a ramp is solved; straight in between
_SMOOTH = 0.04  # of the ramp: width over which the chroma is smoothed
_MIDDLE = 0.6  # value of a quiet disk
_DEEPEST = (0.7, 1.0)
_WITHIN = 0.98  # of the chroma that sRGB holds: rounding must not leave it

# Gaussians with two widths: height, place (nm), 1/width below and above. Wyman, Sloan & Shirley 2013,
# Journal of Computer Graphics Techniques 2 (2), 1: the multi-lobe fit to the CIE 1931 2-degree functions.
_LOBES = {
    "x": ((1.056, 599.8, 0.0264, 0.0323), (0.362, 442.0, 0.0624, 0.0374), (-0.065, 501.1, 0.0490, 0.0382)),
    "y": ((0.821, 568.8, 0.0213, 0.0247), (0.286, 530.9, 0.0613, 0.0322)),
    "z": ((1.217, 437.0, 0.0845, 0.0278), (0.681, 459.0, 0.0385, 0.0725)),
}
# There the fit's small values have the wrong ratios, and the chromaticity hardly moves: CIE 1931 (nm, x, y).
_VIOLET = ((380.0, 0.1741, 0.0050), (400.0, 0.1733, 0.0048), (420.0, 0.1714, 0.0051))
_RED = ((640.0, 0.7190, 0.2809), (650.0, 0.7260, 0.2740), (660.0, 0.7300, 0.2700), (700.0, 0.7347, 0.2653))

# IEC 61966-2-1: linear sRGB from XYZ (D65).
_RGB_FROM_XYZ = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
# Oklab (Ottosson 2020, *A perceptual color space for image processing*).
_LMS_FROM_RGB = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_LAB_FROM_ROOTS = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_ROOTS_FROM_LAB = np.linalg.inv(_LAB_FROM_ROOTS)
_RGB_FROM_LMS = np.linalg.inv(_LMS_FROM_RGB)

# Ramps of our own: hue (degrees of Oklab) in the dark and in the light, share of the chroma that sRGB holds.
OWN_RAMPS = {"ember": (30.0, 95.0, 0.95), "straw": (70.0, 100.0, 0.6), "sea": (262.0, 200.0, 0.8)}


def matching_functions(wavelength_nm: ArrayLike) -> NDArray[np.float64]:
    """CIE 1931 2-degree colour-matching functions by their published fit: (..., 3), to 0.022."""
    nm = np.asarray(wavelength_nm, float)[..., None]
    found = []
    for lobes in _LOBES.values():
        height, place, below, above = np.array(lobes).T
        t = (nm - place) * np.where(nm < place, below, above)
        found.append((height * np.exp(-(t**2) / 2)).sum(axis=-1))
    return np.stack(found, axis=-1)


def chromaticity(wavelength_nm: float) -> tuple[float, float]:
    """CIE 1931 (x, y) of light of one wavelength; beyond the visible that of its end.

    By the fit from 420 to 640 nm, to 0.01; by a table where the eye hardly sees.
    """
    nm = float(np.clip(wavelength_nm, *VISIBLE_NM))
    for table, holds in ((_VIOLET, nm < _VIOLET[-1][0]), (_RED, nm > _RED[0][0])):
        if holds:
            at, x, y = zip(*table, strict=True)
            return float(np.interp(nm, at, x)), float(np.interp(nm, at, y))
    x, y, z = matching_functions(nm)
    return float(x / (x + y + z)), float(y / (x + y + z))


def hue_of(wavelength_nm: float) -> float:
    """Hue of a wavelength as far as sRGB can show it (what is below zero counts as zero), degrees of Oklab."""
    x, y = chromaticity(wavelength_nm)
    linear = np.maximum(_RGB_FROM_XYZ @ np.array([x / y, 1.0, (1 - x - y) / y]), 0)
    lab = _LAB_FROM_ROOTS @ np.cbrt(_LMS_FROM_RGB @ linear)
    return float(np.rad2deg(np.arctan2(lab[2], lab[1])) % 360)


def srgb_encode(linear: ArrayLike) -> NDArray[np.float64]:
    """Linear light to sRGB values (IEC 61966-2-1)."""
    linear = np.asarray(linear, float)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def srgb_decode(value: ArrayLike) -> NDArray[np.float64]:
    """Return the linear light of sRGB values (IEC 61966-2-1)."""
    value = np.asarray(value, float)
    return np.where(value <= 0.04045, value / 12.92, ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4)


def contrast(one: ArrayLike, other: ArrayLike) -> float:
    """Contrast of two sRGB colours, values in [0, 1], from 1 to 21.

    ``(L1 + 0.05) / (L2 + 0.05)`` with relative luminances, as the Web Content Accessibility Guidelines 2.2 define it.
    """
    light = sorted(float(_LUMINANCE @ np.broadcast_to(srgb_decode(colour), 3)) for colour in (one, other))
    return (light[1] + 0.05) / (light[0] + 0.05)


def ramp(hue_low: float, hue_high: float, share: float, *, deepen: bool = False) -> NDArray[np.uint16]:
    """Colours that rise in lightness like gray.

    Parameters
    ----------
    hue_low, hue_high : float
        Hue where the ramp is dark and where it is light, degrees of Oklab; even in between.
    share : float
        Of the chroma that sRGB holds at each luminance, 0 to 1.
    deepen : bool
        False: each colour has the luminance of its gray, and the lightest is white. True: all values are taken down by
        one factor, so that the middle of a picture lies where this hue is richest; the lightest is a pale tint.

    Returns
    -------
    uint16 (65536, 3)
        sRGB of each gray value.
    """
    value = np.linspace(0, 1, _KNOTS)
    turn = (hue_high - hue_low + 180) % 360 - 180
    hue = np.deg2rad(hue_low + turn * value)
    chroma = _most_chroma(hue, srgb_decode(value))
    top = 1.0
    if deepen:
        top = float(np.clip(value[np.argmax(chroma)] / _MIDDLE, *_DEEPEST))
        chroma = _most_chroma(hue, srgb_decode(top * value))
    # the gamut has an edge where it is widest: colours that followed it would have a kink there
    smooth = ndimage.gaussian_filter1d(chroma, _SMOOTH * _KNOTS, mode="nearest")
    chroma = _WITHIN * share * np.minimum(smooth, chroma)
    encoded = srgb_encode(np.clip(_linear(chroma, hue, srgb_decode(top * value)), 0, 1))
    at = np.linspace(0, 1, SIZE)
    return np.stack([np.rint(65535 * np.interp(at, value, channel)) for channel in encoded.T], axis=1).astype(np.uint16)


def _most_chroma(hue: NDArray, luminance: NDArray) -> NDArray[np.float64]:
    """Return the largest chroma that sRGB holds."""
    low, high = np.zeros(_KNOTS), np.full(_KNOTS, 0.5)
    for _ in range(40):
        chroma = (low + high) / 2
        rgb = _linear(chroma, hue, luminance)
        inside = np.all((rgb >= 0) & (rgb <= 1), axis=1)
        low, high = np.where(inside, chroma, low), np.where(inside, high, chroma)
    return low


def _linear(chroma: NDArray, hue: NDArray, luminance: NDArray) -> NDArray[np.float64]:
    """Linear sRGB of a chroma, a hue and a luminance; the lightness of Oklab follows from them."""
    ab = np.stack([chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    low, high = np.zeros(len(chroma)), np.full(len(chroma), 1.5)
    for _ in range(45):
        middle = (low + high) / 2
        rgb = _from_lab(np.column_stack([middle, ab]))
        less = rgb @ _LUMINANCE < luminance
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return _from_lab(np.column_stack([(low + high) / 2, ab]))


def _from_lab(lab: NDArray) -> NDArray[np.float64]:
    return (lab @ _ROOTS_FROM_LAB.T) ** 3 @ _RGB_FROM_LMS.T
