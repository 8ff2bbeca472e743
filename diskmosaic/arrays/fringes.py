"""Fringes: the smooth phase that an interference pattern runs through, and its slow amplitude.

Newton's rings are ``Re[a(x) exp(i phi(x))]`` with a phase that is a low polynomial of the place (the gap of two nearly
spherical faces) and an amplitude that changes slowly. Once `phi` is known, multiplying by ``exp(-i phi)`` and smoothing
gives `a`: dust and the Sun's structure, which do not follow the phase, average out over the smoothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.resample import smooth_wide

WINDOW_PX = 64
STEP_PX = 24
PAD = 2  # spectra are interpolated by this factor
PERIOD_PX = (5.0, 64.0)
DEGREE = 4
PEAK_SHARE = 0.25  # of a window's power in the fringe's line, to take part
NEIGHBOUR = 0.012  # cycles/px by which neighbouring windows' lines may differ
REFINE = (
    (8.0,) * 4 + (16.0,) * 3 + (32.0,) * 3
)  # px of the Gaussians that what is left of the phase is read in, in turn
LEAST_SHARE = 0.3  # of the power; 40 grains of dust alone follow some phase with up to 0.21 of theirs
SHARE_PX = 32.0  # Gaussian over which the amplitude is steady, when that share is judged
CLIP = 1.0  # robust deviations, which are 1.05 amplitudes of a sine: more of a grain would only outvote the fringes


@dataclass(frozen=True)
class Carrier:
    """A fitted phase.

    Attributes
    ----------
    phase : float32 (h, w)
        Radians.
    gradient : float32 (h, w, 2)
        Cycles per px along y and x.
    share : float
        Of the clipped image's power that runs with this phase.
    """

    phase: NDArray[np.float32]
    gradient: NDArray[np.float32]
    share: float

    @property
    def wave(self) -> NDArray[np.complex64]:
        """``exp(i phi)``."""
        return np.exp(1j * self.phase).astype(np.complex64)


def smooth_complex(values: NDArray[np.complex64], sigma_px: float) -> NDArray[np.complex64]:
    """Gaussian smoothing of a complex image."""
    real, imaginary = (smooth_wide(part, sigma_px) for part in (values.real, values.imag))
    return real + 1j * imaginary


def find_carrier(image: NDArray[np.float32]) -> Carrier | None:
    """Fit the phase of the strongest fringes of a high-passed image.

    Parameters
    ----------
    image : float32 (h, w)
        Mean 0; a flat's logarithm, high-passed.

    Returns
    -------
    Carrier or None
        None where no fringes run through the image.
    """
    spread = 1.4826 * float(np.median(np.abs(image)))
    clipped = np.clip(image, -CLIP * spread, CLIP * spread)
    lines, strength = _lines(clipped)
    signed, reached = _grow(lines, strength)
    powers = [(i, total - i) for total in range(1, DEGREE + 1) for i in range(total + 1)]
    shape = image.shape
    at = _window_centres(shape)
    coefficients = _fit_gradient(at, signed, reached * strength.reshape(-1), powers, shape)
    for sigma in REFINE:
        phase, _ = _phase(coefficients, powers, shape)
        amplitude = smooth_complex(clipped * np.exp(-1j * phase), sigma)[::8, ::8]
        # what is left of the phase: its gradient from products of neighbouring values, 8 px apart
        left_y = np.angle(amplitude[1:, :-1] * np.conj(amplitude[:-1, :-1])) / (2 * np.pi * 8)
        left_x = np.angle(amplitude[:-1, 1:] * np.conj(amplitude[:-1, :-1])) / (2 * np.pi * 8)
        weight = np.abs(amplitude[:-1, :-1]) ** 2
        places = np.stack(np.meshgrid(*(np.arange(n) * 8 + 4.0 for n in weight.shape), indexing="ij"), -1)
        step = _fit_gradient(
            places.reshape(-1, 2),
            np.stack([left_y, left_x], -1).reshape(-1, 2),
            weight.reshape(-1),
            powers,
            shape,
        )
        coefficients = coefficients + step
    phase, gradient = _phase(coefficients, powers, shape)
    share = _share(clipped, np.exp(1j * phase))
    return None if share < LEAST_SHARE else Carrier(phase, gradient, share)


def _share(image: NDArray[np.float32], wave: NDArray[np.complex64]) -> float:
    """Share of an image's power that fringes of this phase and a slow amplitude take with them."""
    power = float(np.mean(np.square(image), dtype=np.float64))
    if power == 0:
        return 0.0
    rest = image - (2 * smooth_complex(image * np.conj(wave), SHARE_PX) * wave).real
    return 1 - float(np.mean(np.square(rest), dtype=np.float64)) / power


def _window_starts(size: int) -> NDArray[np.int64]:
    last = max(size - WINDOW_PX, 0)
    return np.rint(np.linspace(0, last, int(np.ceil(last / STEP_PX)) + 1)).astype(int)


def _window_centres(shape: tuple[int, int]) -> NDArray[np.float64]:
    grid = np.meshgrid(*(_window_starts(size) + (WINDOW_PX - 1) / 2 for size in shape), indexing="ij")
    return np.stack(grid, -1).reshape(-1, 2)


def _lines(image: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Strongest frequency (y, x; x >= 0) of every window and the share of the window's power in its line."""
    tops, lefts = (_window_starts(size) for size in image.shape)
    taper = np.outer(np.hanning(WINDOW_PX), np.hanning(WINDOW_PX)).astype(np.float32)
    size = PAD * WINDOW_PX
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None]
    period_band = (np.hypot(fy, fx) >= 1 / PERIOD_PX[1]) & (np.hypot(fy, fx) <= 1 / PERIOD_PX[0])
    lines = np.zeros((len(tops), len(lefts), 2))
    strength = np.zeros((len(tops), len(lefts)))
    for i, top in enumerate(tops):
        windows = np.stack([image[top : top + WINDOW_PX, left : left + WINDOW_PX] for left in lefts])
        power = np.abs(fft.rfft2(windows * taper, (size, size))) ** 2
        banded = np.where(period_band, power, 0)
        for j in range(len(lefts)):
            if not banded[j].any():  # where nothing was seen
                continue
            row, column = np.unravel_index(int(np.argmax(banded[j])), banded[j].shape)
            # a Hann window's main lobe is two bins wide to each side
            near_rows = np.arange(row - 2 * PAD, row + 2 * PAD + 1) % size
            near_columns = np.arange(max(column - 2 * PAD, 0), min(column + 2 * PAD + 1, power.shape[2]))
            lobe = power[j][np.ix_(near_rows, near_columns)]
            strength[i, j] = lobe.sum() / max(power[j].sum(), 1e-30)
            sharp = lobe**2
            dy = np.average(np.arange(-2 * PAD, 2 * PAD + 1), weights=sharp.sum(axis=1))
            x = np.average(near_columns, weights=sharp.sum(axis=0))
            lines[i, j] = (np.fft.fftfreq(size)[row] + dy / size, x / size)
    return lines, strength


def _grow(lines, strength) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give neighbouring lines one sign, from the strongest window outwards; returns lines and which were reached."""
    rows, columns = strength.shape
    signed, reached = lines.copy(), np.zeros((rows, columns))
    start = np.unravel_index(int(np.argmax(strength)), strength.shape)
    reached[start] = 1
    front = [start]
    while front:
        i, j = front.pop(0)
        for k in range(max(i - 2, 0), min(i + 3, rows)):
            for m in range(max(j - 2, 0), min(j + 3, columns)):
                if reached[k, m] or strength[k, m] < PEAK_SHARE:
                    continue
                for sign in (1, -1):
                    if np.hypot(*(sign * lines[k, m] - signed[i, j])) < NEIGHBOUR * max(abs(k - i), abs(m - j)):
                        signed[k, m] = sign * lines[k, m]
                        reached[k, m] = 1
                        front.append((k, m))
                        break
    return signed.reshape(-1, 2), reached.reshape(-1)


def _scaled(at: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    return (at - (np.array(shape) - 1) / 2) / (max(shape) / 2)


def _fit_gradient(at, lines, weight, powers, shape) -> NDArray[np.float64]:
    """Return the coefficients of a polynomial phase (cycles) whose gradient meets the lines."""
    weight = np.asarray(weight, float).reshape(-1)
    y, x = _scaled(at, shape).T
    unit = max(shape) / 2
    by_y = np.stack([i * y ** max(i - 1, 0) * x**j for i, j in powers], 1) / unit
    by_x = np.stack([j * y**i * x ** max(j - 1, 0) for i, j in powers], 1) / unit
    design, target = np.concatenate([by_y, by_x]), np.concatenate([lines[:, 0], lines[:, 1]])
    trust = np.ones(len(at))
    answer = np.zeros(len(powers))
    use = weight > 0
    for _ in range(15):
        root = np.sqrt(np.tile(weight * trust, 2))
        answer = np.linalg.lstsq(design * root[:, None], target * root, rcond=1e-10)[0]
        miss = (target - design @ answer).reshape(2, -1)
        length = np.hypot(miss[0], miss[1])
        spread = max(float(np.median(length[use])), 3e-4) if use.any() else 1.0
        trust = np.where(length < 5 * spread, (1 - (length / (5 * spread)) ** 2) ** 2, 0)
    return answer


def _phase(coefficients, powers, shape) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Phase (h, w), radians, and its gradient (h, w, 2), cycles per px, of a polynomial."""
    y = _scaled(np.stack([np.arange(shape[0]), np.zeros(shape[0])], 1), shape)[:, 0][:, None]
    x = _scaled(np.stack([np.zeros(shape[1]), np.arange(shape[1])], 1), shape)[:, 1][None, :]
    unit = max(shape) / 2
    phase = sum(c * y**i * x**j for c, (i, j) in zip(coefficients, powers, strict=True))
    slope_y = sum(c * i * y ** max(i - 1, 0) * x**j for c, (i, j) in zip(coefficients, powers, strict=True)) / unit
    slope_x = sum(c * j * y**i * x ** max(j - 1, 0) for c, (i, j) in zip(coefficients, powers, strict=True)) / unit
    gradient = np.stack([np.broadcast_to(slope_y, shape), np.broadcast_to(slope_x, shape)], -1)
    return (2 * np.pi * phase).astype(np.float32), gradient.astype(np.float32)
