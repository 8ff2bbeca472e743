"""Moving images by fractions of a pixel.

OpenCV's cubic kernel does not reproduce a ramp (up to 0.048 px of shift error, antisymmetric about half a pixel): it
serves where many frames with random fractions are averaged. Where one shift counts, the kernels here are exact on
polynomials.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage


def lagrange_taps(fraction: float) -> NDArray[np.float64]:
    """Return the six weights that interpolate at ``2 + fraction`` between samples 0 ... 5, exact to degree 5."""
    nodes = np.arange(6.0)
    at = 2.0 + fraction
    taps = np.ones(6)
    for k in range(6):
        for j in range(6):
            if j != k:
                taps[k] *= (at - nodes[j]) / (nodes[k] - nodes[j])
    return taps


def shift_fraction(image: NDArray[np.float32], shift: tuple[float, float]) -> NDArray[np.float32]:
    """Return ``image(y - dy, x - dx)`` for ``|dy|, |dx| < 1``; edge values are repeated at the border.

    Parameters
    ----------
    image : float32 (h, w)
    shift : (float, float)
        (dy, dx) in px: how far the content moves.
    """
    kernels = []
    for part in shift:
        whole = int(np.floor(-part))
        taps = lagrange_taps(-part - whole)
        kernel = np.zeros(9)
        # sample at n - part = n + whole + fraction: taps sit at n + whole - 2 ... n + whole + 3
        kernel[4 + whole - 2 : 4 + whole + 4] = taps
        kernels.append(kernel)
    return cv2.sepFilter2D(image, cv2.CV_32F, kernels[1], kernels[0], borderType=cv2.BORDER_REPLICATE)


def spline_coefficients(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return cubic B-spline coefficients for `sample_spline` (mirror border)."""
    return ndimage.spline_filter(image, order=3, output=np.float32, mode="mirror")


def sample_spline(
    coefficients: NDArray[np.float32], rows: NDArray[np.float64], columns: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Evaluate a cubic spline at (rows, columns); places outside are meant to be masked by the caller."""
    return ndimage.map_coordinates(
        coefficients, [rows, columns], order=3, mode="mirror", prefilter=False, output=np.float32
    )
