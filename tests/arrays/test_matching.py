"""Shifts that are known: refined, cell by cell where the air warps, and compared with a peer."""

import numpy as np
import pytest
from diskmosaic.arrays.correlation import overlap_windows
from diskmosaic.arrays.matching import CELL_PX, refine
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage import data
from skimage.registration import phase_cross_correlation
from textures import field, fourier_shift, search, textures


@pytest.mark.parametrize(("noise", "bound"), [(0.0, 0.01), (10.0, 0.02), (50.0, 0.08)])
def test_fractions_are_refined(noise, bound):
    rng = np.random.default_rng(17)
    errors = []
    for _ in range(8):
        sky = field(rng, (240, 300))
        part = rng.uniform(-0.5, 0.5, 2)
        moved = fourier_shift(sky, -part)
        grain = rng.normal(0, noise, (2, 140, 170)).astype(np.float32)
        fixed, moving = textures(sky[40:180, 50:220] + grain[0], moved[67:207, 21:191] + grain[1])
        match = refine(fixed, moving, (27 + int(rng.integers(-1, 2)), -29 + int(rng.integers(-1, 2))))
        errors.append(np.subtract(match.shift, (27 + part[0], -29 + part[1])))
        # the formal error is of the right size: it knows white noise only, and this one is smoothed
        assert match.sigma_px < bound
    # noise 0: the interpolation alone; 5 % noise on 5 % structure: measured 0.04 px
    assert np.sqrt(np.mean(np.square(errors))) < bound
    assert np.abs(np.mean(errors, axis=0)).max() < bound / 2  # no bias towards whole pixels


@pytest.mark.parametrize("name", ["camera", "moon"])
def test_a_peer_agrees_on_photographs(name):
    image = getattr(data, name)().astype(np.float32) + 10
    image = ndimage.gaussian_filter(image, 1.0)
    rng = np.random.default_rng(30)
    for _ in range(3):
        shift = rng.uniform(-12, 12, 2)
        moved = fourier_shift(image, -shift)
        window = (slice(60, 380), slice(70, 430))  # away from the wrapped border
        fixed, moving = image[window], moved[window]
        one, other = textures(fixed, moving)
        (peak,) = search(one, other)
        own = refine(one, other, peak.shift).shift
        np.testing.assert_allclose(own, shift, atol=0.03)  # fine structure only, clipped at 4 deviations
        # the peer sees the same structure, under a window that hides the cut edges; normalization=None is its
        # better mode on smooth scenes. Its correlation treats the overlap as periodic: good to 0.1 px
        hann = np.outer(np.hanning(320), np.hanning(360))
        peer = phase_cross_correlation(one.values * hann, other.values * hann, upsample_factor=100, normalization=None)[
            0
        ]
        np.testing.assert_allclose(own, peer, atol=0.12)


def test_refinement_that_walks_away_is_refused():
    rng = np.random.default_rng(3)
    sky = field(rng, (200, 260))
    one, other = textures(sky[:150, :200], sky[6:156, 6:206])
    assert refine(one, other, (6, 6)) is not None
    assert refine(one, other, (148, 10)) is None  # a strip of two rows
    assert refine(one, other, (400, 10)) is None  # no overlap at all
    walked = refine(one, other, (6, 6), reach_px=0.0)
    assert walked is None or np.abs(np.subtract(walked.shift, 6)).max() < 1e-9


@settings(max_examples=40)
@given(st.tuples(st.integers(-70, 70), st.integers(-90, 90)))
def test_windows_see_the_same_pixels(shift):
    sky = np.arange(250 * 330).reshape(250, 330)
    fixed, moving = sky[90:150, 100:180], sky[90 + shift[0] : 140 + shift[0], 100 + shift[1] : 190 + shift[1]]
    windows = overlap_windows(fixed.shape, moving.shape, shift)
    if windows is None:
        assert shift[0] >= 60 or shift[0] <= -50 or shift[1] >= 80 or shift[1] <= -90
    else:
        np.testing.assert_array_equal(fixed[windows[0]], moving[windows[1]])


def warped(rng, sky, rms, scale):
    """A piece of sky seen through a smooth field of displacements of mean 0; and the field (2, h, w)."""
    h, w = sky.shape
    fields = []
    for _ in range(2):
        move = ndimage.gaussian_filter(rng.standard_normal((h, w)), scale, mode="wrap")
        fields.append(rms * (move - move.mean()) / move.std())
    y, x = np.mgrid[:h, :w]
    return ndimage.map_coordinates(sky, [y + fields[0], x + fields[1]], order=5, mode="wrap"), np.array(fields)


@pytest.mark.parametrize("noise", [3.0, 50.0])
def test_errors_tell_the_noise(noise):
    rng = np.random.default_rng(41)
    ratios, warps = [], []
    for _ in range(30):
        sky = field(rng, (200, 300))
        grain = rng.normal(0, noise, (2, 200, 300)).astype(np.float32)
        match = refine(*textures(sky + grain[0], sky + grain[1]), (0, 0))
        ratios.append(np.array(match.shift) / match.sigma_px)
        warps.append(match.warp_px / match.sigma_px)
    # 60 numbers tell their deviation to 9 %; the grain of noise depends on the structure's width (7 to 28 px)
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.4
    # a cell of 24 knows its place to 5 times the whole's error: its scatter is told from that, not taken for warps
    assert np.median(warps) < 2.5


def test_warps_are_told_and_averaged_by_area():
    rng = np.random.default_rng(43)
    plain, by_area, told = [], [], []
    for _ in range(12):
        # the structure is strong in one corner: it must not decide for the whole
        strength = np.ones((260, 330))
        strength[:100, :120] = 5
        sky = 1000 + (field(rng, (260, 330), contrast=0.03) - 1000) * strength
        moved, fields = warped(rng, sky, 0.4, 25)
        one, other = textures(sky.astype(np.float32), moved.astype(np.float32))
        inside = fields[:, 12:-12, 12:-12].mean(axis=(1, 2))  # the border is not used
        match = refine(one, other, (0, 0))
        by_area.append(np.array(match.shift) - inside)
        plain.append(np.array(refine(one, other, (0, 0), rigid=True).shift) - inside)
        told.append(match.warp_px)
    # within cells of 48 px fields as narrow as 25 px average to some 0.3 px
    assert 0.2 < np.mean(told) < 0.45
    assert np.sqrt(np.mean(np.square(by_area))) < 0.6 * np.sqrt(np.mean(np.square(plain)))


def test_turn_and_stretch_come_with_their_error():
    rng = np.random.default_rng(47)
    turn, stretch = 1.2e-3, -0.8e-3
    ratios = []
    for _ in range(10):
        sky = field(rng, (300, 400))
        y, x = np.mgrid[40:260, 50:350].astype(float)
        dy, dx = y - 150, x - 200
        # what is seen at (y, x) belongs further on by the turn and the stretch
        moved = ndimage.map_coordinates(
            sky, [y + turn * dx + stretch * dy, x - turn * dy + stretch * dx], order=5, mode="wrap"
        )
        grain = rng.normal(0, 5, (2, *y.shape))
        one, other = textures(
            (sky[40:260, 50:350] + grain[0]).astype(np.float32), (moved + grain[1]).astype(np.float32)
        )
        match = refine(one, other, (0, 0))
        assert match.turn_sigma < 1e-4
        ratios.append(((match.turn_rad - turn) / match.turn_sigma, (match.stretch - stretch) / match.turn_sigma))
    assert np.sqrt(np.mean(np.square(ratios))) < 2.0


def test_an_overlap_of_one_cell_tells_no_warps():
    sky = field(np.random.default_rng(5), (CELL_PX, CELL_PX))
    match = refine(*textures(sky, sky), (0, 0))
    assert np.isnan(match.warp_px)
    assert np.isnan(match.turn_rad)
    np.testing.assert_allclose(match.shift, 0, atol=1e-6)
