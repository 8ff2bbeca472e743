"""SER bytes: header, frames, times.

The layout is that of the format description version 3 (2014): 178 bytes of header, the frames, and optionally
a trailer of one 8-byte time per frame. What the header claims is checked against the file's size; the id text
is ignored, and so is the byte-order flag, since writers disagree about its meaning.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diskmosaic.errors import OutputError, bad_input
from diskmosaic.files.rawfile import Contents, RawFile, check_sides, truncated

HEADER = struct.Struct("<14s7i40s40s40sqq")  # 178 bytes, little-endian
OWN_ID = b"DISKMOSAIC-SER"
TICKS_1970 = 621_355_968_000_000_000  # 100 ns ticks from 0001-01-01 to 1970-01-01, proleptic Gregorian
TICKS_PER_US = 10
# a camera clock outside these years was never set
FIRST_TIME, LAST_TIME = np.datetime64("1990-01-01", "us"), np.datetime64("2200-01-01", "us")

MOSAICS = {8: "RGGB", 9: "GRBG", 10: "GBRG", 11: "BGGR", 16: "CYYM", 17: "YCMY", 18: "YMCY", 19: "MYYC"}
COLOUR_MONO, COLOUR_RGB, COLOUR_BGR = 0, 100, 101
BYTE_ORDERS = ("auto", "little", "big")


def open_ser(path: Path, *, byte_order: str = "auto") -> Contents:
    """Read a SER file's header and trailer.

    Parameters
    ----------
    path : Path
    byte_order : {'auto', 'little', 'big'}
        Of 16-bit data; 'auto' takes the order in which neighbouring pixels differ less.

    Returns
    -------
    Contents

    Raises
    ------
    InputError
        If the header makes no sense or the file does not hold one frame.
    """
    if byte_order not in BYTE_ORDERS:
        raise ValueError(f"byte_order must be one of {BYTE_ORDERS}, got {byte_order!r}")
    raw = RawFile(path)
    try:
        return _open(raw, byte_order)
    except BaseException:
        raw.close()
        raise


def _open(raw: RawFile, byte_order: str) -> Contents:
    path = raw.path
    if raw.size < HEADER.size:
        raise bad_input(path, found=f"{raw.size} bytes", expected=f"a {HEADER.size}-byte header", todo="copy it again")
    head = HEADER.unpack(raw.read(0, HEADER.size))
    _, _, colour, _, width, height, depth, promised, observer, camera, telescope, _, ticks_utc = head
    check_sides(path, width, height)
    warnings = []
    planes, size = _layout(raw, colour, depth, width * height, promised, warnings)
    frame_bytes = width * height * planes * size
    count, has_trailer = _count(raw, frame_bytes, promised)
    if count != promised:
        warnings.append(truncated(path, promised, count))
    times = None
    if has_trailer:
        times = _times(raw.read(HEADER.size + count * frame_bytes, 8 * count))
        if times is None:
            warnings.append(f"{path.name}: the times in its trailer are not set or run backwards; ignored")

    swapped = False
    if size == 2:
        step = {COLOUR_MONO: 1}.get(colour, 3 if planes == 3 else 2)
        if byte_order == "auto":
            byte_order = _judge_order(raw, frame_bytes, count, width * planes, step, depth)
        swapped = byte_order != _native_order()
    reverse = colour == COLOUR_BGR and planes == 3

    def read(index: int, out: NDArray) -> None:
        raw.read_into(out, HEADER.size + index * frame_bytes)
        if swapped:
            out.byteswap(inplace=True)
        if reverse:
            out[...] = out[..., ::-1].copy()

    facts = {"observer": observer, "instrument": camera, "telescope": telescope}
    facts = {key: _text(value) for key, value in facts.items() if _text(value)}
    header_time = _times(struct.pack("<q", ticks_utc))
    if header_time is not None:
        facts["time_utc"] = f"{header_time[0]}Z"
    return Contents(
        kind="ser",
        height=height,
        width=width,
        planes=planes,
        dtype=np.dtype(np.uint8 if size == 1 else np.uint16),
        frame_count=count,
        read=read,
        close=raw.close,
        bit_depth=depth if 1 <= depth <= 16 else None,
        bayer=MOSAICS.get(colour) if planes == 1 else None,
        times=times,
        camera=facts,
        warnings=tuple(warnings),
    )


def _layout(raw: RawFile, colour: int, depth: int, pixels: int, promised: int, warnings: list[str]) -> tuple[int, int]:
    """Return planes and bytes per value, as the header says or, where that cannot be, as the size says."""
    known = 1 <= depth <= 16 and (colour in MOSAICS or colour in (COLOUR_MONO, COLOUR_RGB, COLOUR_BGR))
    claimed = (3 if colour in (COLOUR_RGB, COLOUR_BGR) else 1, 1 if depth <= 8 else 2)
    body = raw.size - HEADER.size

    def fits(planes: int, size: int) -> bool:
        data = promised * pixels * planes * size
        return promised > 0 and body in (data, data + 8 * promised)

    layout = claimed
    too_long = body >= (promised + 1) * pixels * claimed[0] * claimed[1]
    if not known or (too_long and not fits(*claimed)):
        # the header contradicts itself or the file is longer than it says: another layout may fit to the byte
        others = [(p, s) for p in (1, 3) for s in (1, 2) if fits(p, s)]
        if len(others) == 1:
            layout = others[0]
        elif not known:
            raise bad_input(
                raw.path,
                found=f"colour code {colour} and {depth} bits per value in the header",
                expected="a known colour code and 1 to 16 bits",
                todo="the file is damaged or of another kind: copy it again or leave it out",
            )
        if layout != claimed or not known:
            warnings.append(
                f"{raw.path.name}: header says colour code {colour} and {depth} bits, the file's size fits "
                f"{layout[0]} plane(s) of {8 * layout[1]} bits; read as the size says"
            )
    if body < pixels * layout[0] * layout[1]:
        raise bad_input(
            raw.path,
            found=f"{body} bytes after the header",
            expected=f"at least one frame of {pixels * layout[0] * layout[1]} bytes",
            todo="the file is cut off or damaged: copy it again or leave it out",
        )
    return layout


def _count(raw: RawFile, frame_bytes: int, promised: int) -> tuple[int, bool]:
    """Return the frames in the file and whether a trailer of times follows them."""
    body = raw.size - HEADER.size
    held = body // frame_bytes
    if 0 < promised <= held:
        rest = body - promised * frame_bytes
        if rest < frame_bytes or rest == 8 * promised:
            return promised, rest >= 8 * promised
    # a recording that was never closed: the header's count is 0, or was not the last word
    closed, left = divmod(body, frame_bytes + 8)
    if promised <= 0 and left == 0:
        times = _times(raw.read(HEADER.size + closed * frame_bytes, 8 * closed))
        if times is not None:
            return closed, True
    return held, False


def _times(data: bytes) -> NDArray[np.datetime64] | None:
    """Convert ticks to UTC; None where they are not set or run backwards."""
    ticks = np.frombuffer(data, "<i8")
    us = (ticks // TICKS_PER_US - TICKS_1970 // TICKS_PER_US).astype("datetime64[us]")
    if us.size == 0 or us.min() < FIRST_TIME or us.max() > LAST_TIME or np.any(us[1:] < us[:-1]):
        return None
    return us


def _judge_order(raw: RawFile, frame_bytes: int, count: int, row: int, step: int, depth: int) -> str:
    """Return the byte order in which neighbours differ less, on strips of three frames."""
    rows = frame_bytes // (2 * row)
    samples = []
    for frame in sorted({0, count // 2, count - 1}):
        for eighth in (1, 3, 5, 7):
            first = min(rows * eighth // 8, max(0, rows - 8))
            data = raw.read(HEADER.size + frame * frame_bytes + first * row * 2, 2 * row * min(8, rows))
            samples.append(np.frombuffer(data, "<u2").reshape(-1, row))
    little = np.concatenate(samples)
    big = little.byteswap()
    rough = [_roughness(values, step) for values in (little, big)]
    if rough[0] != rough[1]:
        return "little" if rough[0] < rough[1] else "big"
    # featureless data: only the header's depth can tell, and nearly all writers are little-endian
    fits_little, fits_big = (int(values.max()) < 1 << depth for values in (little, big))
    return "big" if fits_big and not fits_little else "little"


def _roughness(values: NDArray[np.uint16], step: int) -> float:
    values = values.astype(np.float64)
    along = values[:, step:] - values[:, :-step]
    return float(np.mean(along**2)) if along.size else float(np.var(values))


def _native_order() -> str:
    return "little" if np.dtype("<u2").isnative else "big"


def _text(field: bytes) -> str:
    return field.split(b"\0")[0].decode("latin-1").strip()


class SerWriter:
    """Write a mono SER file frame by frame; a context manager.

    The file appears under its name only when the ``with`` block ends without an error.

    Parameters
    ----------
    path : path-like
    width, height : int
        px.
    bit_depth : int
        1 to 8: uint8 frames; 9 to 16: uint16 frames.
    times : array-like of datetime64, optional
        UTC of each frame, as many as frames are written.

    Examples
    --------
    >>> with SerWriter("flat.ser", 640, 480, 12) as ser:  # doctest: +SKIP
    ...     ser.write(frame)
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        width: int,
        height: int,
        bit_depth: int,
        times: ArrayLike | None = None,
    ):
        if not 1 <= bit_depth <= 16:
            raise ValueError(f"bit_depth must be 1 to 16, got {bit_depth}")
        if width < 1 or height < 1:
            raise ValueError(f"width and height must be > 0, got {width} and {height}")
        self.path = Path(path)
        self.width, self.height, self.bit_depth = width, height, bit_depth
        self.frame_count = 0
        self._dtype = np.dtype("u1" if bit_depth <= 8 else "<u2")
        self._times = None if times is None else np.asarray(times).astype("datetime64[us]")
        self._part = self.path.with_name(f".{self.path.name}.part")

    def __enter__(self) -> SerWriter:
        try:
            self._file = open(self._part, "wb")
            self._file.write(self._header())
        except OSError as error:
            raise OutputError(f"{self.path}: cannot be written ({error.strerror}).") from error
        return self

    def write(self, frame: NDArray) -> None:
        """Append one frame, (height, width), of the type that the bit depth asks for."""
        frame = np.asarray(frame)
        shape = (self.height, self.width)
        if frame.shape != shape or frame.dtype.newbyteorder("<") != self._dtype:
            raise ValueError(f"frame must be {self._dtype.name} {shape}, got {frame.dtype.name} {frame.shape}")
        self._file.write(np.ascontiguousarray(frame, self._dtype).data)
        self.frame_count += 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            with self._file:
                if kind is None:
                    self._finish()
            if kind is None:
                os.replace(self._part, self.path)
        except OSError as failure:
            raise OutputError(f"{self.path}: cannot be written ({failure.strerror}).") from failure
        finally:
            self._part.unlink(missing_ok=True)

    def _finish(self) -> None:
        if self._times is not None:
            if self._times.shape != (self.frame_count,):
                raise ValueError(f"times must be one per frame ({self.frame_count}), got {self._times.shape}")
            self._file.write(self._ticks().astype("<i8").tobytes())
        self._file.seek(0)
        self._file.write(self._header())

    def _ticks(self) -> NDArray[np.int64]:
        return self._times.astype(np.int64) * TICKS_PER_US + TICKS_1970

    def _header(self) -> bytes:
        first = int(self._ticks()[0]) if self._times is not None and self._times.size else 0
        return HEADER.pack(
            *(OWN_ID, 0, COLOUR_MONO, 0, self.width, self.height, self.bit_depth, self.frame_count),
            *(b"", b"", b"", first, first),
        )
