"""What is fixed to an invented sensor: dust, Newton's rings, vignetting, uneven pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class SensorPattern:
    """The parts of a multiplicative sensor pattern, each float32 (h, w) and about 1.

    `good` is False on hot and dead pixels; `hot` is what the hot ones add, as a share of full scale.
    """

    dust: NDArray[np.float32]
    rings: NDArray[np.float32]
    vignetting: NDArray[np.float32]
    response: NDArray[np.float32]
    hot: NDArray[np.float32]
    good: NDArray[np.bool_]

    @property
    def product(self) -> NDArray[np.float32]:
        """All parts together."""
        return self.dust * self.rings * self.vignetting * self.response


def sensor_pattern(
    h: int,
    w: int,
    rng: np.random.Generator,
    *,
    dust: int = 16,
    rings: float = 0.035,
    vignetting: float = 0.10,
    response: float = 0.007,
    bad_pixels: int = 12,
    phase: float = 0.0,
) -> SensorPattern:
    """Draw a sensor's pattern.

    Parameters
    ----------
    h, w : int
        Sensor size.
    rng : numpy.random.Generator
        The draws do not depend on `phase`: the same seed gives the same dust with moved rings.
    dust : int
        Dust shadows, discs and rings 8-60 px across and 4-25 % deep (smaller ones on sensors under 300 px).
    rings : float
        Amplitude of Newton's rings.
    vignetting : float
        Light lost in the corners.
    response : float
        Standard deviation of the pixels' response.
    bad_pixels : int
        Hot and dead ones, half each.
    phase : float
        Displacement of the rings, in fringes.

    Returns
    -------
    SensorPattern
    """
    y, x = np.mgrid[:h, :w].astype(np.float32)
    half = np.hypot(h, w) / 2
    centre_y, centre_x = (h - 1) / 2 + rng.normal(0, 0.02 * h), (w - 1) / 2 + rng.normal(0, 0.02 * w)
    edge = np.hypot(y - centre_y, x - centre_x) / half
    shade = 1 - vignetting * edge**2 * (0.7 + 0.3 * edge**2)

    pixels = 1 + response * rng.standard_normal((h, w), dtype=np.float32)
    hot = np.zeros((h, w), np.float32)
    good = np.ones((h, w), bool)
    for k in range(bad_pixels):
        at = int(rng.integers(h)), int(rng.integers(w))
        good[at] = False
        if k % 2:
            hot[at] = rng.uniform(0.05, 0.3)
        else:
            pixels[at] = rng.uniform(0.1, 0.5)
    return SensorPattern(
        _dust(y, x, dust, rng), _rings(y, x, rings, phase, rng), shade.astype(np.float32), pixels, hot, good
    )


def pattern(h: int, w: int, rng: np.random.Generator, **parts: float) -> NDArray[np.float32]:
    """Draw a sensor's pattern as one multiplicative map, float32 (h, w); see `sensor_pattern`."""
    return sensor_pattern(h, w, rng, **parts).product


def _dust(y, x, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Shadows of grains: near ones small and sharp discs, far ones wide rings with a bright middle."""
    h, w = y.shape
    light = np.ones_like(y)
    largest = min(60.0, min(h, w) / 5)
    for _ in range(count):
        across = 8 * (largest / 8) ** rng.uniform()
        depth = rng.uniform(0.04, 0.25) * (0.4 + 0.6 * 8 / across if across > 8 else 1)
        depth = max(depth, 0.04)
        ratio = rng.uniform(0.85, 1.15)
        distance = np.hypot(y - rng.uniform(0, h), (x - rng.uniform(0, w)) * ratio) / (across / 2)
        soft = max(0.12, 1.2 / across)
        shadow = 0.5 * (1 - np.tanh((distance - 1) / soft))
        if across > 20:  # the shadow of a central obstruction
            shadow *= 1 - 0.8 * 0.5 * (1 - np.tanh((distance - 0.35) / soft))
        light *= 1 - depth * shadow
    return light.astype(np.float32)


def _rings(y, x, amplitude: float, phase: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Fringes of a slightly bent gap: the optical path is a paraboloid with its vertex off the chip."""
    h, w = y.shape
    period = rng.uniform(15, 60) if min(h, w) >= 300 else rng.uniform(12, 24)
    turn = rng.uniform(0, 2 * np.pi)
    away = rng.uniform(0.8, 1.6) * np.hypot(h, w)
    y0, x0 = h / 2 + away * np.sin(turn), w / 2 + away * np.cos(turn)
    square = (y - y0) ** 2 + 0.85 * (x - x0) ** 2
    # d(square)/dr = 2 r: this scale makes the fringes `period` px wide at the middle of the chip
    fringes = square / (2 * away * period)
    strength = 1 + 0.3 * np.cos(2 * np.pi * (y / h * rng.uniform(0.3, 0.8) + x / w * rng.uniform(0.3, 0.8)))
    return (1 + amplitude * strength * np.cos(2 * np.pi * (fringes + phase))).astype(np.float32)
