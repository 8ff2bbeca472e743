"""Deblurring against a scene whose truth is known."""

import numpy as np
import pytest
from diskmosaic.arrays.limb_profile import find_edge
from diskmosaic.arrays.sharpen import deblur, measure_spectrum

from arrays.simulated import CENTRE, RADIUS, distance, recorded, ring_means, scene


def prepared(blur_px=1.8, noise=0.004, seed=1):
    rng = np.random.default_rng(seed)
    truth = scene(rng)
    image, weight = recorded(truth, rng, blur_px=blur_px, noise=noise)
    edge = find_edge(image, CENTRE, RADIUS)
    return truth, image, weight, edge, measure_spectrum(image, weight, edge)


def rms(image, truth, where):
    return float(np.sqrt(np.mean((image - truth)[where] ** 2)))


@pytest.mark.parametrize("blur_px", [1.2, 1.8, 2.6])
def test_limb_tells_the_blur(blur_px):
    edge = prepared(blur_px)[3]
    # the scene's own edge is a ramp of one pixel (0.29 px), and 72 sectors of granules scatter: 5 %
    assert edge.blur_px == pytest.approx(np.hypot(blur_px, 0.29), rel=0.05)


@pytest.mark.parametrize("noise", [0.002, 0.02])
def test_deblurred_disk_is_nearer_to_the_truth(noise):
    truth, image, weight, edge, spectrum = prepared(noise=noise)
    made = deblur(image, weight, edge, spectrum)
    disk, limb = distance() < 0.95 * RADIUS, np.abs(distance() - RADIUS) < 5
    assert rms(made.image, truth, disk) < 0.85 * rms(image, truth, disk)
    assert rms(made.image, truth, limb) < 0.85 * rms(image, truth, limb)
    # the proposed strength is the better one against both less and more of the same change
    for other in (0.5, 2.0):
        changed = deblur(image, weight, edge, spectrum, strength=other, most=3.0).image
        assert rms(made.image, truth, disk) < rms(changed, truth, disk)


def test_limb_does_not_ring():
    truth, image, weight, edge, spectrum = prepared(noise=0.002)
    made = deblur(image, weight, edge, spectrum)
    before, after, sharp = (ring_means(x, -15, 15) for x in (image, made.image, truth))
    step = before[0] - before[-1]
    assert (after - np.maximum(before, sharp)).max() <= 0.03 * step
    assert (np.minimum(before, sharp) - after).max() <= 0.03 * step
    assert np.abs(np.diff(after)).max() > 1.3 * np.abs(np.diff(before)).max()  # and it is sharper


def test_noise_gain_is_what_noise_suffers():
    _, image, weight, edge, spectrum = prepared()
    weight[:] = spectrum.weight
    noise = 1e-3 * np.random.default_rng(7).standard_normal(image.shape).astype(np.float32)
    made = deblur(image, weight, edge, spectrum)
    more = deblur(image + noise, weight, edge, spectrum)
    inside = distance() < 0.9 * RADIUS
    # 230,000 pixels: 0.2 %
    assert (more.image - made.image)[inside].std() / noise[inside].std() == pytest.approx(made.noise_gain, rel=0.01)


def test_where_few_frames_were_averaged_less_is_taken_back():
    _, image, weight, edge, spectrum = prepared(noise=0.01)
    made = deblur(image, weight, edge, spectrum)
    even = deblur(image, np.full_like(weight, spectrum.weight), edge, spectrum)
    few = (weight < 50) & (distance() < 0.9 * RADIUS)
    many = (weight > 50) & (distance() < 0.9 * RADIUS)
    many[:, :330] = False  # a filter reaches a little
    # most of the change is noise that is smoothed; structure is kept down the more
    assert (made.image - image)[few].std() < 0.95 * (even.image - image)[few].std()
    assert np.allclose(made.image[many], even.image[many], atol=2e-3)


def test_blocks_threads_and_gaps_change_nothing(monkeypatch):
    _, image, weight, edge, spectrum = prepared()
    kept = image.copy()
    whole = deblur(image, weight, edge, spectrum).image
    assert np.array_equal(deblur(image, weight, edge, spectrum, jobs=2).image, whole)
    monkeypatch.setattr("diskmosaic.arrays.sharpen._BLOCK", 512)
    # another transform, and a filter sampled half as finely in frequency
    assert np.abs(deblur(image, weight, edge, spectrum).image - whole).max() < 2e-3
    assert np.array_equal(image, kept)
    image[:40, :50] = np.nan
    assert np.array_equal(np.isnan(deblur(image, weight, edge, spectrum).image), np.isnan(image))


def test_without_a_limb_nothing_is_told():
    assert find_edge(np.full((200, 300), 5.0, np.float32), (100.0, 900.0), 290.0) is None
