"""The tone curve: linear light to the values of a picture, never clipping what the Sun has.

The curve is straight between a toe and a shoulder. Both approach their ends like a hyperbola: spots and
flares far outside the usual range keep their inner differences, and only light of zero is black.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Chosen by eye on a chromospheric and a white-light disk.
_LOW, _HIGH = 0.3, 99.7  # per cent of the disk that lie below the straight part's ends
_MARGIN_LOW, _MARGIN_HIGH = 0.3, 0.2  # how far the ends lie beyond those, in distances from the median
_DARKEST = 0.005  # per cent: the cores of spots ...
_DARKEST_AT = -0.3  # ... lie no lower than this on the straight part drawn on, where the toe still tells them apart
_LEAST_RANGE = 0.05  # of the median: stretching a disk of less contrast would show its noise only
_QUIET_AT_MOST = 0.7  # of the straight part: a quiet disk with spots is not left nearly white
_TOE = _SHOULDER = 0.1  # of the range


@dataclass(frozen=True)
class Tone:
    """A tone curve: `black` and `white` in linear light, `gamma` the exponent that follows."""

    black: float
    white: float
    gamma: float


def fit_tone(values: NDArray[np.floating], *, gamma: float) -> Tone:
    """Choose the curve for a disk.

    Parameters
    ----------
    values : array
        Linear light of the disk without sky, any shape; NaN is ignored.
    gamma : float
        Exponent after the curve; 1 keeps its straight part straight.

    Returns
    -------
    Tone
        The darkest and brightest 0.3 % may leave its straight part; they are compressed, not clipped.

    Raises
    ------
    ValueError
        If no value is finite.
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        raise ValueError("values must hold at least one finite number")
    darkest, low, median, high = np.percentile(finite, [_DARKEST, _LOW, 50.0, _HIGH]).tolist()
    black = low - _MARGIN_LOW * (median - low)
    white = high + _MARGIN_HIGH * (high - median)
    lacking = _LEAST_RANGE * abs(median) - (white - black)
    if lacking > 0:
        black, white = black - lacking / 2, white + lacking / 2
    black = min(black, (darkest - _DARKEST_AT * white) / (1 - _DARKEST_AT))
    white = max(white, black + (median - black) / _QUIET_AT_MOST)
    if white <= 0:  # nothing but darkness
        black, white = 0.0, 1.0
    return Tone(max(black, 0.0), white, gamma)


def apply_tone(light: NDArray[np.floating], tone: Tone) -> NDArray[np.float32]:
    """Turn linear light into picture values.

    Parameters
    ----------
    light : array
    tone : Tone

    Returns
    -------
    float32 array
        In [0, 1), rising with the light; 0 for no light and for NaN.
    """
    y = _curve((np.asarray(light, dtype=np.float32) - tone.black) / (tone.white - tone.black))
    floor = _curve(np.float32(-tone.black / (tone.white - tone.black)))
    y = np.maximum((y - floor) / (1 - floor), 0)
    y[~np.isfinite(y)] = 0
    return y ** np.float32(tone.gamma)


def _curve(t: NDArray[np.float32]) -> NDArray[np.float32]:
    """Hyperbola, line, hyperbola: continuous with its slope; (0, 1) over all reals."""
    t = np.asarray(t, dtype=np.float32)
    toe = _TOE / (1 + np.maximum(_TOE - t, 0) / _TOE)
    shoulder = 1 - _SHOULDER / (1 + np.maximum(t - (1 - _SHOULDER), 0) / _SHOULDER)
    return np.where(t < _TOE, toe, np.where(t > 1 - _SHOULDER, shoulder, t)).astype(np.float32)
