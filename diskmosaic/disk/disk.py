"""The finished disk: turned north up where north is known, natural and uniform, with coordinates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diskmosaic.blend.blend import Layout, lay_out
from diskmosaic.disk.uniform import flatten
from diskmosaic.observation import Observation
from diskmosaic.records.light import Disk, Mosaic
from diskmosaic.records.places import Circle, Placement
from diskmosaic.records.tile import Tile
from diskmosaic.settings import DiskSettings, LimbSettings
from diskmosaic.sky.sun import ephemeris, helioprojective_cards

SHORT_ARC_DEG = 180.0  # less limb than this, and centre and radius lean on each other
# H-alpha, Ca II K and H, He I D3 and 1083: in these the limb stands some arcsec above the photosphere
CHROMOSPHERIC_NM = (656.28, 393.37, 396.85, 587.56, 1083.03)


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
    return lay_out(placement.positions, tile_shape, orientation(observation), placement.turns)


def finish_disk(
    mosaic: Mosaic,
    layout: Layout,
    placement: Placement,
    limb: Circle | None,
    tiles: Sequence[Tile],
    observation: Observation,
    limb_settings: LimbSettings | None = None,
    settings: DiskSettings | None = None,
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
    limb_settings : LimbSettings, optional
        For the limb's height.
    settings : DiskSettings, optional

    Returns
    -------
    Disk
    """
    limb_settings = limb_settings or LimbSettings()
    warnings: list[str] = []
    to_disk = np.full((len(tiles), 2, 3), np.nan)
    for k in np.flatnonzero(np.isfinite(placement.positions[:, 0])):
        to_disk[k] = layout.tile_matrix(placement.positions[k], placement.turn(k))
    uniform, profile = mosaic.image, np.zeros((0, 2))
    if limb is None:
        warnings.append(
            "no limb was seen: the centre-to-limb curve (UNIFORM is the natural image), the disk's centre, its radius "
            "and an overall tilt of the brightness are not determined"
        )
    else:
        uniform, profile, trouble = flatten(
            mosaic.image, limb, settings=settings, wavelength_nm=observation.wavelength_nm
        )
        warnings += [*undetermined(limb, profile), *trouble]
    cards, scale, more = _coordinates(limb, tiles, placement, observation, limb_settings)
    arcsec, arcsec_sigma = scale
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
        arcsec_per_px_sigma=arcsec_sigma,
    )


def undetermined(limb: Circle, profile: NDArray[np.float64]) -> list[str]:
    """Say what a part of the disk does not tell."""
    told = []
    if limb.arc_deg < SHORT_ARC_DEG:
        off = 100 * limb.sigma[2] / limb.radius_px
        told.append(
            f"only {limb.arc_deg:.0f} degrees of the limb were seen: its radius is uncertain by {limb.sigma[2]:.2g} px "
            f"({off:.2g} %), its centre by {np.hypot(*limb.sigma[:2]):.2g} px, and the scale with them"
        )
    if len(profile) and profile[0, 0] > 0.1:
        told.append(
            f"no part of the disk within {profile[0, 0]:.2f} radii of its centre was seen: the centre-to-limb curve is "
            "not determined there, and UNIFORM is relative to the innermost part seen"
        )
    return told


def _coordinates(
    limb: Circle | None,
    tiles: Sequence[Tile],
    placement: Placement,
    observation: Observation,
    settings: LimbSettings,
) -> tuple[dict[str, object], tuple[float | None, float | None], list[str]]:
    """Return FITS cards, arcsec per pixel with its error, and warnings; no solar axes without time and scale."""
    warnings = []
    cards: dict[str, object] = {}
    if observation.wavelength_nm is not None:
        cards["WAVELNTH"] = (observation.wavelength_nm, "[nm] centre of the passband")
        cards["WAVEUNIT"] = "nm"
    time = observation.time_utc or mean_time(
        [t for t, p in zip(tiles, placement.positions, strict=True) if np.isfinite(p[0])]
    )
    if time is None:
        warnings.append("no time is known (recordings, session.toml): disk.fits has no solar coordinates")
        return cards, (observation.arcsec_per_px, None), warnings
    sun = ephemeris(time)
    arcsec, sigma = observation.arcsec_per_px, None
    if limb is not None:
        # the limb is the better ruler: it needs no focal length
        seen = sun.radius_arcsec + settings.height_arcsec
        measured = seen / limb.radius_px
        sigma = measured * float(np.hypot(np.nan_to_num(limb.sigma[2]) / limb.radius_px,
                                          settings.height_sigma_arcsec / seen))  # fmt: skip
        wavelength = observation.wavelength_nm
        if settings.height_arcsec == 0 and wavelength and min(abs(wavelength - nm) for nm in CHROMOSPHERIC_NM) < 0.5:
            warnings.append(
                f"at {wavelength:g} nm the limb stands some arcsec above the photosphere: the scale takes it for the "
                "photosphere, and is up to 0.5 % too small, until limb.height_arcsec says how far"
            )
        if arcsec is not None and abs(measured / arcsec - 1) > 0.03:
            warnings.append(
                f"the limb says {measured:.4f} arcsec/px, telescope, extender and pixel say {arcsec:.4f}: "
                "the limb was used"
            )
        arcsec = measured
    if limb is None or arcsec is None:
        warnings.append("no limb or plate scale is known: disk.fits has no solar coordinates")
        cards["DATE-OBS"] = time
        return cards, (arcsec, sigma), warnings
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
    return cards, (arcsec, sigma), warnings


def mean_time(tiles: Sequence[Tile]) -> str | None:
    """Return the mean of the tiles' times, ISO 8601; None where none has one."""
    stamps = [np.datetime64(tile.time_utc, "ms").astype(np.int64) for tile in tiles if tile.time_utc is not None]
    if not stamps:
        return None
    return str(np.datetime64(round(float(np.mean(stamps))), "ms"))
