"""TIFF stills and stacks. Sizes are checked in the directory before any memory is asked for."""

from __future__ import annotations

import logging
import struct
import threading
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.rawfile import MAX_EXPANSION, MAX_STILL_PIXELS, Contents, check_sides

# damage is told once, in the error; without a handler the library's own notes would go to the terminal
logging.getLogger("tifffile").addHandler(logging.NullHandler())

MINISWHITE, MINISBLACK, RGB = 0, 1, 2
PLANAR_SEPARATE = 2
UNCOMPRESSED = 1


def open_tiff(path: Path) -> Contents:
    """Read a TIFF file's directories; pages like the first are its frames.

    Raises
    ------
    InputError
        If the file is damaged, claims more pixels than it can hold, or has pixels of an unknown kind.
    """
    try:
        tif = tifffile.TiffFile(path)
    except Exception as error:  # the library's parser raises many kinds on damaged files
        if isinstance(error, OSError):
            raise
        raise _damaged(path, error) from error
    try:
        return _Tiff(path, tif).contents()
    except InputError:
        tif.close()
        raise
    except Exception as error:
        tif.close()
        raise _damaged(path, error) from error


class _Tiff:
    """An open TIFF file; its library keeps a file position, so that one page is read at a time."""

    def __init__(self, path: Path, tif: tifffile.TiffFile):
        self.path, self._tif, self._lock = path, tif, threading.Lock()
        self._first = tif.pages[0]
        count, self._complete = self._walk()
        self._pages = [n for n in range(count) if n == 0 or self._alike(tif.pages[n])]
        self._skipped = count - len(self._pages)

    def _walk(self) -> tuple[int, bool]:
        """Follow the chain of directories; returns their number, and False where the chain breaks.

        The library follows a chain that runs in circles without end.
        """
        kind, handle, seen = self._tif.tiff, self._tif.filehandle, set()
        at = self._first.offset
        while at and at not in seen:
            handle.seek(at)
            head = handle.read(kind.tagnosize)
            if len(head) < kind.tagnosize:
                return max(1, len(seen)), False
            handle.seek(at + kind.tagnosize + struct.unpack(kind.tagnoformat, head)[0] * kind.tagsize)
            link = handle.read(kind.offsetsize)
            if len(link) < kind.offsetsize:
                return max(1, len(seen)), False
            seen.add(at)
            at = struct.unpack(kind.offsetformat, link)[0]
        return len(seen), at == 0

    def _alike(self, page) -> bool:
        page = page.aspage()
        return page.shape == self._first.shape and page.dtype == self._first.dtype

    def contents(self) -> Contents:
        page, path = self._first, self.path
        self._check(page)
        samples = page.samplesperpixel
        self._planes = 3 if samples >= 3 else 1
        dtype = page.dtype.newbyteorder("=")
        warnings = []
        if samples not in (1, 3):
            warnings.append(f"{path.name}: {samples - self._planes} extra plane(s), such as alpha, left out")
        if self._skipped:
            warnings.append(f"{path.name}: {self._skipped} pages of another size or type left out")
        if not self._complete:
            count = len(self._pages)
            warnings.append(f"{path.name}: the pages after the first {count} are lost; read as far as it goes")
        facts = {name: page.tags[name].value for name in ("DateTime", "Make", "Model") if name in page.tags}
        return Contents(
            kind="tiff",
            height=page.imagelength,
            width=page.imagewidth,
            planes=self._planes,
            dtype=dtype,
            frame_count=len(self._pages),
            read=self._read,
            close=self._tif.close,
            bit_depth=page.bitspersample,
            camera={name: str(value).strip() for name, value in facts.items()},
            warnings=tuple(warnings),
        )

    def _check(self, page: tifffile.TiffPage) -> None:
        path = self.path
        numbers = (page.imagewidth, page.imagelength, page.samplesperpixel, page.bitspersample)
        if not all(isinstance(number, int) for number in numbers):
            raise _damaged(path, ValueError("sizes that are no whole numbers"))
        check_sides(path, page.imagewidth, page.imagelength)
        kind = page.dtype
        if kind is None or kind.kind not in "uif" or page.bitspersample != 8 * kind.itemsize:
            raise bad_input(
                path,
                found=f"{page.bitspersample}-bit pixels of sample format {page.sampleformat}",
                expected="8, 16 or 32-bit integers or floats",
                todo="save it as 16-bit gray",
            )
        if page.photometric not in (MINISWHITE, MINISBLACK, RGB):
            raise bad_input(
                path,
                found=f"pixels of colour kind {int(page.photometric)}",
                expected="gray or RGB",
                todo="save it as 16-bit gray",
            )
        if page.imagedepth != 1 or page.ndim not in (2, 3):
            raise bad_input(path, found="a volume", expected="a plane image", todo="save the planes as pages")
        pixels = page.imagewidth * page.imagelength
        size = pixels * page.samplesperpixel * kind.itemsize
        most = self._tif.filehandle.size * (1 if page.compression == UNCOMPRESSED else MAX_EXPANSION)
        if pixels > MAX_STILL_PIXELS or size > most:
            raise bad_input(
                path,
                found=f"a header that claims {page.imagewidth} x {page.imagelength} px ({size} bytes)",
                expected=f"at most {MAX_STILL_PIXELS} px, and not more than the file can hold",
                todo="the file is damaged: copy it again or leave it out",
            )

    def _read(self, index: int, out: NDArray) -> None:
        with self._lock:
            number = self._pages[index]
            page = self._tif.pages[number].aspage()
            self._check_strips(page)
            try:
                image = page.asarray()
                if page.planarconfig == PLANAR_SEPARATE and page.samplesperpixel > 1:
                    image = np.moveaxis(image, 0, -1)
            except Exception as error:  # codecs that are not installed, and every kind of damage
                image = self._other_decoder(number, error)
        image = image.reshape(*out.shape[:2], -1)[..., : self._planes]
        if image.dtype.newbyteorder("=") != out.dtype:
            raise _damaged(self.path, ValueError(f"pixels decoded as {image.dtype}"))
        out[...] = image.reshape(out.shape)
        if page.photometric == MINISWHITE and out.dtype.kind == "u":
            np.subtract(np.iinfo(out.dtype).max, out, out=out)

    def _check_strips(self, page: tifffile.TiffPage) -> None:
        """Refuse a page whose pixels are not all there: the library would fill them with zeros."""
        strips = list(zip(page.dataoffsets, page.databytecounts, strict=False))
        size = self._tif.filehandle.size
        if not strips or not all(at and count and at + count <= size for at, count in strips):
            raise _damaged(self.path, ValueError("it ends early"))

    def _other_decoder(self, number: int, error: Exception) -> NDArray:
        if "imagecodecs" not in str(error):  # damage, not a codec that is missing
            raise _damaged(self.path, error) from error
        level = cv2.utils.logging.getLogLevel()
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        try:
            done, images = cv2.imreadmulti(str(self.path), number, 1, flags=cv2.IMREAD_UNCHANGED)
        except cv2.error:
            done, images = False, ()
        finally:
            cv2.utils.logging.setLogLevel(level)
        shape = (self._first.imagelength, self._first.imagewidth)
        if not done or not images or images[0].shape[:2] != shape:
            raise _damaged(self.path, error) from error
        image = images[0]
        if image.ndim == 3 and image.shape[2] >= 3:
            image = image[..., 2::-1]  # stored blue first
        return image


def _damaged(path: Path, error: Exception) -> InputError:
    reason = " ".join(str(error).split()) or type(error).__name__
    return bad_input(
        path,
        found=f"an image that cannot be decoded ({reason})",
        expected="a whole image",
        todo="copy it again, or save it uncompressed",
    )
