"""Type: the font of captions, and how wide words are in it."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path

from PIL import ImageFont


@cache
def font_file(*, bold: bool = False) -> Path:
    """Path of the font: DejaVu Sans (Latin, Greek, Cyrillic, Arabic, Georgian and more), which matplotlib brings.

    Nothing else of matplotlib is loaded.
    """
    package = importlib.util.find_spec("matplotlib")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(package.origin).parent / "mpl-data" / "fonts" / "ttf" / name


@cache
def font(size_px: float, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return the font at a height of its em, px."""
    return ImageFont.truetype(str(font_file(bold=bold)), size_px)


def text_width(text: str, size_px: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is, px."""
    return font(100, bold=bold).getlength(text) * size_px / 100


def missing(text: str) -> str:
    """Return the signs of a text that the font does not have, each once."""
    face = font(32)
    none = bytes(face.getmask("\U0010ffff"))
    return "".join(sign for sign in dict.fromkeys(text) if not sign.isspace() and bytes(face.getmask(sign)) == none)
