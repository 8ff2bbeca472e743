"""The network of tiles on pair shifts that are known, false, or moved by the Sun's turning."""

from dataclasses import replace

import numpy as np
import pytest
from diskmosaic.placement.network import components, positions_from_pairs, solve
from diskmosaic.records.places import Anchor, Circle, Pair
from hypothesis import given, settings
from hypothesis import strategies as st

RADIUS, CENTRE = 900.0, np.array([1010.3, 950.8])
SIZE = np.array([480.0, 640.0])


def grid(rng, rows=5, columns=4):
    """True places of pixel (0, 0) of a scattered grid over the disk, in random order."""
    steps = SIZE * 0.78
    places = np.array([(r - (rows - 1) / 2, c - (columns - 1) / 2) for r in range(rows) for c in range(columns)])
    places = CENTRE + places * steps - SIZE / 2 + rng.uniform(-15, 15, (rows * columns, 2))
    return places[rng.permutation(len(places))]


def depth(at):
    return np.sqrt(np.clip(1 - np.sum((at - CENTRE) ** 2, axis=-1) / RADIUS**2, 0, 1))


def make_pairs(rng, places, *, noise=0.03, false=0.0, drift=(0.0, 0.0), times=None):
    """Measure all overlapping pairs; a share is nonsense, but never half of a tile's own."""
    times = np.zeros(len(places)) if times is None else times
    pairs = []
    for a in range(len(places)):
        for b in range(a + 1, len(places)):
            shift = places[b] - places[a]
            if (np.abs(shift) > SIZE * 0.9).any():
                continue
            centre = (np.maximum(0, shift) + np.minimum(SIZE, shift + SIZE)) / 2
            measured = shift - (times[b] - times[a]) * depth(places[a] + centre) * np.array(drift)
            measured = measured + noise * rng.standard_normal(2)
            significance = 20 + 5 * rng.random()
            pairs.append(Pair(a, b, tuple(measured), 0.7, significance, tuple(centre), 0.02))
    left = round(false * len(pairs))
    own = np.bincount([k for p in pairs for k in (p.a, p.b)], minlength=len(places))
    spoilt = np.zeros(len(places))
    for k in rng.permutation(len(pairs)):
        p = pairs[k]
        if left == 0 or max((spoilt[p.a] + 1) / own[p.a], (spoilt[p.b] + 1) / own[p.b]) >= 0.5:
            continue
        left -= 1
        spoilt[[p.a, p.b]] += 1
        wrong = tuple(np.array(p.shift_yx) + rng.uniform(-150, 150, 2))
        pairs[k] = Pair(p.a, p.b, wrong, 0.4, 8 + 20 * rng.random(), p.centre_yx, 0.02)
    return pairs


def limb_points(rng, places, *, noise=0.2):
    """Edge points of every tile that sees the limb, in its own pixels."""
    points = {}
    for k, place in enumerate(places):
        angle = rng.uniform(0, 2 * np.pi, 4000)
        at = CENTRE + (RADIUS + noise * rng.standard_normal(4000))[:, None] * np.column_stack(
            [np.sin(angle), np.cos(angle)]
        )
        inside = ((at > place) & (at < place + SIZE)).all(axis=1)
        if inside.sum() > 20:
            points[k] = (at - place)[inside][:100]
    return points


def rough_circle(offset):
    return Circle((CENTRE[0] + 4 - offset[0], CENTRE[1] - 3 - offset[1]), RADIUS + 2, 1.0, 500)


def error(found, places):
    off = found - places
    off = off - off.mean(axis=0)
    return np.sqrt(np.mean(np.sum(off**2, axis=1)))


def run(rng, places, pairs, *, limb=True, times=None):
    start = positions_from_pairs(len(places), pairs)
    tied = np.isfinite(start[:, 0])
    points = {k: found for k, found in limb_points(rng, places).items() if tied[k]} if limb else {}
    circle = rough_circle(np.nanmedian(places - start, axis=0)) if limb else None
    return solve(start, pairs, circle, points, times)


def test_exact_pairs_give_exact_places():
    rng = np.random.default_rng(1)
    places = grid(rng)
    pairs = make_pairs(rng, places, noise=0.0)
    solution = run(rng, places, pairs, limb=False)
    assert error(solution.positions, places) < 1e-6
    assert solution.circle is None
    assert solution.drift == (0.0, 0.0)
    assert max(pair.residual_px for pair in solution.pairs) < 1e-6
    assert all(pair.used for pair in solution.pairs)


def test_noise_averages_out_and_the_limb_is_found():
    rng = np.random.default_rng(2)
    places = grid(rng)
    solution = run(rng, places, make_pairs(rng, places))
    # 71 pairs of 0.03 px a axis for 20 tiles: below the noise of one pair
    assert error(solution.positions, places) < 0.035
    shift = (solution.positions - places).mean(axis=0)
    # 0.2 px over some 1,200 points of a full circle: 0.008 px; the network's own error moves the arcs
    np.testing.assert_allclose(solution.circle.centre_yx, CENTRE + shift, atol=0.04)
    assert solution.circle.radius_px == pytest.approx(RADIUS, abs=0.03)
    assert solution.circle.rms_px == pytest.approx(0.2, rel=0.15)


@pytest.mark.parametrize("seed", range(6))
def test_thirty_per_cent_of_false_pairs_change_nothing(seed):
    rng = np.random.default_rng([seed, 30])
    places = grid(rng)
    right = make_pairs(np.random.default_rng(seed), places, noise=0.02)
    wrong = make_pairs(np.random.default_rng(seed), places, noise=0.02, false=0.3)
    false = [p.shift_yx != q.shift_yx for p, q in zip(right, wrong, strict=True)]
    only_right = [p for p, bad in zip(right, false, strict=True) if not bad]
    clean = run(np.random.default_rng(9), places, only_right)
    spoilt = run(np.random.default_rng(9), places, wrong)
    # the same as without the false ones: Tukey's weights differ a little
    assert error(spoilt.positions, clean.positions) < 0.02
    assert [not pair.used for pair in spoilt.pairs] == false


def test_false_pairs_without_a_limb():
    rng = np.random.default_rng(44)
    places = grid(rng)
    pairs = make_pairs(rng, places, noise=0.02, false=0.25)
    assert error(run(rng, places, pairs, limb=False).positions, places) < 0.03


def test_the_limb_holds_what_hangs_by_one_pair():
    rng = np.random.default_rng(5)
    places = grid(rng, 4, 3)
    pairs = make_pairs(rng, places)
    corner = int(np.argmin(places.sum(axis=1)))
    tied = [p for p in pairs if corner in (p.a, p.b)]
    pairs = [p for p in pairs if corner not in (p.a, p.b)] + tied[:1]
    rough = pairs[-1]
    pairs[-1] = Pair(
        rough.a, rough.b, (rough.shift_yx[0] + 0.4, rough.shift_yx[1] - 0.4), 0.3, 9.0, rough.centre_yx, 0.5
    )
    with_limb = run(np.random.default_rng(1), places, pairs)
    alone = run(np.random.default_rng(1), places, pairs, limb=False)

    def corner_error(solution):
        off = solution.positions - places
        return np.hypot(*(off[corner] - np.delete(off, corner, 0).mean(axis=0)))

    assert corner_error(alone) > 0.5
    assert corner_error(with_limb) < 0.5 * corner_error(alone)


@pytest.mark.parametrize("drift", [(0.0, 0.0), (0.0015, 0.0006), (-0.0009, 0.0018)])
def test_the_turning_sun_is_recovered(drift):
    # 10 arcsec an hour on 1 arcsec/px: 0.0028 px/s at the most, a minute between tiles
    rng = np.random.default_rng(7)
    places = grid(rng)
    times = 60.0 * rng.permutation(len(places))
    times -= times.mean()
    pairs = make_pairs(rng, places, drift=drift, times=times)
    solution = run(rng, places, pairs, times=times)
    # 71 pairs of 0.03 px over lags of some 400 s: 1e-5 px/s
    np.testing.assert_allclose(solution.drift, drift, atol=5e-5)
    assert error(solution.positions, places) < 0.05
    blind = run(rng, places, pairs)
    if np.hypot(*drift):
        assert error(blind.positions, places) > 3 * error(solution.positions, places)
    else:
        assert solution.drift == (0.0, 0.0)  # what does not stand out of its error is not taken out


def test_a_drift_faster_than_the_sun_is_not_believed():
    rng = np.random.default_rng(8)
    places = grid(rng)
    times = 60.0 * np.arange(len(places)) - 570
    solution = run(rng, places, make_pairs(rng, places, drift=(0.02, 0.0), times=times), times=times)
    assert solution.drift == (0.0, 0.0)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**31))
def test_order_of_tiles_and_pairs_is_irrelevant(seed):
    rng = np.random.default_rng(3)
    places = grid(rng, 4, 3)
    pairs = make_pairs(rng, places, false=0.1)
    first = solve(positions_from_pairs(12, pairs), pairs, rough_circle((0, 0)), {}, None)
    shuffle = np.random.default_rng(seed)
    order = shuffle.permutation(12)  # new index of old tile k
    moved = []
    for k in shuffle.permutation(len(pairs)):
        p = pairs[k]
        a, b = int(order[p.a]), int(order[p.b])
        moved.append(Pair(a, b, p.shift_yx, p.correlation, p.significance, p.centre_yx, p.sigma_px))
    other = solve(positions_from_pairs(12, moved), moved, rough_circle((0, 0)), {}, None)
    # iterations end when a step is under 1e-6 px
    assert error(other.positions[order], first.positions) < 1e-4


def test_groups():
    def pair(a, b):
        return Pair(a, b, (0.0, 0.0), 0.5, 10.0, (0.0, 0.0), 0.1)

    found = components(8, [pair(5, 2), pair(2, 7), pair(0, 1), pair(3, 4)])
    assert [sorted(group) for group in found] == [[2, 5, 7], [0, 1], [3, 4], [6]]
    assert components(2, []) == [[0], [1]]


def test_tiles_that_are_not_tied_have_no_place():
    rng = np.random.default_rng(6)
    places = grid(rng, 3, 3)
    pairs = [p for p in make_pairs(rng, places) if 4 not in (p.a, p.b)]
    start = positions_from_pairs(9, pairs)
    assert np.isnan(start[4]).all()
    assert np.isfinite(np.delete(start, 4, 0)).all()
    assert np.nanmin(start) == 0
    solution = solve(start, pairs, None, {}, None)
    assert np.isnan(solution.positions[4]).all()
    assert np.isfinite(np.delete(solution.positions, 4, 0)).all()


def test_a_lone_tile_and_its_limb():
    rng = np.random.default_rng(6)
    places = np.array([[200.0, 150.0]])
    points = limb_points(rng, places)
    solution = solve(np.zeros((1, 2)), [], rough_circle((200.0, 150.0)), points, None)
    np.testing.assert_allclose(solution.positions[0], 0, atol=1e-6)
    # one arc of 50 degrees with 0.2 px of scatter
    np.testing.assert_allclose(solution.circle.centre_yx, CENTRE - places[0], atol=1.5)


def test_limb_points_of_a_tile_that_is_not_tied_are_left_aside():
    rng = np.random.default_rng(6)
    places = grid(rng, 3, 3)
    corner = int(np.argmin(places.sum(axis=1)))
    pairs = [p for p in make_pairs(rng, places) if corner not in (p.a, p.b)]
    start = positions_from_pairs(9, pairs)
    points = limb_points(rng, places)
    assert corner in points
    circle = rough_circle(np.nanmedian(places - start, axis=0))
    with_it = solve(start, pairs, circle, points, None)
    del points[corner]
    without = solve(start, pairs, circle, points, None)
    np.testing.assert_array_equal(with_it.positions, without.positions)


def test_anchors_place_what_nothing_else_does():
    # two groups without a common pair; a mount that is right to 8 px and counts from a point of its own
    rng = np.random.default_rng(12)
    places = grid(rng, 4, 4)
    upper = places[:, 0] < np.median(places[:, 0])
    pairs = [p for p in make_pairs(rng, places) if upper[p.a] == upper[p.b]]
    mount = places + SIZE / 2 - [400.0, 700.0] + 8 * rng.standard_normal(places.shape)
    mount[3] += 300.0  # it slipped once
    anchors = [Anchor(k, tuple(at), 8.0) for k, at in enumerate(mount)]
    start = places + 20 * rng.standard_normal(places.shape)
    solution = solve(start, pairs, None, {}, None, anchors=anchors, half=SIZE / 2)
    # within a group the pairs rule; the groups lie by 7 or 8 readings each: 8 px / sqrt(7) * sqrt(2)
    assert error(solution.positions[upper], places[upper]) < 0.06
    assert error(solution.positions[~upper], places[~upper]) < 0.06
    off = solution.positions - places
    assert np.hypot(*(off[upper].mean(axis=0) - off[~upper].mean(axis=0))) < 13
    assert np.nanmax(solution.sigma) > 1


def test_a_pin_is_held_against_the_pairs():
    rng = np.random.default_rng(13)
    places = grid(rng, 3, 3)
    pinned = [Anchor(k, tuple(places[k] + SIZE / 2 + (5.0 if k == 8 else 0.0)), 1e-3, firm=True) for k in (0, 8)]
    start = places + rng.standard_normal(places.shape)
    found = solve(start, make_pairs(rng, places), None, {}, None, anchors=pinned, half=SIZE / 2).positions
    np.testing.assert_allclose(found[8] - found[0], places[8] - places[0] + 5.0, atol=0.01)


def test_anchors_from_the_disk_centre():
    rng = np.random.default_rng(14)
    places = grid(rng, 4, 4)
    inner = int(np.argmin(np.hypot(*(places + SIZE / 2 - CENTRE).T)))
    pairs = [p for p in make_pairs(rng, places) if inner not in (p.a, p.b)]
    anchor = Anchor(inner, tuple(places[inner] + SIZE / 2 - CENTRE), 0.5, origin="limb")
    start = places + rng.standard_normal(places.shape)
    solution = solve(
        start, pairs, rough_circle((0, 0)), limb_points(rng, places), None, anchors=[anchor], half=SIZE / 2
    )
    off = solution.positions - places
    assert np.hypot(*(off[inner] - np.delete(off, inner, 0).mean(axis=0))) < 0.1
    assert solution.sigma[inner].max() == pytest.approx(0.5, rel=0.2)


@pytest.mark.parametrize("limb", [True, False])
def test_turned_and_magnified_tiles(limb):
    # a field that turns by 0.2 degrees: measured turns of pairs are worth 0.01 degrees, shifts know more
    rng = np.random.default_rng(15)
    places = grid(rng)
    half = SIZE / 2
    angle, stretch = np.linspace(-2e-3, 2e-3, 20), np.where(np.arange(20) < 8, 6e-4, -4e-4)
    model = (np.linspace(-1, 1, 20)[:, None], (np.arange(20) < 8)[:, None] - 0.4)
    sideways = np.array([[0.0, 1.0], [-1.0, 0.0]])
    pairs = []
    for p in make_pairs(rng, places, noise=0.0):
        on_a, on_b = np.array(p.centre_yx) - half, np.array(p.centre_yx) - p.shift_yx - half
        moved = [stretch[k] * at + angle[k] * sideways @ at for k, at in ((p.a, on_a), (p.b, on_b))]
        shift = np.array(p.shift_yx) + moved[1] - moved[0] + 0.03 * rng.standard_normal(2)
        turn, scale = angle[p.b] - angle[p.a], stretch[p.b] - stretch[p.a]
        errors = 2e-4 * rng.standard_normal(2)
        pairs.append(
            replace(p, shift_yx=tuple(shift), turn_rad=turn + errors[0], stretch=scale + errors[1], turn_sigma=2e-4)
        )
    points = {}
    for k, at in limb_points(rng, places).items() if limb else ():
        points[k] = at - (at - half) @ (angle[k] * sideways + stretch[k] * np.eye(2)).T
    start = places + rng.standard_normal(places.shape)
    circle = rough_circle((0, 0)) if limb else None
    plain = solve(start, pairs, circle, points, None, half=half)
    solution = solve(start, pairs, circle, points, None, half=half, angle_model=model[0], stretch_model=model[1])
    assert error(solution.positions, places) < 0.04
    assert error(plain.positions, places) > 3 * error(solution.positions, places)
    # each of 71 pairs tells the turn to 1.4e-4, one parameter: 2e-5 of the whole course
    np.testing.assert_allclose(solution.angles, angle, atol=8e-5)
    np.testing.assert_allclose(solution.stretches, stretch, atol=8e-5)
    free = solve(start, pairs, circle, points, None, half=half, angle_model=np.eye(20), stretch_model=np.eye(20))
    assert np.std(free.angles - free.angles.mean() - angle) < 1.5e-4
