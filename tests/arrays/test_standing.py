"""What stands still, from two means of series whose frames are known."""

import numpy as np
import pytest
from diskmosaic.arrays.standing import find_standing, response
from diskmosaic.arrays.warped import warped_mean
from scipy import ndimage

SHAPE = (150, 190)


def texture(rng, sigma, rms):
    noise = ndimage.gaussian_filter(rng.standard_normal(SHAPE), sigma, mode="wrap").astype(np.float32)
    return np.float32(rms) * noise / noise.std()


def series(rng, pattern, *, frames=30, motion=2.0, noise=0.0):
    """One series: log(M / B T), its response; the scene moves by whole pixels, so that nothing is interpolated."""
    scene = 1 + texture(rng, 3, 0.1)
    moves = np.rint(rng.normal(0, motion, (frames, 2))).astype(int)
    moves -= np.rint(moves.mean(0)).astype(int)
    still, aligned = np.zeros(SHAPE), np.zeros(SHAPE)
    for y, x in moves:
        frame = np.exp(pattern) * np.roll(scene, (y, x), (0, 1)) + noise * rng.standard_normal(SHAPE)
        still += frame / frames
        aligned += np.roll(frame, (-y, -x), (0, 1)) / frames
    back = np.mean([np.roll(aligned, tuple(move), (0, 1)) for move in moves], axis=0)
    shifts = -moves.astype(float)[:, None, None]
    return np.log(still / back).astype(np.float32), response(SHAPE, shifts, np.ones(frames))


def solve(several, mask=None):
    masks = [np.ones(SHAPE, bool) if mask is None else mask] * len(several)
    return find_standing([r for r, _ in several], masks, [c for _, c in several])


def test_a_response_is_nothing_for_a_series_at_rest_and_for_a_constant():
    at_rest = response(SHAPE, np.zeros((20, 3, 4, 2)), np.ones(20))
    np.testing.assert_allclose(at_rest, 0, atol=1e-5)
    rng = np.random.default_rng(1)
    moving = response(SHAPE, rng.normal(0, 2, (400, 2, 2, 2)), np.ones(400))
    assert moving[0, 0] == pytest.approx(0, abs=1e-5)
    # of Gaussian moves the transform's square is exp(-(2 pi f s)^2); 400 draws know it to about 1/20
    assert moving[0, 19] == pytest.approx(1 - np.exp(-((2 * np.pi * 0.1 * 2) ** 2)), abs=0.05)


def test_the_response_of_a_mean_is_that_of_the_averages_themselves():
    rng = np.random.default_rng(2)
    shifts = rng.integers(-3, 4, (12, 1, 1, 2)).astype(float)
    wave = np.cos(2 * np.pi * np.arange(SHAPE[1]) * 19 / SHAPE[1])[None].repeat(SHAPE[0], 0).astype(np.float32)
    once, _ = warped_mean(wave, shifts, np.ones(12))
    twice, _ = warped_mean(once, -shifts, np.ones(12))
    inner = (slice(20, -20), slice(20, -20))
    # whole pixels: nothing is interpolated, so that only float32 is left
    np.testing.assert_allclose(
        (wave - twice)[inner], response(SHAPE, shifts, np.ones(12))[0, 19] * wave[inner], atol=1e-4
    )


def test_a_pattern_is_found_under_scenes_ten_times_stronger():
    rng = np.random.default_rng(3)
    pattern = texture(rng, 3, 0.01)
    found = solve([series(rng, pattern) for _ in range(6)])
    # scenes of 10 % leave products of scene and pattern, a tenth of the pattern each
    assert (found - pattern).std() < 0.2 * pattern.std()


def test_a_part_of_the_sensor_that_is_masked_does_not_matter_elsewhere():
    rng = np.random.default_rng(4)
    pattern = texture(rng, 3, 0.01)
    mask = np.ones(SHAPE, bool)
    mask[:, :40] = False
    several = [(np.where(mask, r, 5.0).astype(np.float32), c) for r, c in (series(rng, pattern) for _ in range(6))]
    found = solve(several, mask)
    inside = (slice(None), slice(60, None))
    assert (found - pattern)[inside].std() < 0.25 * pattern[inside].std()


def test_nothing_is_found_where_there_is_nothing():
    rng = np.random.default_rng(5)
    quiet = np.zeros(SHAPE, np.float32)
    several = [series(rng, quiet, noise=0.01) for _ in range(6)]
    found = solve(several)
    # 30 frames of 1 % noise are known to 0.18 %, six such means to 0.07 %: what is taken for pattern is far less
    assert found.std() < 2e-4
