"""FITS the house's way: ASCII headers that lose nothing, checksums without clock time, files read back.

Every file is written whole or not at all, carries CHECKSUM and DATASUM in every HDU, and is verified once
before it takes its name.
"""

from __future__ import annotations

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

# instead of the time of writing that would stand here: the same input gives the same bytes
CHECKSUM_COMMENT = "checksum of this HDU, FITS 4.0 appendix J"
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


def image_hdu(data: np.ndarray, header: fits.Header | None = None, name: str | None = None) -> Any:
    """Make an HDU, floats as float32; without a name it is the primary one."""
    if data.dtype.kind == "f":
        data = np.ascontiguousarray(data, dtype=np.float32)
    return fits.PrimaryHDU(data, header) if name is None else fits.ImageHDU(data, header, name=name)


def native(data: np.ndarray) -> np.ndarray:
    """Copy into the machine's byte order: OpenCV takes big-endian numbers for native ones without a word."""
    return np.array(data, dtype=np.float32)


def set_number(header: fits.Header, keyword: str, number: float, comment: str) -> None:
    """Set a card; a header cannot hold NaN, so what is not known has no card."""
    if math.isfinite(number):
        header[keyword] = (number, comment)


def get_number(header: Mapping[str, Any], keyword: str) -> float:
    """Get a number that `set_number` set; NaN where it was not known."""
    return float(header.get(keyword, math.nan))


def set_text(header: fits.Header, keyword: str, name: str) -> None:
    """Set a text; one that is not ASCII also gets a card with it percent-encoded: nothing is lost."""
    header[keyword] = ascii_text(name)
    if header[keyword] != name:
        header[_encoded(keyword)] = quote(name)


def get_text(header: Mapping[str, Any], keyword: str) -> str:
    """Get the exact text that `set_text` set."""
    encoded = header.get(_encoded(keyword))
    return header[keyword] if encoded is None else unquote(encoded)


def _encoded(keyword: str) -> str:
    return f"U{keyword[:7]}"


def set_warnings(header: fits.Header, texts: Sequence[str]) -> None:
    """Set the cards ``WARN1``, ``WARN2``, ... ."""
    for number, text in enumerate(texts, 1):
        set_text(header, f"WARN{number}", text)


def get_warnings(header: Mapping[str, Any]) -> tuple[str, ...]:
    """Get the texts that `set_warnings` set."""
    texts: list[str] = []
    while f"WARN{len(texts) + 1}" in header:
        texts.append(get_text(header, f"WARN{len(texts) + 1}"))
    return tuple(texts)


def write_hdus(path: Path, hdus: list[Any]) -> None:
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
        # own handle: the library leaves its one open when a sum is wrong
        with open(path, "rb") as handle, fits.open(handle, checksum=True, memmap=False) as hdus:
            hdus.verify("exception")
            for hdu in hdus:
                _ = hdu.data
                del hdu.data  # one at a time: a large disk has four


class Opened:
    """Open a product, checksums checked; tell in one sentence what is wrong with it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> fits.HDUList:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                # read whole, from an own handle: the library leaves its one open when a sum is wrong
                with open(self._path, "rb") as handle:
                    hdus = fits.open(handle, checksum=True, memmap=False)
                    for hdu in hdus:
                        _ = hdu.data
            except (OSError, ValueError, TypeError, Warning) as error:
                raise self._damaged(error) from error
        return hdus

    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> None:
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
