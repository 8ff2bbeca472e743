"""Masters, tiles and the disk as FITS files.

Every file is written whole or not at all, holds no clock time, carries CHECKSUM and DATASUM in every HDU, and
is read back once before it takes its name. Header texts are ASCII, as the standard demands.
"""

from __future__ import annotations

import hashlib
import math
import unicodedata
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import numpy as np
from astropy.io import fits

from diskmosaic.errors import DiskmosaicError, OutputError, bad_input
from diskmosaic.files.atomic import replacing
from diskmosaic.records import FRAME_DTYPE, Circle, Disk, Master, Source, Tile

# instead of the time of writing that would stand here: the same input gives the same bytes
CHECKSUM_COMMENT = "checksum of this HDU, FITS 4.0 appendix J"
MASTERS, TILES, DISK, PICTURES = "masters", "tiles", "disk.fits", "pictures"

_PLAIN = str.maketrans(
    {"ß": "ss", "æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "ð": "d", "þ": "th"}
    | {"±": "+/-", "×": "x", "°": " deg", "µ": "u", "μ": "u", "–": "-", "—": "-", "−": "-", "…": "..."}
    | {"‘": "'", "’": "'", "“": '"', "”": '"', "≤": "<=", "≥": ">=", "″": '"', "′": "'"}
)


def ascii_text(text: str) -> str:
    """Write a text with printable ASCII only, as FITS headers demand; what has no likeness becomes ``?``."""
    plain = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return "".join(letter if " " <= letter <= "~" else "?" for letter in plain)


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
    header["PIXSHA"] = pixels_sha256(master.image)
    for number, source in enumerate(master.sources, 1):
        _set_name(header, f"SRC{number}", source.name)
        header[f"SHA{number}"] = source.sha256
    _set_warnings(header, master.warnings)
    good = master.good.astype(np.uint8)
    _write(
        path,
        [_image(master.image, header), _image(master.uncertainty, name="UNCERT"), _image(good, name="GOOD")],
    )


def read_master(path: Path) -> Master:
    """Read a master that `write_master` wrote; raises `InputError` where it is damaged or something else."""
    with _Opened(path) as hdus:
        header = hdus[0].header
        sources = []
        while f"SRC{len(sources) + 1}" in header:
            number = len(sources) + 1
            sources.append(Source(_get_name(header, f"SRC{number}"), header[f"SHA{number}"]))
        return Master(
            kind=header["KIND"],
            image=_native(hdus[0].data),
            uncertainty=_native(hdus["UNCERT"].data),
            frames=header["NFRAMES"],
            clipped=float(header["CLIPPED"]),
            level=float(header["LEVEL"]),
            offset=float(header["OFFSET"]),
            good=hdus["GOOD"].data.astype(bool),
            sources=tuple(sources),
            warnings=_get_warnings(header),
        )


def write_tile(path: Path, tile: Tile) -> None:
    """Write a stacked tile: image, HDUs ``WEIGHT`` and ``FRAMES``; raises `OutputError`."""
    header = fits.Header()
    header["BUNIT"] = ("adu", "calibrated, linear")
    _set_name(header, "TILENAME", tile.name)
    _set_name(header, "RECORDNG", tile.recording)
    if tile.time_utc is not None:
        header["DATE-OBS"] = (tile.time_utc.removesuffix("Z"), "UTC, weighted mean of the frames used")
        header["TIMESYS"] = "UTC"
    _set_number(header, "NOISE", tile.noise, "[adu] pixel noise at the median level")
    _set_number(header, "SHARP", tile.sharpness, "contrast of fine structure, larger is sharper")
    header["NFRAMES"] = (len(tile.frames), "frames graded")
    header["NUSED"] = (int(np.count_nonzero(tile.frames["weight"] > 0)), "frames stacked")
    for number, (role, identity) in enumerate(sorted(tile.masters.items()), 1):
        header[f"MROLE{number}"] = (role, "master that was applied")
        header[f"MSHA{number}"] = identity
    _set_warnings(header, tile.warnings)
    table = fits.BinTableHDU(np.asarray(tile.frames, dtype=FRAME_DTYPE), name="FRAMES")
    _write(path, [_image(tile.image, header), _image(tile.weight, name="WEIGHT"), table])


def read_tile(path: Path) -> Tile:
    """Read a tile that `write_tile` wrote; raises `InputError` where it is damaged or something else."""
    with _Opened(path) as hdus:
        header = hdus[0].header
        roles = [header[key] for key in header if key.startswith("MROLE")]
        table = hdus["FRAMES"].data
        frames = np.empty(len(table), FRAME_DTYPE)
        for column in FRAME_DTYPE.names:
            frames[column] = table[column]
        time = header.get("DATE-OBS")
        return Tile(
            name=_get_name(header, "TILENAME"),
            image=_native(hdus[0].data),
            weight=_native(hdus["WEIGHT"].data),
            noise=_get_number(header, "NOISE"),
            frames=frames,
            sharpness=_get_number(header, "SHARP"),
            time_utc=None if time is None else time + "Z",
            recording=_get_name(header, "RECORDNG"),
            masters={role: header[f"MSHA{number}"] for number, role in enumerate(roles, 1)},
            warnings=_get_warnings(header),
        )


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
            _set_number(header, keyword, number, comment)
    _set_warnings(header, disk.warnings)
    profile = np.rec.fromarrays(np.atleast_2d(disk.profile).reshape(-1, 2).T, names="radius,level")
    _write(
        path,
        [
            _image(disk.natural, header),
            _image(disk.uniform, layer, name="UNIFORM"),
            _image(disk.weight, layer, name="WEIGHT"),
            _image(disk.tile.astype(np.int16), layer, name="TILE"),
            fits.BinTableHDU(profile, name="PROFILE"),
        ],
    )


_OWN_DISK_CARDS = {
    "SCALE",
    "LIMBY",
    "LIMBX",
    "LIMBR",
    "LIMBRMS",
    "LIMBN",
    "LIMBFLAT",
    "LIMBSY",
    "LIMBSX",
    "LIMBSR",
}
_STRUCTURE = {"SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "EXTEND", "CHECKSUM", "DATASUM", "COMMENT", ""}


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
    with _Opened(path) as hdus:
        header = hdus[0].header
        limb = None
        if "LIMBR" in header:
            limb = Circle(
                centre_yx=(float(header["LIMBY"]), float(header["LIMBX"])),
                radius_px=float(header["LIMBR"]),
                rms_px=_get_number(header, "LIMBRMS"),
                points=int(header["LIMBN"]),
                sigma=(
                    _get_number(header, "LIMBSY"),
                    _get_number(header, "LIMBSX"),
                    _get_number(header, "LIMBSR"),
                ),
                flattening=_get_number(header, "LIMBFLAT"),
            )
        cards = {
            card.keyword: (card.value, card.comment)
            for card in header.cards
            if card.keyword not in _LIMB_CARDS | _STRUCTURE | {"SCALE"}
            and not card.keyword.startswith("WARN")
        }
        profile = hdus["PROFILE"].data
        scale = header.get("SCALE")
        return Disk(
            natural=_native(hdus[0].data),
            uniform=_native(hdus["UNIFORM"].data),
            weight=_native(hdus["WEIGHT"].data),
            tile=hdus["TILE"].data.astype(np.int16),
            to_disk=to_disk,
            limb=limb,
            header=cards,
            profile=np.stack([profile["radius"], profile["level"]], axis=1).astype(np.float64),
            arcsec_per_px=None if scale is None else float(scale),
            warnings=_get_warnings(header),
        )


def _image(data: np.ndarray, header: fits.Header | None = None, name: str | None = None) -> Any:
    if data.dtype.kind == "f":
        data = np.ascontiguousarray(data, dtype=np.float32)
    return fits.PrimaryHDU(data, header) if name is None else fits.ImageHDU(data, header, name=name)


def _native(data: np.ndarray) -> np.ndarray:
    """Copy into the machine's byte order: OpenCV takes big-endian numbers for native ones without a word."""
    return np.array(data, dtype=np.float32)


def _set_number(header: fits.Header, keyword: str, number: float, comment: str) -> None:
    """Set a card; a header cannot hold NaN, so what is not known has no card."""
    if math.isfinite(number):
        header[keyword] = (number, comment)


def _get_number(header: Mapping[str, Any], keyword: str) -> float:
    return float(header.get(keyword, math.nan))


def _set_name(header: fits.Header, keyword: str, name: str) -> None:
    """Set a text; one that is not ASCII also gets a card with it percent-encoded: nothing is lost."""
    header[keyword] = ascii_text(name)
    if header[keyword] != name:
        header[_encoded(keyword)] = quote(name)


def _get_name(header: Mapping[str, Any], keyword: str) -> str:
    encoded = header.get(_encoded(keyword))
    return header[keyword] if encoded is None else unquote(encoded)


def _encoded(keyword: str) -> str:
    return f"U{keyword[:7]}"


def _set_warnings(header: fits.Header, texts: Sequence[str]) -> None:
    for number, text in enumerate(texts, 1):
        _set_name(header, f"WARN{number}", text)


def _get_warnings(header: Mapping[str, Any]) -> tuple[str, ...]:
    texts: list[str] = []
    while f"WARN{len(texts) + 1}" in header:
        texts.append(_get_name(header, f"WARN{len(texts) + 1}"))
    return tuple(texts)


def _write(path: Path, hdus: list[Any]) -> None:
    """Add the checksums, write, and read back what was written before it takes its name."""
    collection = fits.HDUList(hdus)
    collection.update_extend()
    for hdu in collection:
        hdu.add_checksum(when=CHECKSUM_COMMENT)
    with replacing(path) as part:
        collection.writeto(part, overwrite=True, output_verify="exception")
        try:
            _verify(part)
        except (OSError, ValueError, TypeError, Warning) as error:
            raise OutputError(
                f"{path}: found other bytes than were written ({error}), expected the same; check the disk."
            ) from error


def _verify(path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path, checksum=True, memmap=False) as hdus:
            hdus.verify("exception")
            for hdu in hdus:
                _ = hdu.data


class _Opened:
    """Open a product, checksums checked; tell in one sentence what is wrong with it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> fits.HDUList:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                self._hdus = fits.open(self._path, checksum=True, memmap=False)
                for hdu in self._hdus:
                    _ = hdu.data
            except (OSError, ValueError, TypeError, Warning) as error:
                raise self._damaged(error) from error
        return self._hdus

    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> None:
        self._hdus.close()
        if isinstance(error, (KeyError, IndexError)) and not isinstance(error, DiskmosaicError):
            raise self._damaged(error) from error

    def _damaged(self, error: BaseException) -> DiskmosaicError:
        text = str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__
        return bad_input(
            self._path,
            found=f"a damaged or foreign file ({text})",
            expected="a product of this program",
            todo="remove it and run again",
        )
