"""Streaming means against peers, known spreads and NIST-like digits; bad pixels."""

import numpy as np
import pytest
from astropy.nddata import CCDData
from astropy.stats import sigma_clip
from ccdproc import Combiner
from diskmosaic.arrays.stacks import Mender, Moments, Trimmed, local_outliers
from hypothesis import given, settings
from hypothesis import strategies as st

SHAPE = (23, 31)


def stack(rng, *, count=60, level=900.0, noise=12.0, hits=40):
    """Frames of Gaussian noise, some values struck by 40 deviations."""
    frames = rng.normal(level, noise, (count, *SHAPE)).astype(np.float32)
    # each in another pixel: the start is meant for one outlier each way
    pixels = rng.choice(frames[0].size, hits, replace=False)
    frames.reshape(count, -1)[rng.integers(0, count, hits), pixels] += (
        rng.choice([-1, 1], hits).astype(np.float32) * 40 * noise
    )
    return frames


def add(sums, frames, *, together=7, bands=(range(5), range(5, SHAPE[0]))):
    """Add frames some at a time, in bands of rows."""
    frames = np.asarray(frames, np.float32)
    nothing = np.zeros(frames.shape[1:], np.float32)
    for first in range(0, len(frames), together):
        part = frames[first : first + together]
        for rows in bands:
            sums.add(part, np.ones(len(part), np.float32), nothing, rows)
    return sums


def trimmed(frames):
    whole = (range(frames[0].shape[0]),)
    return add(Trimmed(np.asarray(frames[0], np.float32)), frames, bands=whole).result(len(frames))


def clipped(frames, *, sigma=5.0, pilot=31):
    start, deviation = trimmed(frames[:pilot])
    return add(Moments(start, np.float32(sigma) * deviation), frames)


def test_clipped_mean_equals_that_of_peers():
    frames = stack(np.random.default_rng(1))
    mean, deviation = clipped(frames, sigma=9).result()  # wide: a start from 31 values is 12 % off
    # peers clip about the median by the robust deviation: the same values go, hence the same means
    peer = Combiner([CCDData(frame, unit="adu") for frame in frames])
    peer.sigma_clipping(low_thresh=12, high_thresh=12, func="median", dev_func="mad_std")
    np.testing.assert_allclose(mean, np.asarray(peer.average_combine()), rtol=1e-4)
    other = sigma_clip(frames, sigma=12, axis=0, cenfunc="median", stdfunc="mad_std", masked=True)
    np.testing.assert_allclose(mean, other.mean(axis=0), rtol=1e-4)
    np.testing.assert_allclose(deviation, other.std(axis=0, ddof=1), rtol=1e-3)  # float32 squares near the mean
    plain = frames.mean(axis=0)
    assert np.abs(plain / mean - 1).max() > 5e-3  # without clipping the hits would show


def test_only_what_was_struck_is_left_out():
    frames = stack(np.random.default_rng(2), hits=25)
    moments = clipped(frames)
    lost = 60 * frames[0].size - moments.count.sum()
    # 5 sigma of a start from 31 values (12 % off): a few of 43,000 Gaussian values are lost too
    assert 25 <= lost <= 25 + 20


def test_digits_of_a_large_constant_survive():
    # as NIST StRD NumAcc4 (from memory): mean 10000000.2, deviation 0.1; a float32 sum or a one-pass
    # variance fails it. float32 frames cannot hold it (step 1 there), so the same at 65,000 with step 1/128.
    centre = np.full(SHAPE, 65_000.25, np.float32)
    steps = np.float32(0.125) * np.array([0, *[-1, 1] * 500], np.float32)
    moments = add(Moments(centre, None), centre + steps[:, None, None])
    mean, deviation = moments.result()
    assert (mean == np.float32(65_000.25)).all()
    np.testing.assert_allclose(deviation, 0.125, rtol=1e-6)  # sqrt(1000/1000) of 0.125 about 1,001 values


def test_means_do_not_drift_over_many_frames():
    centre = np.zeros((2, 3), np.float32)
    moments = add(Moments(centre, None), np.full((20_000, 2, 3), 0.1, np.float32), bands=(range(2),))
    np.testing.assert_array_equal(moments.result()[0], np.float32(0.1))  # a float32 sum: off by 1e-4


def test_one_value_has_no_deviation():
    moments = add(Moments(np.zeros(SHAPE, np.float32), None), np.ones((1, *SHAPE), np.float32))
    mean, deviation = moments.result()
    assert (mean == 1).all()
    assert np.isnan(deviation).all()


@settings(max_examples=15, deadline=None)
@given(st.integers(1, SHAPE[0] - 1), st.sampled_from([4, 8, 16]), st.integers(0, 2**31))
def test_bands_and_batches_change_no_bit(cut, together, seed):
    frames = stack(np.random.default_rng(seed), count=41)
    start, deviation = trimmed(frames[:31])
    whole = add(Moments(start, 5 * deviation), frames, together=4, bands=(range(SHAPE[0]),))
    parts = add(Moments(start, 5 * deviation), frames, together=together, bands=(range(cut, SHAPE[0]), range(cut)))
    for name in ("sum", "squares", "count"):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("count", [1, 4, 6])
def test_raw_frames_are_scaled_and_clipped_as_by_plain_numpy(dtype, count):
    rng = np.random.default_rng(count)
    raw = rng.integers(0, 250, (count, *SHAPE)).astype(dtype)
    scales = rng.uniform(0.8, 1.2, count).astype(np.float32)
    base, centre = (rng.uniform(10, 100, SHAPE).astype(np.float32) for _ in range(2))
    limit = np.full(SHAPE, 60, np.float32)
    moments = Moments(centre, limit)
    moments.add(raw, scales, base, range(3, SHAPE[0]))
    difference = (raw.astype(np.float32) - base) * scales[:, None, None] - centre
    inside = np.where(np.abs(difference) <= 60, difference, 0).astype(np.float64)
    kept = np.count_nonzero(np.abs(difference) <= 60, axis=0)
    assert 0 < kept[3:].sum() < raw[:, 3:].size  # some are clipped, not all
    np.testing.assert_array_equal(moments.count[3:], kept[3:])
    # sums of four values up to 60 in single precision: each rounded by 120 * 2^-24
    np.testing.assert_allclose(moments.sum[3:], inside.sum(axis=0)[3:], atol=5e-5)
    np.testing.assert_allclose(moments.squares[3:], np.square(inside).sum(axis=0)[3:], rtol=1e-6)
    assert not moments.count[:3].any()


def test_a_value_that_is_none_is_left_out():
    frames = np.full((9, *SHAPE), 5, np.float32)
    frames[3, 7, 8] = np.nan
    moments = add(Moments(np.full(SHAPE, 4, np.float32), None), frames)
    assert moments.count[7, 8] == 8
    assert moments.count.sum() == 9 * frames[0].size - 1
    np.testing.assert_array_equal(moments.result()[0], np.float32(5))


@pytest.mark.parametrize("count", [5, 11, 31])
def test_the_start_resists_one_outlier_each_way_and_keeps_the_spread(count):
    rng = np.random.default_rng(count)
    frames = rng.normal(500, 10, (count, 60, 70)).astype(np.float32)
    frames[1] += 1e4
    frames[-1] -= 400
    centre, deviation = trimmed(frames)
    rest = count - 2
    assert np.abs(centre.mean() - 500) < 4 * 10 / np.sqrt(rest * centre.size)
    # the two outliers are what is trimmed; made up as if they were noise: biased high by that factor
    assert 0.95 * 10 < np.sqrt(np.mean(deviation**2)) < 2.2 * 10
    clean, spread = trimmed(rng.normal(500, 10, (count, 60, 70)).astype(np.float32))
    assert np.sqrt(np.mean(spread**2)) == pytest.approx(10, rel=0.03)  # 4,200 pixels and the simulated factor
    assert clean.std() == pytest.approx(10 / np.sqrt(count), rel=0.15)  # trimming costs a few per cent


def test_a_start_needs_four_frames():
    with pytest.raises(ValueError, match="at least 4"):
        trimmed(np.zeros((3, 4, 5), np.float32))


def test_bad_pixels_are_mended_from_good_neighbours():
    y, x = np.mgrid[:40, :50].astype(np.float32)
    truth = 100 + 2 * y - 3 * x
    good = np.ones(truth.shape, bool)
    for row, column in [(5, 5), (20, 30), (20, 31), (21, 30)]:
        good[row, column] = False
    spoilt = np.where(good, truth, 1e5).astype(np.float32)
    Mender(good).mend(spoilt)
    assert spoilt[5, 5] == pytest.approx(truth[5, 5], abs=1e-3)  # a lone pixel of a ramp: exact but for float32
    cluster = ~good
    assert np.abs(spoilt - truth)[cluster].max() < 4  # one-sided neighbours: about a pixel's step (3.6)
    np.testing.assert_array_equal(spoilt[good], truth[good])


def test_corners_blocks_and_nothing_to_mend():
    truth = np.full((30, 41), 7.0, np.float32)
    good = np.ones(truth.shape, bool)
    good[0, 0] = good[-1, -1] = good[0, 20] = False
    good[10:15, 10:15] = False  # its middle has no good neighbour within 2 px
    spoilt = np.where(good, truth, np.float32(-9))
    Mender(good).mend(spoilt)
    np.testing.assert_array_equal(spoilt, truth)
    Mender(np.ones(truth.shape, bool)).mend(spoilt)
    np.testing.assert_array_equal(spoilt, truth)


@pytest.mark.parametrize("where", ["first", "middle", "last"])
def test_a_hopeless_pixel_is_left_and_the_others_are_mended(where):
    # blocks of 11 px: their middles have no good neighbour within reach
    good = np.ones((40, 90), bool)
    top = {"first": 0, "middle": 14, "last": 29}[where]
    left = {"first": 0, "middle": 40, "last": 79}[where]
    good[top : top + 11, left : left + 11] = False
    good[20, 20] = good[39, 0] = good[3, 60] = False
    spoilt = np.where(good, np.float32(5), np.float32(99))
    Mender(good).mend(spoilt)
    assert spoilt[20, 20] == spoilt[39, 0] == spoilt[3, 60] == 5
    assert (spoilt[good] == 5).all()
    block = spoilt[top : top + 11, left : left + 11]
    assert set(np.unique(block)) <= {5.0, 99.0}  # mended exactly or left as it was, never mixed up
    assert block[5, 5] == 99


def test_lone_pixels_are_outliers_and_dust_is_not():
    rng = np.random.default_rng(3)
    flat = (1 + 0.005 * rng.standard_normal((120, 150))).astype(np.float32)
    y, x = np.mgrid[:120, :150]
    flat *= 1 - 0.25 * (np.hypot(y - 60, x - 50) < 5)  # a dust shadow 10 px across, 25 % deep, hard edge
    flat[10, 20], flat[100, 3], flat[119, 149] = 0.02, 1.9, 0.1
    found = local_outliers(flat, sigma=12.0, floor=0.35)
    assert sorted(map(tuple, np.argwhere(found))) == [(10, 20), (100, 3), (119, 149)]
