"""Masters as FITS files."""

from __future__ import annotations

import hashlib
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
from diskmosaic.records.master import Master, Source


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
