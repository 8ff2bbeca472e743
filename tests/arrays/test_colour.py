"""Colour: against published chromaticities and general libraries."""

import numpy as np
import pytest
from diskmosaic.arrays.colour import OWN_RAMPS, chromaticity, contrast, hue_of, ramp, srgb_decode, srgb_encode
from skimage.color import rgb2lab

# CIE 1931 2-degree spectral chromaticities (CIE 15, table of the standard observer; from memory, as in handbooks).
PUBLISHED = {
    393.4: (0.1736, 0.0049),
    430: (0.1689, 0.0069),
    460: (0.1440, 0.0297),
    486.1: (0.0796, 0.1717),
    500: (0.0082, 0.5384),
    520: (0.0743, 0.8338),
    540: (0.2296, 0.7543),
    560: (0.3731, 0.6245),
    587.6: (0.5608, 0.4385),
    600: (0.6270, 0.3725),
    620: (0.6915, 0.3083),
    656.28: (0.7288, 0.2712),
    700: (0.7347, 0.2653),
}


@pytest.mark.parametrize(("nm", "published"), PUBLISHED.items())
def test_monochromatic_light_has_its_published_chromaticity(nm, published):
    # the fit errs by up to 0.022 in the functions; where their sum is least (0.5 to 0.9 in the blue-green) that is 0.05
    assert np.hypot(*np.subtract(chromaticity(nm), published)) < (0.06 if 470 < nm < 510 else 0.02)


def test_beyond_the_visible_the_ends_stand():
    assert chromaticity(170) == chromaticity(380)
    assert chromaticity(1083) == chromaticity(780)


def test_hue_is_that_of_the_eye():
    """Hydrogen's red line is redder than sodium's yellow, which is redder than the green coronal line."""
    assert hue_of(656.28) < hue_of(589.3) < hue_of(530.3) < hue_of(486.1) < hue_of(393.4)
    # Oklab's own hues of sRGB's primaries (Ottosson 2020): red 29, green 142, blue 264 degrees
    assert hue_of(656.28) == pytest.approx(29, abs=6)
    assert hue_of(530.3) == pytest.approx(142, abs=20)


RAMPS = {"656": (hue_of(656.28),) * 2, "393": (hue_of(393.4),) * 2, "540": (hue_of(540),) * 2}
RAMPS |= {name: numbers[:2] for name, numbers in OWN_RAMPS.items()}


@pytest.mark.parametrize("name", RAMPS)
def test_lightness_of_a_ramp_is_that_of_gray(name):
    """CIELAB lightness by scikit-image: it rises everywhere and is that of the gray picture."""
    colours = ramp(*RAMPS[name], 0.95)
    assert colours.shape == (65536, 3)
    assert (colours[0] == 0).all()
    assert (colours[-1] >= 65535 - 200).all()
    shown = colours[:: 65535 // 255] / 65535
    lightness = rgb2lab(shown[None])[0, :, 0]
    gray = rgb2lab(np.repeat(np.linspace(0, 1, len(shown))[:, None], 3, 1)[None])[0, :, 0]
    assert (np.diff(lightness) > 0).all()
    assert np.abs(lightness - gray).max() < 0.3  # between the knots, and the library's rounded matrix
    assert rgb2lab(shown[None])[0, :, 1:].std() > 5  # it is a colour


def test_deepened_ramp_rises_evenly_to_a_tint():
    shown = ramp(29, 29, 0.95, deepen=True)[:: 65535 // 255] / 65535
    lightness = rgb2lab(shown[None])[0, :, 0]
    assert (np.diff(lightness) > 0).all()
    plain = rgb2lab(ramp(29, 29, 0.95)[:: 65535 // 255][None] / 65535)[0, :, 0]
    middle = len(shown) * 6 // 10
    chroma = np.hypot(*rgb2lab(shown[None])[0, :, 1:].T)
    assert chroma[middle] > 0.9 * chroma.max()
    assert 70 < lightness[-1] < plain[-1]


def test_contrast_is_the_published_formula():
    # WCAG 2.2: black on white 21; #767676 on white is the darkest gray said to pass 4.5:1 (4.54), #777777 fails
    assert contrast(0, 1) == pytest.approx(21)
    assert contrast(0x76 / 255, 1) == pytest.approx(4.54, abs=0.005)
    assert contrast(0x77 / 255, 1) < 4.5
    assert contrast([1, 0, 0], 0) == pytest.approx(5.25, abs=0.005)


def test_srgb_curve_is_the_standards():
    # IEC 61966-2-1
    assert srgb_encode(0.18) == pytest.approx(0.46136, abs=1e-5)
    assert srgb_encode(0.001) == pytest.approx(0.01292)
    x = np.linspace(0, 1, 101)
    assert np.allclose(srgb_decode(srgb_encode(x)), x, atol=1e-6)
