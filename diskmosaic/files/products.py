"""Masters, tiles and the disk as FITS files.

Every file is written whole or not at all, holds no clock time, carries CHECKSUM and DATASUM in every HDU, and
is read back once before it takes its name. Header texts are ASCII, as the standard demands.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits

from diskmosaic.files.cards import (
    Opened,
    ascii_text,
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
from diskmosaic.records import FRAME_DTYPE, Circle, Disk, Master, SensorGrid, Source, Tile

FIELD_STEP = 2**-10  # px
PLACES_STEP = 2**-12  # what weights are multiples of (`diskmosaic.moments`): nothing is lost
REMAINDER_STEP = 2e-5  # of the stored logarithm: far below the noise of any tile


def pixels_sha256(image: np.ndarray) -> str:
    """SHA-256 of an image's pixels as FITS stores them (big-endian float32, rows in order).

    Parameters
    ----------
    image : (h, w)

    Returns
    -------
    str
        64 hexadecimal digits: the identity of a master, whatever its header says.
    """
    return hashlib.sha256(np.ascontiguousarray(image, dtype=">f4").data).hexdigest()


def write_master(path: Path, master: Master) -> None:
    """Write a master: image, HDUs ``UNCERT`` and ``GOOD`` (1 good, 0 hot or dead); raises `OutputError`."""
    header = fits.Header()
    header["KIND"] = (master.kind, "dark or flat")
    header["BUNIT"] = ("adu" if master.kind == "dark" else "", "unit of the pixels (flat: relative response)")
    header["NFRAMES"] = (master.frames, "frames averaged")
    header["CLIPPED"] = (master.clipped, "share of the values left out by clipping")
    header["LEVEL"] = (master.level, "[adu] mean level before scaling")
    header["OFFSET"] = (master.offset, "[adu] taken off where there was no dark")
    set_number(header, "GAIN", master.gain, "[e-/adu] of the camera, by photon transfer")
    set_number(header, "RDNOISE", master.read_noise, "[e-] read noise")
    header["PIXSHA"] = pixels_sha256(master.image)
    for number, source in enumerate(master.sources, 1):
        set_text(header, f"SRC{number}", source.name)
        header[f"SHA{number}"] = source.sha256
    set_warnings(header, master.warnings)
    write_hdus(
        path,
        [
            image_hdu(master.image, header),
            image_hdu(master.uncertainty, name="UNCERT"),
            image_hdu(master.good.astype(np.uint8), name="GOOD"),
        ],
    )


def read_master(path: Path) -> Master:
    """Read a master that `write_master` wrote; raises `InputError` where it is damaged or something else."""
    with Opened(path) as hdus:
        header = hdus[0].header
        sources = []
        while f"SRC{len(sources) + 1}" in header:
            number = len(sources) + 1
            sources.append(Source(get_text(header, f"SRC{number}"), header[f"SHA{number}"]))
        return Master(
            kind=header["KIND"],
            image=native(hdus[0].data),
            uncertainty=native(hdus["UNCERT"].data),
            frames=header["NFRAMES"],
            clipped=float(header["CLIPPED"]),
            level=float(header["LEVEL"]),
            offset=float(header["OFFSET"]),
            good=hdus["GOOD"].data.astype(bool),
            sources=tuple(sources),
            warnings=get_warnings(header),
            gain=get_number(header, "GAIN"),
            read_noise=get_number(header, "RDNOISE"),
        )


def is_master(path: Path) -> bool:
    """Tell whether a file is a master of this program, by its cards."""
    if path.suffix.lower() not in (".fits", ".fit", ".fts"):
        return False
    try:
        header = fits.getheader(path)
    except (OSError, ValueError):
        return False
    return "KIND" in header and "PIXSHA" in header


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


def write_disk(path: Path, disk: Disk) -> None:
    """Write the finished disk: natural image with its map cards, then UNIFORM, WEIGHT, TILE and PROFILE.

    Parameters
    ----------
    path : pathlib.Path
    disk : Disk
        Its ``tile`` must count the placed tiles only, as ``tiles`` of ``assembly.json`` does
        (`diskmosaic.files.assembly.placed_only`).

    Raises
    ------
    OutputError
    """
    header = _map_cards(disk)
    # every HDU lies on the same grid, and solar libraries open each image of a file as a map of its own
    layer = _map_cards(disk)
    layer.remove("BUNIT", ignore_missing=True)
    if disk.arcsec_per_px is not None:
        header["SCALE"] = (disk.arcsec_per_px, "[arcsec/px] plate scale")
    if disk.limb is not None:
        limb = disk.limb
        for keyword, number, comment in [
            ("LIMBY", limb.centre_yx[0], "[px] limb centre, 0-based row"),
            ("LIMBX", limb.centre_yx[1], "[px] limb centre, 0-based column"),
            ("LIMBR", limb.radius_px, "[px] limb radius"),
            ("LIMBRMS", limb.rms_px, "[px] scatter of the limb points"),
            ("LIMBN", limb.points, "limb points used"),
            ("LIMBFLAT", limb.flattening, "1 - minor/major axis"),
            ("LIMBSY", limb.sigma[0], "[px] standard error of LIMBY"),
            ("LIMBSX", limb.sigma[1], "[px] standard error of LIMBX"),
            ("LIMBSR", limb.sigma[2], "[px] standard error of LIMBR"),
        ]:
            set_number(header, keyword, number, comment)
    set_warnings(header, disk.warnings)
    profile = np.rec.fromarrays(np.atleast_2d(disk.profile).reshape(-1, 2).T, names="radius,level")
    write_hdus(
        path,
        [
            image_hdu(disk.natural, header),
            image_hdu(disk.uniform, layer, name="UNIFORM"),
            image_hdu(disk.weight, layer, name="WEIGHT"),
            image_hdu(disk.tile.astype(np.int16), layer, name="TILE"),
            fits.BinTableHDU(profile, name="PROFILE"),
        ],
    )


def _map_cards(disk: Disk) -> fits.Header:
    header = fits.Header()
    for keyword, value in disk.header.items():
        text, comment = value if isinstance(value, tuple) else (value, "")
        header[keyword] = (ascii_text(text) if isinstance(text, str) else text, ascii_text(str(comment)))
    return header


_LIMB_CARDS = {"LIMBY", "LIMBX", "LIMBR", "LIMBRMS", "LIMBN", "LIMBFLAT", "LIMBSY", "LIMBSX", "LIMBSR"}
_STRUCTURE = {"SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "EXTEND", "CHECKSUM", "DATASUM"}
_OWN_DISK_CARDS = _LIMB_CARDS | _STRUCTURE | {"SCALE", "COMMENT", ""}


def read_layers(path: Path, names: Sequence[str]) -> tuple[dict[str, object], dict[str, np.ndarray]]:
    """Read images of a finished disk by name (``NATURAL`` is the primary one), and the header of that.

    Raises
    ------
    InputError
        Damaged, or something else.
    """
    with Opened(path) as hdus:
        layers = {name: native(hdus[0 if name == "NATURAL" else name].data) for name in names}
        return dict(hdus[0].header), layers


def read_disk(path: Path, to_disk: np.ndarray) -> Disk:
    """Read the disk that `write_disk` wrote.

    Parameters
    ----------
    path : pathlib.Path
    to_disk : (tiles, 2, 3)
        The matrices of the placed tiles, which ``assembly.json`` keeps.

    Raises
    ------
    InputError
        Where the file is damaged or something else.
    """
    with Opened(path) as hdus:
        header = hdus[0].header
        limb = None
        if "LIMBR" in header:
            limb = Circle(
                centre_yx=(float(header["LIMBY"]), float(header["LIMBX"])),
                radius_px=float(header["LIMBR"]),
                rms_px=get_number(header, "LIMBRMS"),
                points=int(header["LIMBN"]),
                sigma=tuple(get_number(header, keyword) for keyword in ("LIMBSY", "LIMBSX", "LIMBSR")),
                flattening=get_number(header, "LIMBFLAT"),
            )
        cards = {
            card.keyword: (card.value, card.comment)
            for card in header.cards
            if card.keyword not in _OWN_DISK_CARDS and not card.keyword.startswith(("WARN", "UWARN"))
        }
        profile = hdus["PROFILE"].data
        scale = header.get("SCALE")
        return Disk(
            natural=native(hdus[0].data),
            uniform=native(hdus["UNIFORM"].data),
            weight=native(hdus["WEIGHT"].data),
            tile=hdus["TILE"].data.astype(np.int16),
            to_disk=to_disk,
            limb=limb,
            header=cards,
            profile=np.stack([profile["radius"], profile["level"]], axis=1).astype(np.float64),
            arcsec_per_px=None if scale is None else float(scale),
            warnings=get_warnings(header),
        )
