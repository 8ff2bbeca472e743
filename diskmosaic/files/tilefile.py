"""Tiles as FITS files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io import fits

from diskmosaic.files.cards import (
    Opened,
    get_number,
    get_text,
    get_warnings,
    image_hdu,
    native,
    set_number,
    set_text,
    set_warnings,
    write_hdus,
)
from diskmosaic.records.tile import FRAME_DTYPE, SensorGrid, Tile

FIELD_STEP = 2**-10  # px


PLACES_STEP = 2**-12  # what weights are multiples of (`diskmosaic.tiles.moments`): nothing is lost


REMAINDER_STEP = 2e-5  # of the stored logarithm: far below the noise of any tile


def write_tile(path: Path, tile: Tile) -> None:
    """Write a tile; raises `OutputError`.

    HDUs: the image, ``WEIGHT``, ``FRAMES``, and where they are known ``REMAINDER``, ``FIELDS``, ``PLACES``, ``SENSOR``.
    """
    header = fits.Header()
    header["BUNIT"] = ("adu", "calibrated, linear")
    set_text(header, "TILENAME", tile.name)
    set_text(header, "RECORDNG", tile.recording)
    if tile.time_utc is not None:
        header["DATE-OBS"] = (tile.time_utc, "UTC, weighted mean of the frames used")
        header["TIMESYS"] = "UTC"
    set_number(header, "NOISE", tile.noise, "[adu] pixel noise at the median level")
    set_number(header, "SHARP", tile.sharpness, "contrast of fine structure, larger is sharper")
    header["NFRAMES"] = (len(tile.frames), "frames graded")
    header["NUSED"] = (int(np.count_nonzero(tile.frames["weight"] > 0)), "frames stacked")
    for number, (role, identity) in enumerate(sorted(tile.masters.items()), 1):
        header[f"MROLE{number}"] = (role, "master that was applied")
        header[f"MSHA{number}"] = identity
    if tile.channel:
        header["CHANNEL"] = (tile.channel, "colour taken of the frames")
    if tile.finer != 1:
        header["FINER"] = (tile.finer, "pixels to one of the frames, on each axis")
        header["PXSHARE"] = (tile.pixel_share, "share of its side that a frame's pixel kept")
    if tile.grid is not None:
        _set_grid(header, tile.grid)
    set_warnings(header, tile.warnings)
    table = fits.BinTableHDU(np.asarray(tile.frames, dtype=FRAME_DTYPE), name="FRAMES")
    hdus = [image_hdu(tile.image, header), image_hdu(tile.weight, name="WEIGHT"), table]
    if tile.remainder is not None:
        hdus.append(_scaled_hdu(tile.remainder, REMAINDER_STEP, "REMAINDER"))
    if tile.fields is not None:
        hdus.append(_scaled_hdu(tile.fields, FIELD_STEP, "FIELDS"))
    if tile.places is not None:
        hdus.append(_scaled_hdu(tile.places, PLACES_STEP, "PLACES"))
    if tile.sensor_mean is not None:
        hdus.append(image_hdu(tile.sensor_mean, name="SENSOR"))
    write_hdus(path, hdus)


def _scaled_hdu(values: np.ndarray, step: float, name: str) -> fits.ImageHDU:
    """Store numbers in 16 bits, in steps of `step` or, where that does not reach, as fine as it goes."""
    step = max(step, float(np.abs(values).max(initial=0)) / 32767)
    hdu = fits.ImageHDU(np.rint(values / step).astype(np.int16), name=name)
    # the library would scale the numbers once more if they were set before the data
    hdu.header["BSCALE"] = step
    hdu.header["BZERO"] = 0.0
    return hdu


def read_tile(path: Path) -> Tile:
    """Read a tile that `write_tile` wrote; raises `InputError` where it is damaged or something else."""
    with Opened(path) as hdus:
        header = hdus[0].header
        roles = [header[key] for key in header if key.startswith("MROLE")]
        table = hdus["FRAMES"].data
        frames = np.empty(len(table), FRAME_DTYPE)
        for column in FRAME_DTYPE.names:
            frames[column] = table[column]
        names = ("REMAINDER", "FIELDS", "PLACES", "SENSOR")
        remainder, fields, places, sensor_mean = (native(hdus[name].data) if name in hdus else None for name in names)
        return Tile(
            name=get_text(header, "TILENAME"),
            image=native(hdus[0].data),
            weight=native(hdus["WEIGHT"].data),
            noise=get_number(header, "NOISE"),
            frames=frames,
            sharpness=get_number(header, "SHARP"),
            time_utc=header.get("DATE-OBS"),
            recording=get_text(header, "RECORDNG"),
            masters={role: header[f"MSHA{number}"] for number, role in enumerate(roles, 1)},
            warnings=get_warnings(header),
            remainder=remainder,
            fields=fields,
            places=places,
            sensor_mean=sensor_mean,
            grid=_get_grid(header),
            channel=header.get("CHANNEL", ""),
            finer=float(header.get("FINER", 1.0)),
            pixel_share=float(header.get("PXSHARE", 1.0)),
        )


def _set_grid(header: fits.Header, grid: SensorGrid) -> None:
    header["GRIDSTEP"] = (grid.step, "[px] sensor px per pixel here")
    header["GRIDY"] = (grid.first_yx[0], "[px] sensor row of the first pixel here")
    header["GRIDX"] = (grid.first_yx[1], "[px] sensor column of the first pixel here")
    header["SENSORH"] = (grid.sensor_shape[0], "[px] height of the sensor")
    header["SENSORW"] = (grid.sensor_shape[1], "[px] width of the sensor")


def _get_grid(header: fits.Header) -> SensorGrid | None:
    if "GRIDSTEP" not in header:
        return None
    first = (get_number(header, "GRIDY"), get_number(header, "GRIDX"))
    return SensorGrid(get_number(header, "GRIDSTEP"), first, (int(header["SENSORH"]), int(header["SENSORW"])))


def tile_recording(path: Path) -> str:
    """Read only which recording a tile was stacked from; raises `InputError` like `read_tile`."""
    with Opened(path) as hdus:
        return get_text(hdus[0].header, "RECORDNG")


def tiles_channel(folder: Path) -> str:
    """Read which colour the tiles of a folder are, empty: all, or no tiles; raises `InputError` like `read_tile`."""
    for path in sorted(folder.glob("[!.]*.fits")):
        with Opened(path) as hdus:
            return hdus[0].header.get("CHANNEL", "")
    return ""
