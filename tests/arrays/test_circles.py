"""Circle fits against published benchmarks, the Cramer-Rao bound, and what spoils limbs."""

import numpy as np
import pytest
from diskmosaic.arrays.circles import (
    centre_of_radius,
    consensus_circle,
    fit_circle,
    flattening,
    taubin_circle,
    togetherness,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import CircleModel

# (x, y) as published: Gander, Golub & Strebel 1994, BIT 34, 558
GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)
# (x, y): SciPy Cookbook, "Least squares circle" (from memory)
COOKBOOK = np.array([(36, 14), (36, 10), (19, 28), (18, 31), (33, 18), (26, 26)], float)


def arc(rng, *, degrees, count, radius, noise, centre=(410.3, -72.6), middle=0.7):
    """Draw points (y, x) evenly over an arc about the angle `middle`, with radial noise."""
    angle = middle + np.deg2rad(degrees) * ((np.arange(count) + 0.5) / count - 0.5)
    reach = radius + noise * rng.standard_normal(count)
    return np.column_stack([centre[0] + reach * np.sin(angle), centre[1] + reach * np.cos(angle)])


def test_geometric_fit_of_gander_golub_and_strebel():
    fit = fit_circle(GANDER[:, ::-1], robust=False)
    # published to four decimals: (4.7398, 2.9835), 4.7142; recomputed to six
    np.testing.assert_allclose([fit.centre[1], fit.centre[0], fit.radius], [4.739782, 2.983533, 4.714226], atol=2e-6)
    assert np.sum(fit.residuals**2) == pytest.approx(1.2275991, abs=1e-6)


def test_taubin_fit_of_gander_golub_and_strebel():
    y, x, radius = taubin_circle(GANDER[:, ::-1])
    # computed once with an independent singular-value form of Taubin's fit, six decimals
    np.testing.assert_allclose([x, y, radius], [4.613933, 2.795209, 4.879213], atol=2e-6)


def test_geometric_fit_of_the_cookbook_points():
    fit = fit_circle(COOKBOOK[:, ::-1], robust=False, rounds=500)
    # an arc of 40 degrees: Gauss-Newton creeps there, hence the tolerance
    np.testing.assert_allclose([fit.centre[1], fit.centre[0], fit.radius], [9.887567, 3.687497, 27.350443], atol=1e-4)


def test_an_algebraic_peer_agrees_on_a_full_circle_and_is_beaten_on_a_short_arc():
    rng = np.random.default_rng(3)
    # scikit-image's CircleModel is Kasa's fit: it is sound on full circles, and shrinks short arcs
    full = arc(rng, degrees=360, count=400, radius=500, noise=0.5)
    peer = CircleModel.from_estimate(full)
    own = fit_circle(full)
    np.testing.assert_allclose(own.centre, peer.center, atol=0.02)  # both scatter by 0.035 px about the truth, alike
    assert own.radius == pytest.approx(peer.radius, abs=0.02)
    short = [arc(rng, degrees=30, count=200, radius=1000, noise=3) for _ in range(25)]
    kasa = np.mean([CircleModel.from_estimate(points).radius for points in short]) - 1000
    geometric = np.mean([fit_circle(points, robust=False).radius for points in short]) - 1000
    # bound for one arc: 97.2 * 3 / sqrt(200) = 20.6 px, mean of 25: 4.1 px; Kasa's bias is -75 px
    assert kasa < -50
    assert abs(geometric) < 16


# deviations in units of noise/sqrt(points): along the arc's bisector, across, radius (rows cos, sin, 1)
CRAMER_RAO = {
    360: (1.414, 1.414, 1.000),
    270: (1.81, 1.28, 1.14),
    180: (3.25, 1.41, 2.30),
    120: (6.62, 1.85, 5.56),
    90: (11.4, 2.35, 10.3),
    60: (25.0, 3.40, 23.8),
}


@pytest.mark.parametrize("degrees", CRAMER_RAO)
@pytest.mark.parametrize("robust", [False, True])
def test_errors_reach_the_cramer_rao_bound(degrees, robust):
    rng = np.random.default_rng(degrees)
    count, noise, trials = 240, 0.5, 60
    errors, claimed = [], []
    for _ in range(trials):
        middle = rng.uniform(-np.pi, np.pi)
        fit = fit_circle(arc(rng, degrees=degrees, count=count, radius=1000, noise=noise, middle=middle), robust=robust)
        y, x = fit.centre[0] - 410.3, fit.centre[1] + 72.6
        along = x * np.cos(middle) + y * np.sin(middle)
        across = -x * np.sin(middle) + y * np.cos(middle)
        errors.append((along, across, fit.radius - 1000))
        claimed.append(fit.sigma[2])
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    bound = np.array(CRAMER_RAO[degrees]) * noise / np.sqrt(count)
    # rms of 60 trials scatters by 9 %; Tukey's weights cost 2.6 % (95 % efficiency)
    assert (rms < 1.5 * bound).all()
    assert (rms > 0.65 * bound).all()  # nothing beats the bound: lower means that the test is wrong
    # a fit's own word for its error: within 15 % of the bound (the weights' own scatter is 5 %)
    assert np.median(claimed) == pytest.approx(bound[2], rel=0.15)


@pytest.mark.parametrize("share", [0.1, 0.25])
def test_prominences_and_spots_do_not_pull(share):
    rng = np.random.default_rng(8)
    points = arc(rng, degrees=360, count=600, radius=300, noise=0.2, centre=(300.2, 420.7))
    direction = (points - (300.2, 420.7)) / 300
    bad = int(share * len(points))
    points[:bad] += direction[:bad] * rng.uniform(2, 12, (bad, 1))  # one-sided, all in one place: the worst case
    fit = fit_circle(points)
    # the good points alone have 0.2 * 1.4 / sqrt(450) = 0.013 px on a full circle, some more on an open one
    np.testing.assert_allclose(fit.centre, (300.2, 420.7), atol=0.06)
    assert fit.radius == pytest.approx(300, abs=0.06)
    assert not fit.used[:bad].any()
    assert fit.rms < 0.25


def test_consensus_finds_the_circle_among_half_outliers():
    rng = np.random.default_rng(11)
    good = arc(rng, degrees=200, count=150, radius=400, noise=0.5, centre=(120.5, 260.25))
    stray = rng.uniform((-300, -200), (600, 800), (150, 2))
    fit = consensus_circle(np.concatenate([good, stray]), np.random.default_rng(0), tolerance=3.0)
    # bound of 150 points over 200 degrees with 0.5 px: 0.1 px along the axis; strays in the band add to it
    np.testing.assert_allclose(fit.centre, (120.5, 260.25), atol=0.4)
    assert fit.radius == pytest.approx(400, abs=0.4)


def test_consensus_says_when_there_are_too_few_points():
    rng = np.random.default_rng(1)
    assert consensus_circle(np.zeros((7, 2)), rng, tolerance=1.0) is None
    assert consensus_circle(rng.uniform(0, 1e6, (12, 2)), rng, tolerance=0.001) is None


def test_points_on_a_line_or_too_few_are_refused():
    line = np.column_stack([np.arange(9.0), 2 * np.arange(9.0)])
    with pytest.raises(ValueError, match="line"):
        taubin_circle(line)
    with pytest.raises(ValueError, match="at least 3"):
        taubin_circle(line[:2])
    with pytest.raises(ValueError, match="coincide"):
        taubin_circle(np.ones((5, 2)))


@pytest.mark.parametrize("flat", [0.0, 0.0005, 0.002, 0.01])
@pytest.mark.parametrize("turn", [0.0, 0.6])
def test_flattening_of_an_ellipse(flat, turn):
    angle = np.linspace(0, 2 * np.pi, 1200, endpoint=False)
    y, x = 900 * (1 - flat) * np.sin(angle), 900 * np.cos(angle)
    points = np.column_stack([np.sin(turn) * x + np.cos(turn) * y, np.cos(turn) * x - np.sin(turn) * y])
    points += np.array((500.0, 700.0))
    fit = fit_circle(points, robust=False)
    # first order in the flattening: wrong by its square
    assert flattening(points, fit) == pytest.approx(flat, abs=1.5 * flat**2 + 1e-9)


def test_flattening_is_seen_through_the_robust_fit():
    # 0.6 %: differential refraction at 11 degrees of altitude; its residuals reach 2.7 px and are no outliers
    angle = np.linspace(0, 2 * np.pi, 1200, endpoint=False)
    points = np.column_stack([900 * 0.994 * np.sin(angle), 900 * np.cos(angle)])
    points += 0.1 * np.random.default_rng(2).standard_normal(points.shape)
    assert flattening(points, fit_circle(points)) == pytest.approx(0.006, rel=0.02)  # Tukey's weights, second order


@settings(max_examples=60, deadline=None)
@given(
    y=st.floats(-3000, 3000),
    x=st.floats(-3000, 3000),
    radius=st.floats(20, 5000),
    start=st.floats(0, 6.28),
    span=st.floats(0.35, 6.28),
)
def test_a_perfect_arc_gives_its_circle(y, x, radius, start, span):
    angle = start + span * np.arange(60) / 60
    points = np.column_stack([y + radius * np.sin(angle), x + radius * np.cos(angle)])
    fit = fit_circle(points)
    for found in (taubin_circle(points), (*fit.centre, fit.radius)):
        # the shortest arc (20 degrees) magnifies rounding of 1e-12 by about 1e4
        np.testing.assert_allclose(found, (y, x, radius), atol=1e-6 * max(radius, 100))


@settings(max_examples=25, deadline=None)
@given(st.permutations(range(24)), st.floats(-500, 500), st.floats(0.1, 30))
def test_order_place_and_size_do_not_matter(order, shift, scale):
    points = arc(np.random.default_rng(6), degrees=150, count=24, radius=80, noise=0.6)
    first = fit_circle(points, robust=False)
    moved = fit_circle(points[order] * scale + shift, robust=False)
    # both stop when a step is under 1e-8 of the radius
    np.testing.assert_allclose(moved.centre, np.array(first.centre) * scale + shift, atol=1e-4 * scale)
    assert moved.radius == pytest.approx(first.radius * scale, rel=1e-6)


@pytest.mark.parametrize("arc_deg", [25, 60])
def test_a_known_radius_finds_the_centre_from_a_short_arc(arc_deg):
    rng = np.random.default_rng(8)
    angle = np.deg2rad(rng.uniform(40, 40 + arc_deg, 300))
    arc = np.stack([-50 + 800 * np.sin(angle), 90 + 800 * np.cos(angle)], 1) + rng.normal(0, 0.5, (300, 2))
    stray = rng.uniform(400, 700, (60, 2))
    found = centre_of_radius(
        np.concatenate([arc, stray]), 800, np.array([-1.0, -1.0]), np.random.default_rng(1), tolerance=2.0
    )
    assert found is not None
    centre, count = found
    # radius known, N = 300, s = 0.5 px: along the tangent about s / sqrt(N) * sqrt(12) / arc = 0.23 px at 25 degrees
    assert np.hypot(*(centre - (-50, 90))) < 0.7
    assert count > 250


def test_no_arc_no_centre():
    rng = np.random.default_rng(9)
    scattered = rng.uniform(0, 400, (11, 2))
    assert centre_of_radius(scattered, 800, np.array([1.0, 0.0]), rng, tolerance=1.0) is None


@pytest.mark.parametrize("share", [0.0, 0.5, 0.8])
def test_how_much_neighbours_err_together(share):
    rng = np.random.default_rng(10)
    white = rng.standard_normal(20_000)
    series = np.zeros_like(white)
    for k in range(1, len(white)):
        series[k] = share * series[k - 1] + white[k]
    # first-order autoregression: 1 + 2 sum share^k = (1 + share) / (1 - share), Priestley 1981 (from memory)
    assert togetherness(series) == pytest.approx((1 + share) / (1 - share), rel=0.12)
    assert togetherness(np.zeros(50)) == 1.0


def test_an_ellipse_on_wish():
    rng = np.random.default_rng(12)
    angle = np.linspace(0, 2 * np.pi, 800, endpoint=False)
    points = np.column_stack([300 * 0.99 * np.sin(angle), 300 * np.cos(angle)]) + rng.normal(0, 0.05, (800, 2)) + 400
    fit = fit_circle(points, ellipse=True)
    # 0.05 px and 800 points: 0.0025 px each; the form is of first order in the flattening: wrong by 300 * 0.01^2
    np.testing.assert_allclose(fit.centre, (400, 400), atol=0.015)
    np.testing.assert_allclose(fit.oval, (1.5, 0), atol=0.03)
    assert fit.radius == pytest.approx(298.5, abs=0.03)
    assert flattening(points, fit) == pytest.approx(0.01, rel=0.03)
    assert fit.rms < 0.07
