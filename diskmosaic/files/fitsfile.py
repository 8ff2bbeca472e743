"""FITS images and cubes, one frame at a time.

The header is parsed by astropy, the pixels are read here at their place in the file: memory mapping refuses
scaled integers, and the default loads the whole file. Rows stay in the order in which they are stored.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.rawfile import Contents, RawFile, check_sides, truncated
from diskmosaic.files.sidecar import utc

BLOCK, CARD = 2880, 80  # bytes, FITS 4.0 section 3
MAX_HEADER_BLOCKS = 1000  # 36,000 cards: no camera writes more
STORED = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
# BZERO that turns stored integers into those of the other sign (FITS 4.0, table 11)
SIGN_FLIPS = {8: (-128, "i1"), 16: (1 << 15, "u2"), 32: (1 << 31, "u4"), 64: (1 << 63, "u8")}
MOSAICS = ("RGGB", "GRBG", "GBRG", "BGGR")
KEYS = {"EXPTIME": "exposure_s", "EXPOSURE": "exposure_s", "GAIN": "gain", "XBINNING": "binning"}
STRUCTURE = (
    "SIMPLE",
    "BITPIX",
    "NAXIS",
    "EXTEND",
    "BZERO",
    "BSCALE",
    "BLANK",
    "COMMENT",
    "HISTORY",
    "END",
    "",
)


def open_fits(path: Path) -> Contents:
    """Read the headers of a FITS file up to the first image.

    Raises
    ------
    InputError
        If it is no FITS file, holds no image of 2 or 3 axes, or is shorter than one frame.
    """
    raw = RawFile(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # cameras write odd cards; what matters is checked here
            return _open(raw)
    except BaseException:
        raw.close()
        raise


def _open(raw: RawFile) -> Contents:
    if not raw.read(0, CARD).startswith(b"SIMPLE  ="):
        raise bad_input(
            raw.path,
            found="no FITS header",
            expected="'SIMPLE  =' at the start of the file",
            todo="the file is of another kind: rename it or leave it out",
        )
    at = 0
    while True:
        header, start = _header(raw, at)
        axes = [_integer(raw, header, f"NAXIS{n}") for n in range(1, _integer(raw, header, "NAXIS") + 1)]
        bitpix = _integer(raw, header, "BITPIX")
        if len(axes) >= 2 and str(header.get("XTENSION", "IMAGE")).strip() == "IMAGE":
            return _image(raw, header, start, bitpix, axes)
        values = int(np.prod(axes, dtype=object)) if axes else 0
        size = abs(bitpix) // 8 * (values + _integer(raw, header, "PCOUNT", 0))
        at = start + -(-size // BLOCK) * BLOCK
        if size < 0 or at + BLOCK > raw.size:
            raise bad_input(
                raw.path,
                found="no uncompressed image",
                expected="an image of 2 or 3 axes",
                todo="save it as a plain FITS image",
            )


def _header(raw: RawFile, at: int) -> tuple[fits.Header, int]:
    """Return the header that starts at byte `at`, and where its data start."""
    data = b""
    for _ in range(MAX_HEADER_BLOCKS):
        block = raw.read(at + len(data), BLOCK)
        data += block
        if any(block[n : n + 8] == b"END     " for n in range(0, len(block), CARD)) and len(block) == BLOCK:
            return fits.Header.fromstring(data), at + len(data)
        if len(block) < BLOCK:
            break
    raise bad_input(
        raw.path,
        found="a header without an end",
        expected="an END card",
        todo="the file is cut off or damaged: copy it again or leave it out",
    )


def _value(header: fits.Header, key: str) -> object:
    """Return a card's value, None where it is missing or cannot be parsed."""
    try:
        value = header.get(key)
    except (fits.VerifyError, ValueError, KeyError):
        return None
    return None if isinstance(value, fits.card.Undefined) else value


def _integer(raw: RawFile, header: fits.Header, key: str, default: int | None = None) -> int:
    value = _value(header, key)
    if value is None and default is not None:
        return default
    limit = 999 if key == "NAXIS" else 1 << 62  # FITS 4.0, section 4.4.1.1
    if isinstance(value, bool) or not isinstance(value, int) or (key != "BITPIX" and not 0 <= value <= limit):
        raise _bad_card(raw, key, value)
    return value


def _bad_card(raw: RawFile, key: str, value: object) -> InputError:
    return bad_input(
        raw.path,
        found=f"{key} = {value}",
        expected="a value that FITS allows",
        todo="the file is damaged: copy it again or leave it out",
    )


def _image(raw: RawFile, header: fits.Header, start: int, bitpix: int, axes: list[int]) -> Contents:
    path = raw.path
    while len(axes) > 2 and axes[-1] == 1:
        axes = axes[:-1]
    if bitpix not in STORED:
        raise _bad_card(raw, "BITPIX", bitpix)
    if len(axes) > 3:
        raise bad_input(path, found=f"{len(axes)} axes", expected="2 or 3", todo="save the images one by one")
    width, height, depth = (*axes, 1)[:3]
    check_sides(path, width, height)
    colour = depth == 3 and str(_value(header, "CTYPE3") or "").strip().upper() == "RGB"
    planes, promised = (3, 1) if colour else (1, depth)
    stored = np.dtype(STORED[bitpix])
    frame_bytes = height * width * planes * stored.itemsize
    count = min(promised, max(0, raw.size - start) // frame_bytes)
    if count < 1:
        raise bad_input(
            path,
            found=f"{max(0, raw.size - start)} bytes of pixels",
            expected=f"at least one frame of {frame_bytes} bytes ({width} x {height} px)",
            todo="the file is cut off or damaged: copy it again or leave it out",
        )
    dtype, scale, zero, blank = _scaling(raw, header, bitpix)
    camera = _camera(header)
    times = None
    if count == 1 and "time_utc" in camera:
        times = np.array([camera["time_utc"].removesuffix("Z")], "datetime64[us]")

    def read(index: int, out: NDArray) -> None:
        shape = (3, height, width) if colour else (height, width)
        values = np.empty(shape, stored)
        raw.read_into(values, start + index * frame_bytes)
        if colour:
            values = values.transpose(1, 2, 0)
        if scale is None:
            # integers of the other sign differ from the stored ones in the top bit only
            native = values.astype(stored.newbyteorder("="))
            out[...] = native.view(dtype) ^ dtype.type(zero) if zero else native
            return
        out[...] = values
        if blank is not None:
            out[values == blank] = np.nan
        out *= dtype.type(scale)
        out += dtype.type(zero)

    pattern = str(_value(header, "BAYERPAT") or _value(header, "COLORTYP") or "").strip().upper()
    return Contents(
        kind="fits",
        height=height,
        width=width,
        planes=planes,
        dtype=dtype,
        frame_count=count,
        read=read,
        close=raw.close,
        bit_depth=abs(bitpix),
        bayer=pattern if pattern in MOSAICS and planes == 1 else None,
        times=times,
        camera=camera,
        warnings=(truncated(path, promised, count),) if count != promised else (),
    )


def _scaling(raw: RawFile, header: fits.Header, bitpix: int) -> tuple[np.dtype, float | None, float, int | None]:
    """Return type, scale (None: values as stored), zero or the bit to flip, and the value of blanks."""
    scale, zero = (_value(header, key) for key in ("BSCALE", "BZERO"))
    scale, zero = 1 if scale is None else scale, 0 if zero is None else zero
    for key, value in (("BSCALE", scale), ("BZERO", zero)):
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise _bad_card(raw, key, value)
    blank = _value(header, "BLANK") if bitpix > 0 else None
    if blank is not None and (isinstance(blank, bool) or not isinstance(blank, int)):
        raise _bad_card(raw, "BLANK", blank)
    native = np.dtype(STORED[bitpix]).newbyteorder("=")
    if bitpix > 0 and scale == 1 and blank is None:
        flip, other = SIGN_FLIPS[bitpix]
        if zero == flip:
            return np.dtype(other), None, np.array(abs(flip)).astype(f"u{bitpix // 8}").view(other)[()], None
        if zero == 0:
            return native, None, 0, None
    if scale == 1 and zero == 0 and bitpix < 0:
        return native, None, 0, None
    # float32 holds all 16-bit integers exactly, 32-bit ones need float64
    return np.dtype(np.float32 if bitpix in (8, 16, -32) else np.float64), float(scale), float(zero), blank


def _camera(header: fits.Header) -> dict[str, str]:
    facts = {}
    for key in dict.fromkeys(header.keys()):
        value = _value(header, key)
        if value is None or key.startswith("NAXIS") or key in STRUCTURE:
            continue
        facts.setdefault(KEYS.get(key, key), str(value).strip())
    text = facts.get("DATE-AVG") or facts.get("DATE-OBS") or ""
    if text and "T" not in text and "TIME-OBS" in facts:
        text = f"{text}T{facts['TIME-OBS']}"
    time = utc(text)
    if time is not None:
        facts["time_utc"] = time
    return facts
