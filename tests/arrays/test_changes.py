"""Grains that came or went: found, told from a scene of one image, and hardly ever where nothing changed."""

import numpy as np
import pytest
from diskmosaic.arrays.changes import find_gone, find_new, less_brims, significant
from diskmosaic.arrays.grains import Grain, find_grains, judge_grains
from diskmosaic.arrays.likeness import bands
from dusty import PLACES, SHAPE, WHOLE, dust, scene
from scipy import ndimage, stats


def rests(rng, seen, known, *, count=9, rms=0.02):
    return [bands(seen + scene(rng, rms), WHOLE)[0] - known for _ in range(count)]


def changes(images, known, masks=None):
    masks = [WHOLE] * len(images) if masks is None else masks
    gone = find_gone(images, masks, known)
    return gone, less_brims(find_new(images, masks, known), gone)


def near(grains, place):
    return any(np.hypot(*np.subtract(grain.place_yx, place)) < 4 for grain in grains)


def test_a_grain_that_moved_is_gone_here_and_new_there():
    known = bands(dust(), WHOLE)[0]
    images = rests(np.random.default_rng(9), dust([*PLACES[1:], (100, 40)]), known)
    gone, new = changes(images, known)
    assert len(gone) == len(new) == 1
    assert near(gone, PLACES[0])
    assert near(new, (100, 40))
    assert new[0].depth == pytest.approx(0.05, abs=0.03)  # of a shadow 10 % deep the widest filter keeps about half


def test_shallow_grains_are_told_once_enough_images_show_them():
    """4 % under a scene of 2 %, three images and sixteen."""
    known = bands(dust(depth=0.04), WHOLE)[0]
    seen = dust(PLACES[1:], depth=0.04) + dust([(100, 40)], depth=0.04)
    found = [changes(rests(np.random.default_rng(5), seen, known, count=n), known) for n in (3, 16)]
    assert near(found[1][0], PLACES[0])
    assert near(found[1][1], (100, 40))
    assert len(found[0][0]) + len(found[0][1]) <= len(found[1][0]) + len(found[1][1])


def test_the_lesser_of_two_grains_whose_shadows_run_together():
    two = dust([*PLACES, (52, 66)])
    known = bands(two, WHOLE)[0]
    gone, _ = changes(rests(np.random.default_rng(3), dust(), known), known)
    assert any(np.hypot(*np.subtract(grain.place_yx, (46, 63))) < 10 for grain in gone)


def test_where_nothing_changed_nothing_is_told():
    """Two questions at 1 in 1000 each: of 40 evenings 0.08 would tell something, 3 or more with 1 in 10,000."""
    known = bands(dust(), WHOLE)[0]
    told = 0
    for seed in range(40):
        rng = np.random.default_rng([1, seed])
        gone, new = changes(rests(rng, dust(), known, count=5), known)
        told += bool(gone or new)
    assert told <= 2


@pytest.mark.parametrize("depth", [0.1, 0.5])
def test_a_spot_that_one_image_shows_is_no_dust(depth):
    known = bands(dust(), WHOLE)[0]
    images = rests(np.random.default_rng(2), dust(), known)
    images[4] = images[4] + bands(dust([(100, 40)], depth=depth), WHOLE)[0]
    assert changes(images, known) == ([], [])


def test_a_grain_drawn_not_quite_as_the_images_have_it_is_still_there():
    """A tenth deeper and 0.3 px aside: more than the trial's own shift and strength leave."""
    known = bands(dust(), WHOLE)[0]
    seen = ndimage.shift(1.1 * dust(), (0.3, 0), order=3, mode="nearest")
    images = rests(np.random.default_rng(4), seen, known, rms=0.005)
    assert changes(images, known) == ([], [])


def test_what_two_images_see_is_not_judged():
    known = bands(dust(), WHOLE)[0]
    images = rests(np.random.default_rng(6), dust([*PLACES[1:], (100, 40)]), known)
    left = WHOLE.copy()
    left[:, :120] = False
    gone, new = changes(images, known, [WHOLE] * 2 + [left] * 7)
    assert not near(gone, PLACES[0])
    assert not near(new, (100, 40))


def test_a_brim_is_no_grain():
    deep, brim, other = Grain((50.0, 50.0), 12.0, 0.2), Grain((50.0, 75.0), 8.0, 0.02), Grain((150.0, 150.0), 8.0, 0.02)
    assert less_brims([brim, other], [deep]) == [other]


@pytest.mark.parametrize(("alpha", "tests"), [(1e-3, 1), (1e-3, 40), (1e-3, 3e4)])
def test_the_bar_is_bonferronis(alpha, tests):
    assert significant(alpha, tests) == pytest.approx(stats.norm.isf(alpha / tests), rel=1e-9)


def test_the_strength_is_told_by_the_grains_that_stayed():
    rng = np.random.default_rng(9)
    known = bands(dust(), WHOLE)[0]
    seen = 0.93 * dust([*PLACES[1:], (100, 40)], radius=6.5)
    found = np.mean([bands(seen + scene(rng, 0.02), WHOLE)[0] for _ in range(9)], axis=0)
    assert len(find_grains(known)) == len(PLACES)
    _, strength, sigma = judge_grains(known, found, WHOLE)
    assert strength == pytest.approx(0.93, abs=max(0.05, 4 * sigma))  # grains of slightly other widths


def test_what_fringes_leave_at_the_rim_does_not_outvote_the_grains():
    known = bands(dust(), WHOLE)[0]
    found = known + scene(np.random.default_rng(11), rms=0.002)
    # fringes that moved: dark traces of the flat's along two rims, which the tiles do not show
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    traces = np.where((x > SHAPE[1] - 5) & (y % 16 < 8) | (y < 4) & (x % 16 < 8), -0.03, 0).astype(np.float32)
    assert len(find_grains(known + traces)) == len(find_grains(known))
    _, strength, sigma = judge_grains(known + traces, found, WHOLE)
    assert strength == pytest.approx(1, abs=max(0.02, 4 * sigma))  # a grain's own strength is known to 1 %


def test_of_three_images_one_may_be_far_quieter():
    """Scenes of 0.5, 3 and 3 %: what is said hangs on the first, and is not to be said for the others."""
    known = bands(dust(), WHOLE)[0]
    told = 0
    for seed in range(30):
        rng = np.random.default_rng([3, seed])
        images = [bands(dust() + scene(rng, rms), WHOLE)[0] - known for rms in (0.005, 0.03, 0.03)]
        gone, new = changes(images, known)
        told += bool(gone or new)
    assert told <= 2  # of 0.06 that the two questions allow
