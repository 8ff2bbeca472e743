"""Photon transfer on frames of known gain, and the price of a flat's noise."""

import numpy as np
import pytest
from diskmosaic.arrays.noise import (
    PhotonTransfer,
    Variances,
    added_noise,
    enough_frames,
    fit_transfer,
    level_bins,
    pair_variances,
    smear,
)

SHAPE = (120, 170)
GAIN, READ = 2.0, 3.0  # e-/ADU, e-


def light(depth=0.4):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] / np.array(SHAPE)[:, None, None] - 0.5
    return 1000 * (1 - 2 * depth * (y**2 + x**2))


def shot(rng, expected):
    """A frame with Poisson noise of the electrons and Gaussian read noise, ADU."""
    return ((rng.poisson(expected * GAIN) + rng.normal(0, READ, SHAPE)) / GAIN).astype(np.float32)


def measured(rng, pairs, expected=None, levels=(1.0,)):
    expected = light() if expected is None else expected
    bins = level_bins(expected.astype(np.float32), np.ones(SHAPE, bool))
    return [
        pair_variances(shot(rng, expected * level), shot(rng, expected * level * 1.02), bins)
        for level in levels
        for _ in range(pairs)
    ]


def test_variance_follows_the_published_form():
    # var = S/K + (r/K)^2 (Janesick, Photon Transfer, SPIE 2007, from memory): K 2, r 3, S 1000 gives 502.25
    parts = measured(np.random.default_rng(1), 40, np.full(SHAPE, 1000.0))
    variance = np.average([np.average(p.variance, weights=p.pixels) for p in parts])
    # 40 pairs of 20,400 pixels know a variance to sqrt(2/816000) = 0.16 %; blocks and clipping cost less than 0.1 %
    assert variance == pytest.approx(502.25, rel=6e-3)


def test_gain_is_found_without_and_with_dark_frames():
    parts = measured(np.random.default_rng(2), 12, levels=(0.3, 1.0))
    alone, helped = fit_transfer(parts), fit_transfer(parts, (READ / GAIN) ** 2)
    # the house's figure: 3 %; 490,000 values over a wide range of levels know the slope to 0.5 %
    assert alone.gain == pytest.approx(GAIN, rel=0.03)
    assert helped.gain == pytest.approx(GAIN, rel=0.01)
    assert helped.read_noise == pytest.approx(READ, rel=0.01)
    assert abs(helped.gain - GAIN) < 5 * helped.gain_sigma
    assert helped.gain_sigma < 0.01 * GAIN


def test_read_noise_is_found_where_dim_frames_show_it():
    # at 20 ADU the read noise is 18 % of the variance
    found = fit_transfer(measured(np.random.default_rng(3), 20, levels=(0.02, 0.2)))
    assert found.read_noise == pytest.approx(READ, rel=0.1)  # slope and intercept pull at each other
    assert found.gain == pytest.approx(GAIN, rel=0.03)


def test_a_hit_and_a_drifting_cloud_are_no_noise():
    rng = np.random.default_rng(4)
    expected = light()
    bins = level_bins(expected.astype(np.float32), np.ones(SHAPE, bool))
    slope = 1 + 0.02 * np.linspace(-1, 1, SHAPE[1])
    parts = []
    for _ in range(16):
        first, second = shot(rng, expected), shot(rng, expected * slope)
        first[17, 30:34] += 4000
        parts.append(pair_variances(first, second, bins))
    # the cloud is 20 ADU at the borders, about the noise; within a block of 16 px 1.1 ADU rms of it, 0.1 % of the noise
    assert fit_transfer(parts, (READ / GAIN) ** 2).gain == pytest.approx(GAIN, rel=0.015)


def test_a_moving_scene_is_no_noise_to_the_fine_measure():
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    expected = light()
    bins = level_bins(expected.astype(np.float32), np.ones(SHAPE, bool))
    parts = []
    for _ in range(16):
        # structure of 14 px, moved by a pixel: 45 % of the noise, but smooth
        scenes = [expected * (1 + 0.05 * np.sin((y + x + move) / 2.2 / 2)) for move in (0, 1)]
        parts.append(pair_variances(*(shot(rng, scene) for scene in scenes), bins, fine=True))
    assert fit_transfer(parts, (READ / GAIN) ** 2).gain == pytest.approx(GAIN, rel=0.03)


def test_what_cannot_be_told_is_not_told():
    assert not np.isfinite(fit_transfer([]).gain)
    # rounding eats the noise: 8 bits at a full well of millions
    flat = Variances(np.linspace(50, 200, 9), np.full(9, 0.05), np.ones(9), np.full(9, 1000.0))
    assert not np.isfinite(fit_transfer([flat]).gain)
    # a variance that does not rise with the level
    rng = np.random.default_rng(6)
    still = Variances(np.linspace(50, 200, 9), 9 + rng.normal(0, 0.4, 9), np.ones(9), np.full(9, 1000.0))
    assert not np.isfinite(fit_transfer([still]).gain)


def test_smear_of_no_jitter_and_of_much():
    assert smear(np.zeros((7, 2)), np.ones(7)) == pytest.approx(1)
    shifts = np.random.default_rng(7).normal(0, 3, (2000, 2))
    # density of the difference of two shifts at zero, 1/(4 pi 9), and each frame with itself, 1/2000
    assert smear(shifts, np.ones(2000)) == pytest.approx(1 / (36 * np.pi) + 1 / 2000, rel=0.1)
    assert smear(np.array([[0, 0], [0, 9.0]]), np.array([1.0, 3.0])) == pytest.approx((1 + 9) / 16)


def test_smear_is_what_white_noise_loses_to_whole_shifts():
    rng = np.random.default_rng(8)
    noise = rng.standard_normal((200, 300))
    shifts, weights = rng.integers(-2, 3, (25, 2)), rng.uniform(0.5, 1, 25)
    stack = sum(w * np.roll(noise, tuple(s), (0, 1)) for s, w in zip(shifts, weights, strict=True)) / weights.sum()
    assert np.var(stack) / np.var(noise) == pytest.approx(smear(shifts, weights), rel=0.05)  # 60,000 values: 1 %


def test_noise_of_a_tile_under_a_flat_and_frames_that_are_enough():
    # one frame over a flat of N, s = 2.241 %: 3.169, 2.350, 2.252 % for N = 1, 10, 100 (s sqrt(1 + 1/N))
    s = PhotonTransfer(GAIN, 0.0, READ).relative_noise(1000.0)
    assert s == pytest.approx(0.02241, abs=1e-5)
    for frames, expected in ((1, 0.03169), (10, 0.02350), (100, 0.02252)):
        assert s * (1 + added_noise(1, s, frames, s)) == pytest.approx(expected, abs=1e-5)
    for stacked, left in ((350, 1.0), (350, 0.08), (20, 1.0)):
        enough = enough_frames(stacked, 0.03, 0.02, left=left)
        assert added_noise(stacked, 0.03, enough, 0.02, left) <= 0.05
        assert added_noise(stacked, 0.03, enough - 1, 0.02, left) > 0.05
