"""Multi-scale contrast: structure is lifted, noise and the limb are not."""

import numpy as np
import pytest
from diskmosaic.arrays.contrast import lift_scales, shrink
from diskmosaic.arrays.limb_profile import find_edge

from arrays.simulated import CENTRE, RADIUS, distance, recorded, ring_means, scene

OPTIONS = {"typical": 100.0, "amount": 1.0, "finest_px": 1.5, "coarsest_px": 12.0, "sigma": 3.0}


def made(structure, noise):
    rng = np.random.default_rng(3)
    image, weight = recorded(scene(rng, structure=structure), rng, blur_px=1.5, noise=noise)
    weight[:] = 100
    return image, weight, find_edge(image, CENTRE, RADIUS)


def test_structure_is_lifted_and_the_limb_does_not_ring():
    image, weight, edge = made(0.06, 1e-4)
    lifted = lift_scales(image, weight, edge, noise=1e-4, **OPTIONS)
    inside = distance() < 0.8 * RADIUS
    quiet = edge.base(edge.offsets(slice(0, image.shape[0]), slice(0, image.shape[1])))
    # amount 1 doubles, less what is strong: between 1.5 and 2
    assert 1.5 < (lifted - quiet)[inside].std() / (image - quiet)[inside].std() < 2.0
    before, after = ring_means(image, -15, 15), ring_means(lifted, -15, 15)
    assert np.abs(after - before).max() < 0.03 * (before[0] - before[-1])


def test_noise_is_left_as_it_is():
    image, weight, edge = made(1e-6, 0.01)
    lifted = lift_scales(image, weight, edge, noise=0.0105, **OPTIONS)
    inside = distance() < 0.8 * RADIUS
    inside[:, :200] = False  # there the simulated noise is larger
    quiet = edge.base(edge.offsets(slice(0, image.shape[0]), slice(0, image.shape[1])))
    assert (lifted - quiet)[inside].std() < 1.02 * (image - quiet)[inside].std()


def test_a_part_of_the_disk_without_its_centre_is_lifted_too():
    image, weight, _ = made(0.06, 1e-4)
    # to the right of the centre and its surroundings: nothing of the inner 0.4 radii is seen
    start = int(CENTRE[1] + 0.45 * RADIUS)
    part = np.ascontiguousarray(image[:, start:])
    edge = find_edge(part, (CENTRE[0], CENTRE[1] - start), RADIUS)
    lifted = lift_scales(part, np.ascontiguousarray(weight[:, start:]), edge, noise=1e-4, **OPTIONS)
    y, x = np.indices(part.shape)
    inside = np.hypot(y - CENTRE[0], x + start - CENTRE[1]) < 0.8 * RADIUS
    quiet = edge.base(edge.offsets(slice(0, part.shape[0]), slice(0, part.shape[1])))
    assert (lifted - quiet)[inside].std() > 1.2 * (part - quiet)[inside].std()


def test_rows_and_threads_change_nothing(monkeypatch):
    image, weight, edge = made(0.06, 0.01)
    whole = lift_scales(image, weight, edge, noise=0.01, **OPTIONS)
    monkeypatch.setattr("diskmosaic.arrays.contrast._ROWS", 100)
    assert np.abs(lift_scales(image, weight, edge, noise=0.01, jobs=2, **OPTIONS) - whole).max() < 1e-5


def test_shrinking_is_continuous_and_spares_what_stands_out():
    x = np.linspace(-10, 10, 2001).astype(np.float32)
    y = shrink(x, 1.0)
    assert np.abs(np.diff(y)).max() < 0.03
    assert (y[np.abs(x) < 1] == 0).all()
    assert y[-1] == pytest.approx(9.9)
