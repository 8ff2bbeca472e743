"""The finished disk: turned north up where north is known, natural and uniform, with coordinates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.radial import RING, QuietProfile, radius_map, ring_quiet
from diskmosaic.blend import Layout, lay_out
from diskmosaic.records import Circle, Disk, Mosaic, Placement, Tile
from diskmosaic.session import Observation
from diskmosaic.sun import ephemeris, helioprojective_cards

EDGE_PX = 3.0  # the blurred limb: the quiet curve ends this far inside the circle


def orientation(observation: Observation) -> NDArray[np.float64]:
    """Return the matrix on (y, x) that brings solar north to +y and solar west to +x; identity where unknown.

    With row 0 at the bottom (as FITS is shown) north is then up and east on the left.
    """
    if observation.north_deg is None:
        return np.eye(2)
    angle = np.deg2rad(observation.north_deg)
    north = np.array([-np.cos(angle), np.sin(angle)])
    # shown with row 0 on top, east lies 90 degrees counter-clockwise of north on a true image: west is clockwise
    west = np.array([np.sin(angle), np.cos(angle)])
    if observation.mirrored:
        west = -west
    return np.stack([north, west])


def plan_layout(placement: Placement, tile_shape: tuple[int, int], observation: Observation) -> Layout:
    """Return the canvas of the finished disk."""
    return lay_out(placement.positions, tile_shape, orientation(observation))


def finish_disk(
    mosaic: Mosaic,
    layout: Layout,
    placement: Placement,
    limb: Circle | None,
    tiles: Sequence[Tile],
    observation: Observation,
) -> Disk:
    """Make the uniform version and the coordinates.

    Parameters
    ----------
    mosaic : Mosaic
    layout : Layout
        That `mosaic` was blended with.
    placement : Placement
    limb : Circle or None
        Of the mosaic; None: no uniform version can be made, the natural one takes its place.
    tiles : sequence of Tile
    observation : Observation

    Returns
    -------
    Disk
    """
    warnings: list[str] = []
    to_disk = np.full((len(tiles), 2, 3), np.nan)
    for k in np.flatnonzero(np.isfinite(placement.positions[:, 0])):
        to_disk[k] = layout.tile_matrix(placement.positions[k])
    uniform, profile = mosaic.image, np.zeros((0, 2))
    if limb is None:
        warnings.append("without a limb the centre-to-limb curve is not determined: UNIFORM is the natural image")
    else:
        uniform, profile, trouble = flatten(mosaic.image, limb)
        warnings += trouble
    cards, arcsec, more = _coordinates(limb, tiles, placement, observation)
    warnings += more
    return Disk(
        natural=mosaic.image,
        uniform=uniform,
        weight=mosaic.weight,
        tile=mosaic.tile,
        to_disk=to_disk,
        limb=limb,
        header=cards,
        profile=profile,
        arcsec_per_px=arcsec,
        warnings=tuple(warnings),
    )


def flatten(image: NDArray[np.float32], limb: Circle) -> tuple[NDArray[np.float32], NDArray[np.float64], list[str]]:
    """Divide the quiet centre-to-limb curve out.

    Parameters
    ----------
    image : float32 (h, w)
        Natural disk.
    limb : Circle

    Returns
    -------
    uniform : float32 (h, w)
        Quiet Sun 1; sky is divided by the curve's value at the limb.
    profile : (n, 2)
        r/R and quiet level of the rings measured.
    warnings : list of str
    """
    radii = radius_map(image.shape, limb.centre_yx, limb.radius_px)
    edges = np.arange(0, 1 + RING, RING)
    centre, level, count = ring_quiet(image, radii, edges)
    last = 1 - EDGE_PX / limb.radius_px
    try:
        curve = QuietProfile(centre, level, count, last=last)
    except ValueError:
        return (
            image,
            np.zeros((0, 2)),
            ["too little of the disk was seen to measure its centre-to-limb curve"],
        )
    known = np.isfinite(level)
    return image / curve(radii), np.column_stack([centre[known], level[known]]), []


def _coordinates(
    limb: Circle | None, tiles: Sequence[Tile], placement: Placement, observation: Observation
) -> tuple[dict[str, object], float | None, list[str]]:
    """Return FITS cards, arcsec per pixel and warnings; no helioprojective axes without time and scale."""
    warnings = []
    cards: dict[str, object] = {}
    time = observation.time_utc or mean_time(
        [t for t, p in zip(tiles, placement.positions, strict=True) if np.isfinite(p[0])]
    )
    if time is None:
        warnings.append("no time is known (recordings, session.toml): disk.fits has no solar coordinates")
        return cards, observation.arcsec_per_px, warnings
    sun = ephemeris(time)
    arcsec = observation.arcsec_per_px
    if limb is not None:
        # the limb is the better ruler: it needs no focal length
        measured = sun.radius_arcsec / limb.radius_px
        if arcsec is not None and abs(measured / arcsec - 1) > 0.03:
            warnings.append(
                f"the limb says {measured:.4f} arcsec/px, telescope, extender and pixel say {arcsec:.4f}: "
                "the limb was used"
            )
        arcsec = measured
    if limb is None or arcsec is None:
        warnings.append("no limb or plate scale is known: disk.fits has no solar coordinates")
        cards["DATE-OBS"] = time
        return cards, arcsec, warnings
    cards["NORTHUP"] = (observation.north_deg is not None, "solar north was turned towards +y")
    if observation.north_deg is None:
        warnings.append(
            "solar north on the sensor is not known (observation.north_deg in session.toml): the disk was not "
            "turned, and its coordinates take +y for north"
        )
    cards.update(
        helioprojective_cards(
            time_utc=time, centre_yx=limb.centre_yx, arcsec_per_px=arcsec, ephemeris=sun, rotation_deg=0.0
        )
    )
    return cards, arcsec, warnings


def mean_time(tiles: Sequence[Tile]) -> str | None:
    """Return the mean of the tiles' times, ISO 8601; None where none has one."""
    stamps = [np.datetime64(tile.time_utc, "ms").astype(np.int64) for tile in tiles if tile.time_utc is not None]
    if not stamps:
        return None
    return str(np.datetime64(round(float(np.mean(stamps))), "ms"))
