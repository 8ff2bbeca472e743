"""The disk made round again: what the air pressed together, from place and time, or from the limb's own ellipse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.blend.blend import Layout, blend_tiles
from diskmosaic.disk.disk import mean_time, orientation, plan_layout
from diskmosaic.limb.limb import fit_limb
from diskmosaic.observation import Observation
from diskmosaic.records.light import Levels, Mosaic
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import Tile
from diskmosaic.settings import Settings
from diskmosaic.sky.refraction import LOWEST_DEG, rounding_matrix, sky_place, squeezed_matrix

LEAST = 1e-4  # flattening: less is not worth a correction (0.1 px on a radius of 1,000)
UNSURE = 0.25  # share of the computed flattening that pressure, temperature and a changing altitude may change
SIGNIFICANT = 5.0  # standard errors by which an ellipse must stand out of a circle


@dataclass(frozen=True)
class Rounding:
    """How the disk is made round.

    Attributes
    ----------
    matrix : float (2, 2)
        On (y, x) of the mosaic: from what the sensor saw to the round disk.
    flattening : float
        1 - minor / major axis of the disk as recorded.
    axis_yx : (float, float)
        Direction on the mosaic in which it was pressed together.
    by : {'place and time', 'limb'}
    altitude_deg : float or None
        Of the Sun, without refraction.
    """

    matrix: NDArray[np.float64]
    flattening: float
    axis_yx: tuple[float, float]
    by: str
    altitude_deg: float | None = None


def rounding_by_place(tiles: Sequence[Tile], observation: Observation) -> tuple[Rounding | None, list[str]]:
    """Compute the rounding from place and time; None (and why) where that cannot be.

    Notes
    -----
    One matrix serves all tiles, that of their mean time: over 45 minutes the flattening changes by a tenth of itself
    above 20 deg.
    """
    time = observation.time_utc or mean_time(tiles)
    known = (observation.latitude_deg, observation.longitude_deg, observation.north_deg, time)
    if any(value is None for value in known):
        return None, []
    axes = orientation(observation)
    altitude = sky_place(time, observation.latitude_deg, observation.longitude_deg).altitude_deg
    if altitude < LOWEST_DEG:
        text = f"the Sun stood {altitude:.1f} deg high, by place and time in session.toml"
        return None, [f"{text}: {'check them' if altitude < -1 else 'too low for any formula of refraction'}"]
    matrix, place = rounding_matrix(time, observation.latitude_deg, observation.longitude_deg, axes)
    values, vectors = np.linalg.eigh(matrix)
    return Rounding(
        matrix, _flattening(values), tuple(vectors[:, 1].tolist()), "place and time", place.altitude_deg
    ), []


def rounding_by_limb(limb: Circle | None, linear: NDArray[np.float64]) -> Rounding | None:
    """Return the rounding that a limb's ellipse asks for; None where it is a circle within its error.

    Parameters
    ----------
    limb : Circle or None
        On the canvas, fitted as an ellipse (`Circle.oval`).
    linear : (2, 2)
        Orthogonal matrix on (y, x) from the mosaic to the canvas.
    """
    if limb is None:
        return None
    swell, radius = float(np.hypot(*limb.oval)), limb.radius_px
    # a second harmonic's error is that of the mean radius times the root of two
    if 2 * swell / radius < LEAST or swell < SIGNIFICANT * np.sqrt(2) * limb.sigma[2]:
        return None
    longest = np.arctan2(limb.oval[1], limb.oval[0]) / 2  # from +x to +y
    pressed = np.linalg.inv(linear) @ np.array([np.cos(longest), -np.sin(longest)])
    ratio = (radius + swell) / (radius - swell)
    matrix = squeezed_matrix(pressed, ratio, 1.0)
    return Rounding(matrix, 1 - 1 / ratio, (float(pressed[0]), float(pressed[1])), "limb")


def settle(
    expected: Rounding | None, limb: Circle | None, linear: NDArray[np.float64]
) -> tuple[Rounding | None, list[str]]:
    """Choose between what place and time say and what the limb shows.

    Parameters
    ----------
    expected : Rounding or None
        By place and time.
    limb : Circle or None
        On the canvas, fitted as an ellipse; ``oval`` (0, 0): too little of it was seen for that.
    linear : (2, 2)
        Orthogonal matrix on (y, x) from the mosaic to the canvas.

    Returns
    -------
    rounding : Rounding or None
        The computed one where the limb does not contradict it: it also knows by how much the disk shrank.
    warnings : list of str
    """
    if expected is None or limb is None or limb.oval == (0.0, 0.0):
        return expected or rounding_by_limb(limb, linear), []
    pressed = linear @ np.linalg.inv(expected.matrix) @ linear.T
    swell = limb.radius_px * np.array([(pressed[1, 1] - pressed[0, 0]) / 2, pressed[0, 1]])
    miss, error = np.hypot(*(limb.oval - swell)), np.sqrt(2) * limb.sigma[2]
    if miss <= SIGNIFICANT * error + UNSURE * np.hypot(*swell):
        return (expected if expected.flattening >= LEAST else None), []
    shown = 2 * np.hypot(*limb.oval) / limb.radius_px
    told = (
        f"by place and time the Sun stood {expected.altitude_deg:.0f} deg high and was flattened by "
        f"{100 * expected.flattening:.2f} %, its limb shows {100 * shown:.2f} % "
        f"± {200 * error / limb.radius_px:.2f} %, or another direction: the limb was followed; check place, time and "
        "north_deg in session.toml"
    )
    return rounding_by_limb(limb, linear), [told]


def _flattening(stretch: NDArray[np.float64]) -> float:
    return float(1 - stretch.min() / stretch.max())


def rounded(placement: Placement, rounding: Rounding) -> Placement:
    """Return the placement on the round disk's mosaic: all tiles, the limb's centre and the drift."""
    matrix = rounding.matrix
    turns = np.broadcast_to(np.eye(2), (len(placement.positions), 2, 2)) if placement.turns is None else placement.turns
    limb = placement.limb
    if limb is not None:
        centre = matrix @ limb.centre_yx
        limb = replace(
            limb,
            centre_yx=(float(centre[0]), float(centre[1])),
            radius_px=limb.radius_px * float(np.sqrt(np.linalg.det(matrix))),
            flattening=0.0,
        )
    drift = matrix @ placement.drift_yx
    return replace(
        placement,
        positions=placement.positions @ matrix.T,
        turns=matrix @ turns,
        limb=limb,
        drift_yx=(float(drift[0]), float(drift[1])),
    )


@dataclass(frozen=True)
class Blended:
    """A blended mosaic, how it lies, its limb, and how it was made round."""

    mosaic: Mosaic
    layout: Layout
    placement: Placement
    limb: Circle | None
    rounding: Rounding | None
    warnings: list[str]


def blend_round(
    tiles: Sequence[Tile], placement: Placement, levels: Levels, observation: Observation, settings: Settings
) -> Blended:
    """Blend the tiles into a disk that is round: by place and time, else by its own limb."""

    def blended(placement: Placement):
        layout = plan_layout(placement, tiles[0].image.shape, observation)
        start = None if placement.limb is None else layout.circle(placement.limb)
        return layout, blend_tiles(tiles, placement, levels, layout), start

    rounding, warnings, side = None, [], min(tiles[0].image.shape)
    layout, mosaic, start = blended(placement)
    if settings.placement.refraction:
        expected, warnings = rounding_by_place(tiles, observation)
        oval = fit_limb(mosaic.image, settings.limb.model_copy(update={"shape": "ellipse"}), start=start, tile_px=side)
        rounding, told = settle(expected, oval, layout.matrix[:, :2])
        warnings = [*warnings, *told]
    if rounding is not None:
        placement = rounded(placement, rounding)
        layout, mosaic, start = blended(placement)
    limb = fit_limb(mosaic.image, settings.limb, start=start, tile_px=side)
    return Blended(mosaic, layout, placement, limb, rounding, warnings)
