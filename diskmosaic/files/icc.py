"""Colour profiles to embed in pictures, with fixed dates so that the same picture has the same bytes."""

from __future__ import annotations

import struct
from functools import cache

import numpy as np

_DATE = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
_DATE_AT = slice(24, 36)


@cache
def srgb_profile() -> bytes:
    """ICC profile of sRGB (IEC 61966-2-1)."""
    from PIL import ImageCms

    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[_DATE_AT] = _DATE  # the library writes the present time
    return bytes(profile)


@cache
def gray_profile() -> bytes:
    """ICC profile of gray with the tone curve of sRGB.

    References
    ----------
    ICC.1:2001-04, sections 6.1 (header), 6.3.1.2 (monochrome display) and 6.5 (tag types).
    """
    x = np.linspace(0, 1, 1024)
    linear = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    curve = b"curv" + bytes(4) + struct.pack(">I", x.size) + np.rint(linear * 65535).astype(">u2").tobytes()
    white = _xyz(0.9642, 1.0, 0.8249)  # D50
    name = b"Gray, sRGB tone curve\0"
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(name)) + name + bytes(4 + 4 + 2 + 1 + 67),
        b"cprt": b"text" + bytes(4) + b"No copyright, use freely\0",
        b"wtpt": b"XYZ " + bytes(4) + white,
        b"kTRC": curve,
    }
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for signature, data in tags.items():
        table += signature + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    header = struct.pack(">I4sI4s4s4s", start + len(body), bytes(4), 0x02400000, b"mntr", b"GRAY", b"XYZ ")
    header += _DATE + b"acsp" + bytes(28) + white
    return header.ljust(128, b"\0") + table + body


def _xyz(*values: float) -> bytes:
    return struct.pack(">3i", *(round(value * 65536) for value in values))
