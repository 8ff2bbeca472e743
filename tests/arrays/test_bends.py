"""Bends of overlapping images: measured where they overlap, and what that says of the rest."""

import numpy as np
from diskmosaic.arrays.bends import Difference, compare, solve_bends, typical_bend
from scipy import ndimage

CELL = 24


def scene(rng, shape, at=None):
    """Texture of 1.6 px, as it lies at `at`."""
    texture = ndimage.gaussian_filter(rng.standard_normal((shape[0] + 40, shape[1] + 40)), 1.6)
    texture = 1000 * (1 + 0.1 * texture / texture.std())
    y, x = np.mgrid[: shape[0], : shape[1]] + 20.0
    move = (0.0, 0.0) if at is None else at
    return ndimage.map_coordinates(texture, [y + move[0], x + move[1]], order=5).astype(np.float32)


def answer(normal, right):
    return np.linalg.solve(normal, right[..., None])[..., 0]


def test_a_displacement_is_measured():
    shape = (6 * CELL, 8 * CELL)
    noise = np.random.default_rng(2).normal(0, 5, (2, *shape)).astype(np.float32)
    a = scene(np.random.default_rng(1), shape, (0.06, -0.04)) + noise[0]
    b = scene(np.random.default_rng(1), shape, (-0.02, 0.05)) + noise[1]
    normal, right = compare(a, b, np.ones(shape, bool), CELL)
    inner = (slice(1, -1), slice(1, -1))
    found = answer(normal[inner], right[inner])
    # 24 cells average to a quarter of a cell's error
    np.testing.assert_allclose(found.mean((0, 1)), (0.08, -0.09), atol=0.004)
    # what a cell says of its own error is right to a half: neighbouring pixels go together by a round number
    stated = np.sqrt(np.linalg.inv(normal[inner])[..., [0, 1], [0, 1]])
    pull = (found - (0.08, -0.09)) / stated
    assert 0.5 < np.sqrt(np.mean(pull**2)) < 1.5


def test_nothing_is_said_where_one_image_is_blind():
    shape = (4 * CELL, 6 * CELL)
    a = scene(np.random.default_rng(1), shape)
    seen = np.ones(shape, bool)
    seen[:, : 2 * CELL] = False
    normal, right = compare(a, a, seen, CELL)
    assert not normal[:, :2].any()
    assert not right.any()
    assert normal[1:3, 3:5, 0, 0].all()
    assert not compare(a, a, np.zeros(shape, bool), CELL)[0].any()


def test_what_changed_says_next_to_nothing():
    shape = (6 * CELL, 6 * CELL)
    a = scene(np.random.default_rng(1), shape, (0.05, 0.0)) + np.random.default_rng(2).normal(0, 3, shape)
    b = scene(np.random.default_rng(1), shape, (-0.05, 0.0)) + np.random.default_rng(3).normal(0, 3, shape)
    b[50:62, 50:62] += 800  # a flare
    normal, _right = compare(a.astype(np.float32), b.astype(np.float32), np.ones(shape, bool), CELL)
    trace = np.trace(normal, axis1=-2, axis2=-1)
    # its rim would tell a displacement a hundred times better than texture does
    assert trace[2, 2] < np.median(trace[1:-1, 1:-1])


def bent_row(rng, count, deviation, width):
    """`count` images in a row, each overlapping the next by a third; bends drawn as they are expected to be."""
    rows, columns, step = 6, 12, 8
    y, x = np.mgrid[:rows, :columns].reshape(2, -1)
    covariance = np.exp(-((y[:, None] - y) ** 2 + (x[:, None] - x) ** 2) / (2 * width**2)) * deviation**2
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0))
    bends = [np.stack([root @ rng.standard_normal(y.size) for _ in range(2)], -1) for _ in range(count)]
    bends = [bend.reshape(rows, columns, 2) for bend in bends]
    corners, shapes = [(0, step * k) for k in range(count)], [(rows, columns)] * count
    error = 0.02
    differences = []
    for k in range(count - 1):
        true = bends[k][:, step:] - bends[k + 1][:, : columns - step]
        normal = np.zeros((*true.shape[:2], 2, 2))
        normal[..., [0, 1], [0, 1]] = 1 / error**2
        right = (true + rng.normal(0, error, true.shape)) / error**2
        differences.append(Difference(k, k + 1, (0, step * (k + 1)), normal, right))
    return bends, covariance, differences, corners, shapes, error


def test_bends_are_those_of_linear_prediction():
    rng = np.random.default_rng(4)
    _, covariance, differences, corners, shapes, error = bent_row(rng, 3, 0.07, 2.0)
    found = solve_bends(differences, corners, shapes, deviation_px=0.07, width=2.0)
    # the same by the textbook: C A' (A C A' + E)^-1 z, dense
    size = covariance.shape[0]
    every = np.kron(np.eye(3), covariance)
    index = np.arange(size).reshape(6, 12)
    told, rows = [], []
    for k, one in enumerate(differences):
        for here, there, value in zip(
            index[:, 8:].ravel(), index[:, :4].ravel(), one.right.reshape(-1, 2) * error**2, strict=True
        ):
            row = np.zeros(3 * size)
            row[k * size + here], row[(k + 1) * size + there] = 1, -1
            rows.append(row)
            told.append(value)
    design = np.array(rows)
    inner = design @ every @ design.T + error**2 * np.eye(len(told))
    expected = every @ design.T @ np.linalg.solve(inner, np.array(told))
    # the smoothing's Gaussian is cut at four widths and sampled: 1 % of a bend of 0.07 px
    np.testing.assert_allclose(np.stack(found).reshape(-1, 2), expected, atol=1.5e-3)


def test_overlaps_lower_the_bends_and_nothing_is_said_far_from_them():
    before, after, far = [], [], []
    for seed in range(6):
        bends, _, differences, corners, shapes, _ = bent_row(np.random.default_rng(seed), 3, 0.07, 2.0)
        deviation = typical_bend(differences)
        assert 0.03 < deviation < 0.12  # two overlaps of two dozen cells, two cells wide: few independent ones
        found = solve_bends(differences, corners, shapes, deviation_px=deviation, width=2.0)
        before.append(bends[1][:, :4])
        after.append((bends[1] - found[1])[:, :4])
        far.append(found[0][:, 0])  # eight cells, four widths, from where it is overlapped
    # of two independent bends the difference tells half the variance
    assert np.mean(np.square(after)) < 0.65 * np.mean(np.square(before))
    assert np.abs(far).max() < 0.002


def test_images_that_agree_are_not_bent():
    rng = np.random.default_rng(7)
    normal = np.zeros((5, 5, 2, 2))
    normal[..., [0, 1], [0, 1]] = 1 / 0.02**2
    right = rng.normal(0, 1 / 0.02, (5, 5, 2))
    # only the errors of the measurement: no bend stands out of them by more than a quarter of their size
    assert typical_bend([Difference(0, 1, (0, 0), normal, right)]) < 0.01
    assert typical_bend([]) == 0
