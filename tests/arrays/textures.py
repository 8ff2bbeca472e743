"""Random structure, moved exactly, and its textures."""

import numpy as np
from diskmosaic.arrays.correlation import best_shifts, padded_shape, spectra, texture
from scipy import fft, ndimage

BAND = {"fine_px": 1.5, "coarse_px": 12.0}


def fourier_shift(image, shift):
    """Move a periodic image by a fraction of a pixel, exactly for what it can hold."""
    spectrum = ndimage.fourier_shift(fft.fft2(image.astype(float)), shift)
    return fft.ifft2(spectrum).real.astype(np.float32)


def field(rng, shape, *, scale=2.0, contrast=0.05):
    """Random structure on a level of 1000."""
    noise = ndimage.gaussian_filter(rng.standard_normal(shape), scale, mode="wrap")
    return (1000 * (1 + contrast * noise / noise.std())).astype(np.float32)


def textures(*images, masks=None):
    masks = masks or [np.ones(image.shape, bool) for image in images]
    return [texture(image, mask, **BAND) for image, mask in zip(images, masks, strict=True)]


def search(fixed, moving, *, share=0.03, peaks=1):
    padded = padded_shape(fixed.values.shape, moving.values.shape)
    return best_shifts(
        spectra(fixed, padded), spectra(moving, padded), min_pixels=share * fixed.values.size, peaks=peaks
    )
