"""TIFF and PNG stills. Sizes are checked in the header before any memory is asked for."""

from __future__ import annotations

import struct
import threading
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from diskmosaic.errors import InputError, bad_input
from diskmosaic.files.rawfile import MAX_STILL_PIXELS, Contents, RawFile, check_sides

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
PNG_GRAY = (0, 4)  # colour types: gray, gray with alpha
PNG_END = b"IEND\xaeB`\x82"  # the closing chunk's name and checksum
MAX_EXPANSION = 1400  # no lossless coder here packs closer: deflate reaches 1032:1, LZW about 1365:1
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
        self._pages = [n for n, page in enumerate(tif.pages) if self._alike(tif.pages[n])]
        self._skipped = len(tif.pages) - len(self._pages)

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

    def _other_decoder(self, number: int, error: Exception) -> NDArray:
        try:
            done, images = cv2.imreadmulti(str(self.path), number, 1, flags=cv2.IMREAD_UNCHANGED)
        except cv2.error:
            done, images = False, ()
        shape = (self._first.imagelength, self._first.imagewidth)
        if not done or not images or images[0].shape[:2] != shape:
            raise _damaged(self.path, error) from error
        image = images[0]
        if image.ndim == 3 and image.shape[2] >= 3:
            image = image[..., 2::-1]  # stored blue first
        return image


def open_png(path: Path) -> Contents:
    """Read a PNG file's header.

    Raises
    ------
    InputError
        If the file is damaged, cut off or claims more pixels than it can hold.
    """
    raw = RawFile(path)
    try:
        head = raw.read(0, 33)
        if len(head) < 33 or head[:8] != PNG_SIGNATURE or head[12:16] != b"IHDR":
            raise bad_input(
                path, found="no PNG header", expected="a PNG image", todo="copy it again or leave it out"
            )
        width, height, depth, colour = struct.unpack(">IIBB", head[16:26])
        check_sides(path, width, height)
        if width * height > MAX_STILL_PIXELS or width * height * depth // 8 > raw.size * MAX_EXPANSION:
            raise bad_input(
                path,
                found=f"a header that claims {width} x {height} px",
                expected=f"at most {MAX_STILL_PIXELS} px, and not more than the file can hold",
                todo="the file is damaged: copy it again or leave it out",
            )
        if PNG_END not in raw.read(max(0, raw.size - 4096), 4096):
            raise bad_input(
                path, found="no end of the image", expected="a whole PNG file", todo="copy it again"
            )
    except BaseException:
        raw.close()
        raise
    planes = 1 if colour in PNG_GRAY else 3
    dtype = np.dtype(np.uint16 if depth == 16 else np.uint8)

    def read(index: int, out: NDArray) -> None:
        data = np.frombuffer(raw.read(0, raw.size), np.uint8)
        try:
            image = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
        except cv2.error as error:
            raise _damaged(path, ValueError("the decoder refused it")) from error
        if image is None or image.shape[:2] != (height, width) or image.dtype != dtype:
            raise _damaged(path, ValueError("the decoder refused it"))
        if planes == 1:
            out[...] = image if image.ndim == 2 else image[..., 0]
        elif image.ndim == 3 and image.shape[2] >= 3:
            out[...] = image[..., 2::-1]  # stored blue first
        else:
            out[...] = image.reshape(height, width, -1)[..., :1]

    return Contents(
        kind="png",
        height=height,
        width=width,
        planes=planes,
        dtype=dtype,
        frame_count=1,
        read=read,
        close=raw.close,
        bit_depth=depth,
    )


def _damaged(path: Path, error: Exception) -> InputError:
    reason = " ".join(str(error).split()) or type(error).__name__
    return bad_input(
        path,
        found=f"an image that cannot be decoded ({reason})",
        expected="a whole image",
        todo="copy it again, or save it uncompressed",
    )
