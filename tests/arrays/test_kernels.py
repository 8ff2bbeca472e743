"""The compiled loops against plain numpy and scipy."""

import cv2
import numpy as np
import pytest
from diskmosaic.arrays.cellsums import block_means, compare
from diskmosaic.arrays.kernels import warp, warp_add
from diskmosaic.synthetic.camera import PAD_PX, Warps
from scipy import ndimage

SHAPE = (53, 78)


def displacement(field, shape):
    """The field at every pixel, (2, h, w): linear between the cells' centres, held beyond the outer ones."""
    axes = []
    for size, cells in zip(shape, field.shape[:2], strict=True):
        step = size / cells
        axes.append(np.clip((np.arange(size) + 0.5) / step - 0.5, 0, cells - 1))
    at = np.meshgrid(*axes, indexing="ij")
    return np.stack([ndimage.map_coordinates(field[..., k].astype(float), at, order=1) for k in (0, 1)])


def keys(t):
    """Keys' kernel (1981, IEEE Trans. ASSP 29, 1153, equation 15, a = -1/2) at the distance t."""
    t = np.abs(t)
    near = 1.5 * t**3 - 2.5 * t**2 + 1
    far = -0.5 * t**3 + 2.5 * t**2 - 4 * t + 2
    return np.where(t < 1, near, np.where(t < 2, far, 0))


def keys_warp(image, u):
    """``image(x + u)`` by the kernel's formula, sample by sample; the border's value beyond it."""
    h, w = image.shape
    y, x = np.mgrid[:h, :w]
    at = (y + u[0], x + u[1])
    low = [np.floor(part).astype(int) for part in at]
    out = np.zeros(image.shape)
    for j in range(-1, 3):
        for k in range(-1, 3):
            rows, columns = np.clip(low[0] + j, 0, h - 1), np.clip(low[1] + k, 0, w - 1)
            out += keys(at[0] - low[0] - j) * keys(at[1] - low[1] - k) * image[rows, columns]
    return out


def random_field(rng, cells=(4, 6), size=3.0):
    return (size * rng.standard_normal((*cells, 2))).astype(np.float32)


def gentle_field(rng, cells=(4, 6), offset=(1.3, -2.7), slope=0.03):
    """As steep as the air's warps get: 0.03 px a px; those of 0.7 px rms, 80 px wide, have 0.013 rms."""
    step = SHAPE[1] / cells[1]
    return (np.array(offset) + slope * step * rng.uniform(-0.5, 0.5, (*cells, 2))).astype(np.float32)


def texture(rng, sigma=2.5):
    image = ndimage.gaussian_filter(rng.standard_normal(SHAPE), sigma)
    return (image / image.std()).astype(np.float32)


def test_quadratics_are_met_exactly_inside():
    rng = np.random.default_rng(1)
    a = rng.uniform(-1, 1, 6)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]

    def quadratic(y, x):
        y, x = (y - 26) / 26, (x - 39) / 39
        return a[0] + a[1] * y + a[2] * x + a[3] * y * y + a[4] * y * x + a[5] * x * x

    field = gentle_field(rng)
    u = displacement(field, SHAPE)
    at = (y + u[0], x + u[1])
    inside = (at[0] > 1) & (at[0] < SHAPE[0] - 2) & (at[1] > 1) & (at[1] < SHAPE[1] - 2)
    image = quadratic(y, x).astype(np.float32)
    found = warp(image, field)
    assert inside.mean() > 0.7
    # the vertical displacement is that half a pixel beside, by the field's slope there: where the slope changes by
    # 0.06 that misses 0.03 px at most, times slopes of 0.1 a px
    assert np.abs(found - quadratic(*at))[inside].max() < 3e-3
    # along straight pieces of the field it is met to single precision: values up to 4, places to 4e-6 px
    plain = gentle_field(rng, (1, 1))
    v = displacement(plain, SHAPE)
    found = warp(image, plain)
    at = (y + v[0], x + v[1])
    inside = (at[0] > 1) & (at[0] < SHAPE[0] - 2) & (at[1] > 1) & (at[1] < SHAPE[1] - 2)
    assert np.abs(found - quadratic(*at))[inside].max() < 5e-6
    spline = ndimage.map_coordinates(image, at, order=3, mode="mirror")
    # the spline's mirrored border has died away 12 px inside
    deep = ndimage.binary_erosion(inside, iterations=12)
    assert np.abs(found - spline)[deep].max() < 5e-6


def test_smooth_texture_is_met_as_by_a_spline():
    rng = np.random.default_rng(2)
    image, field = texture(rng), gentle_field(rng)
    u = displacement(field, SHAPE)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    at = (y + u[0], x + u[1])
    inside = (at[0] > 8) & (at[0] < SHAPE[0] - 9) & (at[1] > 8) & (at[1] < SHAPE[1] - 9)
    spline, linear = (ndimage.map_coordinates(image.astype(float), at, order=order) for order in (3, 1))
    error = (warp(image, field) - spline)[inside].std()
    # the kernel's third-order error for a Gaussian texture of 2.5 px: 0.2 %; linear interpolation has 2 %
    assert error < 0.004
    assert error < 0.35 * (linear - spline)[inside].std()


@pytest.mark.parametrize("cells", [(1, 1), (7, 1)])
@pytest.mark.parametrize("size", [0.4, 3.0, 40.0])
def test_every_pixel_is_the_kernels_the_border_included(cells, size):
    rng = np.random.default_rng([3, *cells])
    image = rng.standard_normal(SHAPE).astype(np.float32)  # white: nothing forgives a wrong sample
    field = random_field(rng, cells, size)
    found = warp(image, field)
    expected = keys_warp(image, displacement(field, SHAPE))
    # places are held in single precision: 2^-24 of 100 px, times slopes of up to 10 a px
    assert np.abs(found - expected).max() < 3e-4


def two_pass_warp(image, u):
    """``image(x + u)`` down the columns, then along the rows, as Catmull & Smith (1980): sample by sample.

    Column c serves the pixel about `middle` px beside it: it is moved by what the field has there, less its slope times
    what that pixel's own displacement differs from `middle`.
    """
    h, w = image.shape
    middle = int(np.floor(u[1].mean() + 0.5))
    column, last = np.arange(w), min(w, w + middle) - 1
    at = np.clip(column - middle, 0, w - 2)
    down = u[0][:, at] - (u[1][:, at] - middle) * (u[0][:, at + 1] - u[0][:, at])
    down[:, column < middle] = u[0][:, :1]  # no pixel goes there: the outer ones stand for it
    down[:, column >= last] = u[0][:, -1:]
    rows, columns = np.mgrid[:h, :w]
    line, out = np.zeros((2, h, w))
    place = rows + down
    low = np.floor(place).astype(int)
    for j in range(-1, 3):
        line += keys(place - low - j) * image[np.clip(low + j, 0, h - 1), columns]
    place = columns + u[1]
    low = np.floor(place).astype(int)
    for k in range(-1, 3):
        out += keys(place - low - k) * line[rows, np.clip(low + k, 0, w - 1)]
    return out


@pytest.mark.parametrize("offset", [(0.2, 0.1), (-3.4, 2.6), (5.5, -41.7), (-2.0, 300.2)])
def test_every_pixel_of_a_gentle_field(offset):
    rng = np.random.default_rng(13)
    image = rng.standard_normal(SHAPE).astype(np.float32)
    field = gentle_field(rng, offset=offset)
    # places are held in single precision: 2^-24 of 400 px, times slopes of white noise of up to 10 a px
    assert np.abs(warp(image, field) - two_pass_warp(image, displacement(field, SHAPE))).max() < 3e-4


# rms px and width px of the air's warps, and what the two passes may miss a place by: the field's second difference
# times half the square of the warps, both of which go with the rms and the former with the inverse square of the width.
# 0.7 px and 100 px miss by 0.0005 px rms, 1.5 px and 60 px by 0.0075; a half more is left to chance
WARPS = [(0.7, 100.0, 0.0008), (0.7, 60.0, 0.0016), (1.0, 80.0, 0.004), (1.5, 100.0, 0.005), (1.5, 60.0, 0.012)]


@pytest.mark.parametrize(("rms", "width", "most"), WARPS)
def test_two_passes_miss_little_along_the_airs_warps(rms, width, most):
    rng = np.random.default_rng([14, int(width)])
    shape, inside = (320, 400), (slice(12, -12), slice(12, -12))  # what is read beyond the border stands still
    drawn = Warps(shape, rms, width).draw(rng)[:, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]
    cells = [cv2.resize(part, (17, 13), interpolation=cv2.INTER_AREA) for part in drawn]  # of 24 px
    field = (np.stack(cells, axis=-1) + rng.normal(0, 2, 2)).astype(np.float32)
    u = displacement(field, shape)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    # the kernel is exact on ramps: a ramp's value is the place that was read
    assert (warp(y, field) - y - u[0])[inside].std() < most
    assert np.abs(warp(x, field) - x - u[1])[inside].max() < 1e-4  # single precision of 400 px
    # frames hold nothing finer than the sharpest moment's blur of 0.8 px: what the second pass misses adds less than a
    # tenth of the kernel's own error, which is nearly all at the highest frequencies
    image = ndimage.gaussian_filter(rng.standard_normal(shape), 0.8).astype(np.float32)
    exact = keys_warp(image, u)
    spline = ndimage.map_coordinates(image.astype(float), (y + u[0], x + u[1]), order=5)
    assert (warp(image, field) - exact)[inside].std() < 0.12 * (exact - spline)[inside].std()


def test_whole_pixels_move_without_a_change():
    image = np.random.default_rng(4).standard_normal(SHAPE).astype(np.float32)
    field = np.broadcast_to(np.float32([2, -5]), (3, 4, 2))
    np.testing.assert_array_equal(warp(image, field)[:-4, 7:], image[2:-2, 2:-5])


def test_beyond_the_border_stands_its_value():
    image = np.random.default_rng(5).standard_normal(SHAPE).astype(np.float32)
    field = np.broadcast_to(np.float32([0, 500]), (2, 2, 2))
    # sixteen weights that add up to 1 in single precision
    np.testing.assert_allclose(warp(image, field), np.broadcast_to(image[:, -1:], SHAPE), atol=2e-6)


def test_only_the_window_gets_light():
    rng = np.random.default_rng(6)
    image, field = texture(rng), random_field(rng)
    before = rng.standard_normal(SHAPE).astype(np.float32)
    light = before.copy()
    window = (slice(5, 31), slice(11, 70))
    assert warp_add(image, field, 2.5, light, window) is None
    expected = before.copy()
    expected[window] += np.float32(2.5) * warp(image, field)[window]
    np.testing.assert_allclose(light, expected, atol=1e-6)  # one rounding more or less
    outside = np.ones(SHAPE, bool)
    outside[window] = False
    np.testing.assert_array_equal(light[outside], before[outside])


def test_an_empty_window_gets_nothing():
    rng = np.random.default_rng(7)
    light = np.zeros(SHAPE, np.float32)
    warp_add(texture(rng), random_field(rng), 1.0, light, (slice(9, 9), slice(0, 78)))
    assert not light.any()


@pytest.mark.parametrize("window", [(slice(0, 53), slice(0, 78)), (slice(9, 40), slice(3, 61))])
def test_sums_over_cells(window):
    rng = np.random.default_rng(8)
    reference, image = rng.standard_normal((2, *SHAPE)).astype(np.float32)
    tools = rng.standard_normal((3, *SHAPE)).astype(np.float32)
    field = random_field(rng, size=0.5)
    edges = (np.array([0, 13, 20, 41, 53]), np.array([0, 30, 31, 78]))
    found = compare(image, field, reference, tools, 1.7, window, edges)
    inside = np.zeros(SHAPE)
    inside[window] = 1
    d = inside * (1.7 * warp(image, field).astype(float) - reference)
    assert found.shape == (3, 4, 3)
    for one, tool in zip(found, tools, strict=True):
        summed = np.add.reduceat(np.add.reduceat(tool * d, edges[0][:-1], 0), edges[1][:-1], 1)
        np.testing.assert_allclose(one, summed, atol=1e-3)  # sums of up to 1,000 numbers in single precision


@pytest.mark.parametrize("factor", [2, 3, 4])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_means_of_blocks(factor, dtype):
    image = np.random.default_rng(factor).uniform(0, 255 if dtype == np.uint8 else 65_535, SHAPE).astype(dtype)
    height, width = SHAPE[0] // factor, SHAPE[1] // factor
    cut = image[: height * factor, : width * factor].astype(np.float64)
    expected = cut.reshape(height, factor, width, factor).mean((1, 3))
    np.testing.assert_allclose(block_means(image, factor), expected, rtol=1e-6)  # single precision


def test_input_is_left_alone():
    rng = np.random.default_rng(9)
    image, field = texture(rng), random_field(rng)
    kept = image.copy(), field.copy()
    warp(image, field)
    np.testing.assert_array_equal(image, kept[0])
    np.testing.assert_array_equal(field, kept[1])
