"""The finished disk as a FITS file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits

from diskmosaic.files.cards import (
    Opened,
    ascii_text,
    get_number,
    get_warnings,
    image_hdu,
    native,
    set_number,
    set_warnings,
    write_hdus,
)
from diskmosaic.records.light import Disk
from diskmosaic.records.places import Circle


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
