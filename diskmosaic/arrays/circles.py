"""Circles through points: algebraic start, geometric robust fit with its uncertainty, ellipse on wish.

Points are ``(n, 2)`` arrays of (y, x).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class CircleFit:
    """A circle (y, x, radius) with residuals, weights and standard errors (y, x, radius).

    ``oval`` holds what an ellipse adds to the radius, px: ``oval[0] cos 2t + oval[1] sin 2t``, t from +x to +y.
    """

    centre: tuple[float, float]
    radius: float
    residuals: NDArray[np.float64]
    weights: NDArray[np.float64]
    sigma: tuple[float, float, float]
    oval: tuple[float, float] = (0.0, 0.0)

    @property
    def used(self) -> NDArray[np.bool_]:
        """Points that kept a weight."""
        return self.weights > 0

    @property
    def rms(self) -> float:
        """Weighted rms of the radial residuals, px."""
        return float(np.sqrt(np.average(self.residuals**2, weights=self.weights)))


def taubin_circle(points: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return (y, x, radius) of Taubin's algebraic fit, nearly unbiased on short arcs.

    Parameters
    ----------
    points : (n, 2)

    Raises
    ------
    ValueError
        Fewer than three points, or all on a line.

    References
    ----------
    Taubin 1991, IEEE PAMI 13, 1115; Chernov & Lesort 2005, J. Math. Imaging Vis. 23, 239.
    """
    if len(points) < 3:
        raise ValueError(f"points must be at least 3, got {len(points)}")
    mean = points.mean(axis=0)
    y, x = (points - mean).T
    z = x * x + y * y
    z_mean = z.mean()
    if z_mean <= 0:
        raise ValueError("points must not coincide")
    scaled = (z - z_mean) / (2 * np.sqrt(z_mean))
    _, singular, vectors = np.linalg.svd(np.column_stack([scaled, y, x]), full_matrices=False)
    a = vectors[-1].copy()
    if abs(a[0]) < 1e-12 * max(singular[0], 1e-300):
        raise ValueError("points must not lie on a line")
    a[0] /= 2 * np.sqrt(z_mean)
    constant = -z_mean * a[0]
    centre = -a[1:] / (2 * a[0])
    radius = np.sqrt(a[1] ** 2 + a[2] ** 2 - 4 * a[0] * constant) / (2 * abs(a[0]))
    return float(centre[0] + mean[0]), float(centre[1] + mean[1]), float(radius)


def fit_circle(
    points: NDArray[np.float64],
    *,
    start: tuple[float, float, float] | None = None,
    weights: NDArray[np.float64] | None = None,
    robust: bool = True,
    ellipse: bool = False,
    in_order: bool = False,
    rounds: int = 60,
) -> CircleFit:
    """Fit a circle by least squares of the radial distances (geometric fit), down-weighting outliers.

    Parameters
    ----------
    points : (n, 2)
    start : (y, x, radius), optional
        Taubin's fit by default.
    weights : (n,), optional
        Prior weights.
    robust : bool
        Tukey's biweight at 4.685 robust deviations (Beaton & Tukey 1974): spicules, prominences and spots at the limb
        do not pull.
    ellipse : bool
        Fit an ellipse of small flattening instead (`flattening` has its form); ``radius`` is its mean one.
    in_order : bool
        The points follow the arc: the standard errors then allow for neighbours that err together.

    Returns
    -------
    CircleFit

    Notes
    -----
    The standard errors are those of an M-estimator (Huber 1981, *Robust Statistics*, section 7.6).
    """
    prior = np.ones(len(points)) if weights is None else np.asarray(weights, float)
    current = np.zeros(5 if ellipse else 3)
    current[:3] = taubin_circle(points) if start is None else start
    weight, slope = prior, prior
    for _ in range(rounds):
        residual, jacobian = _radial(points, current)
        if robust:
            spread = max(1.4826 * np.median(np.abs(residual - np.median(residual))), 1e-9)
            square = (residual / (4.685 * spread)) ** 2
            weight = prior * np.where(square < 1, (1 - square) ** 2, 0)
            slope = prior * np.where(square < 1, (1 - square) * (1 - 5 * square), 0)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        step = np.linalg.lstsq(normal, jacobian.T @ (weight * residual), rcond=None)[0]
        current = current + step
        if np.abs(step).max() < 1e-8 * max(current[2], 1):
            break
    residual, jacobian = _radial(points, current)
    pull = weight * residual
    bread = np.linalg.pinv(jacobian.T @ (slope[:, None] * jacobian))
    meat = jacobian.T @ (np.square(pull)[:, None] * jacobian)
    used = int(np.sum(weight > 0))
    meat *= max(used, 1) / max(used - len(current), 1) * (togetherness(pull) if in_order else 1.0)
    sigma = np.sqrt(np.maximum(np.diag(bread @ meat @ bread), 0))
    y, x, radius, *oval = (float(value) for value in current)
    return CircleFit(
        (y, x),
        radius,
        residual,
        weight,
        (float(sigma[0]), float(sigma[1]), float(sigma[2])),
        (oval[0], oval[1]) if ellipse else (0.0, 0.0),
    )


def _radial(points: NDArray[np.float64], unknown: NDArray[np.float64]):
    """Radial residuals from a circle (3 unknowns) or ellipse (5), and their negative derivatives."""
    offset = points - unknown[:2]
    distance = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-12)
    unit = offset / distance[:, None]
    columns = [unit, np.ones((len(points), 1))]
    if len(unknown) == 5:
        columns.append(np.column_stack([unit[:, 1] ** 2 - unit[:, 0] ** 2, 2 * unit[:, 0] * unit[:, 1]]))
    jacobian = np.concatenate(columns, axis=1)
    return distance - jacobian[:, 2:] @ unknown[2:], jacobian


def togetherness(series: NDArray[np.float64]) -> float:
    """Return by how much the variance of a mean grows because neighbours err together; at least 1.

    One and twice the sum of the autocorrelations up to the first lag that is 5 times as long as their sum
    so far (Sokal 1997, *Functional Integration*, 131), and never beyond a tenth of the series.
    """
    series = series - series.mean()
    power = float(series @ series)
    total = 1.0
    if power <= 0:
        return total
    for lag in range(1, len(series) // 10 + 1):
        total += 2 * float(series[lag:] @ series[:-lag]) / power
        if lag >= 5 * total / 2:
            break
    return max(total, 1.0)


def consensus_circle(
    points: NDArray[np.float64], rng: np.random.Generator, *, tolerance: float, trials: int = 400
) -> CircleFit | None:
    """Fit a circle to points of which many may belong to something else (random triples, Fischler & Bolles 1981).

    Parameters
    ----------
    points : (n, 2)
    rng : numpy.random.Generator
    tolerance : float
        Radial distance within which a point agrees, px.

    Returns
    -------
    CircleFit or None
        None with fewer than 8 agreeing points.
    """
    if len(points) < 8:
        return None
    best, votes = None, 0
    for _ in range(trials):
        try:
            y, x, radius = taubin_circle(points[rng.choice(len(points), 3, replace=False)])
        except (ValueError, np.linalg.LinAlgError):
            continue
        distance = np.abs(np.hypot(points[:, 0] - y, points[:, 1] - x) - radius)
        count = int(np.sum(distance < tolerance))
        if count > votes:
            best, votes = distance < tolerance, count
    if best is None or votes < 8:
        return None
    fit = fit_circle(points[best])
    for _ in range(5):
        near = np.abs(np.hypot(*(points - fit.centre).T) - fit.radius) < 2 * tolerance
        if near.sum() < 8:
            return None
        fit = fit_circle(points[near])
    return fit


def centre_of_radius(
    points: NDArray[np.float64],
    radius: float,
    inwards: NDArray[np.float64],
    rng: np.random.Generator,
    *,
    tolerance: float,
    trials: int = 300,
) -> tuple[NDArray[np.float64], int] | None:
    """Find the centre of a circle of known radius from an arc of it, among points that may belong to something else.

    Parameters
    ----------
    points : (n, 2)
    radius : float
    inwards : (2,)
        Rough direction (y, x) from the arc to the centre: two circles of one radius pass through any two points.
    rng : numpy.random.Generator
    tolerance : float
        Radial distance within which a point agrees.

    Returns
    -------
    centre : (2,)
    count : int
        Points that agree. None instead of both with fewer than 12.
    """
    best, votes = None, 11
    for _ in range(trials if len(points) >= 12 else 0):
        first, second = points[rng.choice(len(points), 2, replace=False)]
        half = (second - first) / 2
        length = np.hypot(*half)
        if length < 5 * tolerance or length > radius:
            continue
        across = np.array([-half[1], half[0]]) / length * np.sqrt(radius**2 - length**2)
        across = across if across @ inwards > 0 else -across
        centre = first + half + across
        count = int(np.sum(np.abs(np.hypot(*(points - centre).T) - radius) < tolerance))
        if count > votes:
            best, votes = centre, count
    if best is None:
        return None
    for _ in range(10):
        offset = points - best
        distance = np.hypot(*offset.T)
        near = np.abs(distance - radius) < tolerance
        unit = offset[near] / distance[near, None]
        best = best + np.linalg.lstsq(unit, distance[near] - radius, rcond=None)[0]
    return best, votes


def flattening(points: NDArray[np.float64], fit: CircleFit) -> float:
    """Return 1 - minor/major of an ellipse near a circle: the amplitude of the residuals' second harmonic.

    The first-order form of an ellipse of small flattening f is ``R (1 - f/2 + f/2 cos 2(t - t0))``.
    """
    p, q = ellipse_of(points, fit)
    return float(2 * np.hypot(p, q) / fit.radius)


def ellipse_of(points: NDArray[np.float64], fit: CircleFit) -> tuple[float, float]:
    """Return what the ellipse near a circle adds to the radius, px, as `CircleFit.oval` has it."""
    if fit.oval != (0.0, 0.0):
        return fit.oval
    use = fit.used
    offset = points[use] - fit.centre
    angle = np.arctan2(offset[:, 0], offset[:, 1])
    columns = np.column_stack([np.ones(use.sum()), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
    root = np.sqrt(fit.weights[use])
    answer = np.linalg.lstsq(columns * root[:, None], fit.residuals[use] * root, rcond=None)[0]
    return float(answer[3]), float(answer[4])
