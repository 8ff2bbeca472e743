"""Prominences: found, freed of scattered light, lifted; without a dark ring or a second limb."""

import numpy as np
import pytest
from diskmosaic.arrays.limb_profile import find_edge
from diskmosaic.arrays.prominences import look_beyond, show_beyond

from arrays.simulated import CENTRE, RADIUS, SHAPE, distance, recorded, scene


def disk(*, prominence=0.05, haze=0.02, noise=1e-3):
    """A disk in uneven haze, with a prominence of known light from 8 to 30 px off the limb on the right."""
    rng = np.random.default_rng(11)
    image, _ = recorded(scene(rng), rng, blur_px=1.5, noise=0.0)
    r = distance()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    angle = np.arctan2(y - CENTRE[0], x - CENTRE[1])
    off = np.maximum(r - RADIUS, 0)
    image += haze * np.exp(-off / 60) * (1 + 0.3 * np.cos(angle - 1))
    there = (np.abs(angle) < 0.1) & (off > 8) & (off < 30)
    image[there] += prominence
    image += noise * rng.standard_normal(SHAPE)
    return image.astype(np.float32), there, angle


def test_prominence_is_found_and_none_where_there_is_none():
    for prominence, expected in ((0.05, True), (0.0, False)):
        image, _, _ = disk(prominence=prominence)
        beyond = look_beyond(image, find_edge(image, CENTRE, RADIUS))
        assert beyond.any is expected
    assert beyond.noise == pytest.approx(1e-3, rel=0.15)


def test_lift_lies_between_ten_and_a_hundred_times_as_noise_allows():
    image, _, _ = disk(prominence=0.02)
    beyond = look_beyond(image, find_edge(image, CENTRE, RADIUS))
    assert 10 <= beyond.lift <= 100
    noisy, _, _ = disk(prominence=0.05, noise=0.02)
    assert look_beyond(noisy, find_edge(noisy, CENTRE, RADIUS)).lift < 10


def test_prominence_has_its_lifted_light_and_the_sky_none():
    image, there, _ = disk()
    edge = find_edge(image, CENTRE, RADIUS)
    beyond = look_beyond(image, edge)
    clean, shown = show_beyond(image, edge, beyond, lift=10.0)
    value = shown / 65535
    wanted = 10 * 0.05 / edge.step
    # the shoulder is v / sqrt(1 + v^2); scattered light is fitted to a tenth of the prominence
    assert np.median(value[there]) == pytest.approx(wanted / np.hypot(1, wanted), rel=0.1)
    sky = (distance() > RADIUS + 10) & (distance() < RADIUS + 60) & ~there
    assert np.percentile(value[sky], 99) < 0.03  # of haze that was lifted to 0.2 and more
    assert np.abs(clean[sky]).max() < 0.005
    # no specks: each pixel's own noise alone would light 7 % of them (1.5 deviations upwards)
    assert (value[sky] > 0.01).mean() < 0.01
    assert (shown[distance() < RADIUS - 5] == 0).all()  # twice the blur and a pixel


def test_neither_dark_ring_nor_second_limb():
    """Away from the prominence the light falls steadily from disk to sky; at it, it does not dip below the sky."""
    image, _, angle = disk()
    edge = find_edge(image, CENTRE, RADIUS)
    clean, shown = show_beyond(image, edge, look_beyond(image, edge), lift=30.0)
    both = clean / edge.step + shown / 65535
    quiet = np.abs(angle) > 0.3
    k = np.floor(distance() - RADIUS + 6).astype(int)
    inside = quiet & (k >= 0) & (k < 40)
    fall = np.bincount(k[inside], both[inside]) / np.bincount(k[inside])
    assert np.diff(fall).max() < 0.01
    assert fall.min() >= 0


def test_foot_of_a_prominence_stands_in_no_gap():
    """A prominence that rises from the limb itself: along its rays the light nowhere falls below its own."""
    rng = np.random.default_rng(11)
    image, _ = recorded(scene(rng), rng, blur_px=1.5, noise=0.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    there = (
        (np.abs(np.arctan2(y - CENTRE[0], x - CENTRE[1])) < 0.1) & (distance() > RADIUS) & (distance() < RADIUS + 30)
    )
    image[there] += 0.03
    image += (1e-3 * rng.standard_normal(SHAPE)).astype(np.float32)
    edge = find_edge(image, CENTRE, RADIUS)
    clean, shown = show_beyond(image, edge, look_beyond(image, edge), lift=20.0)
    both = 1 - (1 - np.clip(clean / edge.step, 0, 1)) * (1 - shown / 65535)
    k = np.floor(distance() - RADIUS + 6).astype(int)
    inside = (np.abs(np.arctan2(y - CENTRE[0], x - CENTRE[1])) < 0.08) & (k >= 0) & (k < 30)
    ray = np.bincount(k[inside], both[inside]) / np.bincount(k[inside])
    assert ray.min() > 0.9 * np.median(ray[15:])


def test_threads_change_nothing():
    image, _, _ = disk()
    edge = find_edge(image, CENTRE, RADIUS)
    beyond = look_beyond(image, edge)
    one, two = (show_beyond(image, edge, beyond, lift=20.0, jobs=jobs) for jobs in (1, 2))
    assert all(np.array_equal(a, b) for a, b in zip(one, two, strict=True))
