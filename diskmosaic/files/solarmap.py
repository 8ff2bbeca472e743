"""The grid of somebody's solar map: which place on the sky each of its pixels shows, when, and seen from where."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.cards import ascii_text, image_hdu, set_text, write_hdus
from diskmosaic.sky.sun import AU_KM, SunEphemeris, ephemeris

# cards that make the grid (Thompson 2006, A&A 449, 791); matrix and projection cards go by their beginnings
_CARDS = (
    *("WCSAXES", "CTYPE1", "CTYPE2", "CUNIT1", "CUNIT2", "CRPIX1", "CRPIX2", "CRVAL1", "CRVAL2", "CDELT1", "CDELT2"),
    *("CROTA2", "LONPOLE", "LATPOLE", "DATE-OBS", "DATE_OBS", "DATE-AVG", "DSUN_OBS", "HGLN_OBS", "HGLT_OBS"),
    *("CRLN_OBS", "CRLT_OBS", "RSUN_REF", "RSUN_OBS"),
)
_STEMS = ("PC1_", "PC2_", "CD1_", "CD2_", "PV1_", "PV2_")
_TIMES = ("DATE-AVG", "DATE-OBS", "DATE_OBS")


@dataclass(frozen=True)
class MapGrid:
    """The grid of a helioprojective map.

    Attributes
    ----------
    name : str
        Of the file.
    shape : (rows, columns)
    time_utc : str
    view : SunEphemeris
        B0, L0 and distance of the map's observer; P as seen from the Earth.
    cards : dict
        The header cards that say all this, to be copied.
    wcs : astropy.wcs.WCS
    """

    name: str
    shape: tuple[int, int]
    time_utc: str
    view: SunEphemeris
    cards: dict[str, Any]
    wcs: WCS

    def sight(self, rows: NDArray[np.float64], columns: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Return west and north of pixels, tangents of the angles from the disk's centre; NaN where there is no sky."""
        longitude, latitude = np.deg2rad(self.wcs.wcs_pix2world(columns, rows, 0))
        longitude = (longitude + np.pi) % (2 * np.pi) - np.pi
        front = np.abs(longitude) < 0.5
        longitude = np.where(front, longitude, np.nan)
        return np.tan(longitude), np.tan(latitude) / np.cos(longitude)

    def place(self, west: NDArray[np.float64], north: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Return (rows, columns) of sight lines; the inverse of `sight`."""
        longitude = np.arctan(west)
        latitude = np.arctan(north * np.cos(longitude))
        columns, rows = self.wcs.wcs_world2pix(np.rad2deg(longitude), np.rad2deg(latitude), 0)
        return rows, columns

    @property
    def arcsec_per_px(self) -> float:
        """Plate scale at the reference pixel, mean of both axes."""
        return 3600 * float(np.sqrt(abs(np.linalg.det(self.wcs.pixel_scale_matrix))))


def read_grid(path: Path) -> MapGrid:
    """Read the grid of the first helioprojective image in a FITS file.

    Raises
    ------
    InputError
        No FITS file, no helioprojective image in it, or no time.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # strange cards of other programs do not matter here
            with open(path, "rb") as handle, fits.open(handle, memmap=False) as hdus:
                headers = [(hdu.header.copy(), getattr(hdu, "shape", ())) for hdu in hdus]
    except FileNotFoundError:
        raise bad_input(path, found="no such file", expected="a map (FITS)", todo="check the path") from None
    except (OSError, ValueError, TypeError) as error:
        raise bad_input(
            path, found=f"no readable FITS file ({error})".splitlines()[0], expected="a map", todo="check the file"
        ) from error
    for header, shape in headers:
        kinds = [str(header.get(key, ""))[:4] for key in ("CTYPE1", "CTYPE2")]
        if kinds == ["HPLN", "HPLT"] and len(shape) == 2:
            return grid_of(header, shape, path.name)
    raise bad_input(
        path,
        found="no image with CTYPE HPLN and HPLT",
        expected="a helioprojective map",
        todo="choose another map; a disk.fits needs a time and a limb to be one",
    )


def grid_of(header: Mapping[str, Any], shape: tuple[int, int], name: str) -> MapGrid:
    """Make the grid of a header; like `read_grid`."""
    times = [str(header[key]) for key in _TIMES if header.get(key)]
    if not times:
        raise bad_input(name, found="no DATE-OBS", expected="a map with a time", todo="choose another map")
    try:
        seen = ephemeris(times[0].removesuffix("_TAI").removesuffix("Z"))
    except InputError:
        raise bad_input(name, found=f"DATE-OBS '{times[0]}'", expected="an ISO 8601 time", todo="correct it") from None
    view = replace(
        seen,
        b0_deg=float(header.get("HGLT_OBS", header.get("CRLT_OBS", seen.b0_deg))),
        l0_deg=(seen.l0_deg + float(header.get("HGLN_OBS", 0.0))) % 360,
        distance_au=float(header["DSUN_OBS"]) / 1000 / AU_KM if "DSUN_OBS" in header else seen.distance_au,
    )
    cards = {key: header[key] for key in _CARDS if key in header}
    cards |= {key: header[key] for key in header if key.startswith(_STEMS)}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        wcs = WCS(fits.Header(cards), fix=False)
    return MapGrid(name, (int(shape[0]), int(shape[1])), times[0], view, cards, wcs)


def write_on_grid(path: Path, grid: MapGrid, layers: Mapping[str, NDArray[np.float32]], origin: str) -> None:
    """Write images on a map's grid, the first as primary image; raises `OutputError`.

    Parameters
    ----------
    path : pathlib.Path
    grid : MapGrid
    layers : mapping
        Name of the HDU -> image.
    origin : str
        Time of the disk that was put here, ISO 8601.
    """
    hdus = []
    for name, image in layers.items():
        header = fits.Header()
        for key, value in grid.cards.items():
            header[key] = ascii_text(value) if isinstance(value, str) else value
        if not hdus:
            set_text(header, "MAPFILE", grid.name)
            header["DISKTIME"] = (origin, "UTC of the disk that was put here")
        hdus.append(image_hdu(image, header, None if not hdus else name))
    write_hdus(path, hdus)
