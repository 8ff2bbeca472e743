"""A folder with a page on which the disk can be looked at from the whole to single pixels.

The layers are tile pyramids in the Deep Zoom layout (``NAME.dzi`` and ``NAME_files/LEVEL/COLUMN_ROW.jpg``), which other
viewers read too. The page works from a disk or stick and from any web server: plain scripts and images, no other
requests. Panning and zooming by mouse, fingers and keys is Leaflet's; its files are copied from the installed package
that carries them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from html import escape
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from diskmosaic.files.atomic import write_bytes, write_text
from diskmosaic.parallel import ordered_map
from diskmosaic.pictures.formats import Pixels, eight_bits
from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.metadata import Words
from diskmosaic.pictures.picture import Picture
from diskmosaic.pictures.sphere import is_oriented, place_on_picture

TILE_PX = 512
_TILE_QUALITY = 88
_LIBRARY = ("leaflet.js", "leaflet.css")
_GRID_DEG = 15  # between the lines of the grid
_LINE_STEP_DEG = 1


def write_zoom_page(
    folder: Path, shown: Picture, before: Picture | None, words: Words, *, before_name: str, jobs: int = 1
) -> list[Path]:
    """Write the page and its layers.

    Parameters
    ----------
    folder : Path
        Of the page alone; made if missing.
    shown, before : Picture
        `before` is slid over `shown`; None, or one on another canvas: there is no slider.
    words : Words
    before_name : str
        What the slider's other side is called.
    jobs : int
        Threads.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
    """
    if before is not None and not _same_canvas(shown.frame, before.frame):
        before = None
    written = []
    layers = [("disk", shown)] + ([] if before is None else [("before", before)])
    for name, picture in layers:
        written += write_pyramid(folder, name, picture, jobs=jobs)
    height, width = shown.frame.shape
    page = {
        "width": width,
        "height": height,
        "tile": TILE_PX,
        "levels": levels_of(height, width),
        "layers": [name for name, _ in layers],
        "limb": _limb(shown.frame),
        "grid": grid_lines(shown.frame),
        "marks": compass(shown.frame),
        "labels": {"shown": shown.title, "before": before_name},
    }
    written += _write_page(folder, page, words)
    return written


def levels_of(height: int, width: int) -> int:
    """Return the number of the finest level: level 0 is a single pixel (Deep Zoom)."""
    return math.ceil(math.log2(max(height, width)))


def write_pyramid(folder: Path, name: str, picture: Picture, *, jobs: int = 1) -> list[Path]:
    """Write one layer as JPEG tiles without overlap, finest level first.

    Each level is made from the one before by means of 2x2 pixels, in 16 bits.

    Returns
    -------
    list of Path
    """
    height, width = picture.frame.shape
    written = []
    level: Pixels = picture.gray
    ramp = picture.ramp
    for number in range(levels_of(height, width), -1, -1):
        parent = folder / f"{name}_files" / str(number)

        def write(place: tuple[int, int], level=level, parent=parent, ramp=ramp) -> Path:
            row, column = place
            rows = slice(row * TILE_PX, (row + 1) * TILE_PX)
            tile = level[rows, column * TILE_PX : (column + 1) * TILE_PX]
            path = parent / f"{column}_{row}.jpg"
            write_bytes(path, _jpeg(tile if ramp is None else ramp[tile]))
            return path

        written += ordered_map(write, _places(level.shape), jobs=jobs)
        if number == 0:
            break
        if ramp is not None:  # means are those of the colours that are seen
            level, ramp = _halved_colour(level, ramp), None
        else:
            level = _halved(level)
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<Image xmlns="http://schemas.microsoft.com/deepzoom/2008" Format="jpg" Overlap="0" TileSize="{TILE_PX}">'
        f'<Size Width="{width}" Height="{height}"/></Image>\n'
    )
    write_text(folder / f"{name}.dzi", text)
    return [*written, folder / f"{name}.dzi"]


def _places(shape: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    rows, columns = (-(-side // TILE_PX) for side in shape[:2])
    return ((row, column) for row in range(rows) for column in range(columns))


def _jpeg(tile: Pixels) -> bytes:
    tile = eight_bits(tile)
    if tile.ndim == 3:
        tile = tile[..., ::-1]  # OpenCV has blue first
    return cv2.imencode(".jpg", np.ascontiguousarray(tile), [cv2.IMWRITE_JPEG_QUALITY, _TILE_QUALITY])[1].tobytes()


def _halved(level: Pixels) -> Pixels:
    """Means of 2x2 pixels; at an odd border the last row or column counts twice."""
    height, width = level.shape[:2]
    if height % 2 or width % 2:
        level = cv2.copyMakeBorder(level, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE)
    return cv2.resize(level, (-(-width // 2), -(-height // 2)), interpolation=cv2.INTER_AREA)


def _halved_colour(gray: NDArray[np.uint16], ramp: NDArray[np.uint16]) -> Pixels:
    """The same of a picture whose colours are in a ramp, some rows at a time: all of them together need not fit."""
    bands = [_halved(ramp[gray[y : y + TILE_PX]]) for y in range(0, gray.shape[0], TILE_PX)]
    return np.concatenate(bands)


def _same_canvas(one: Frame, other: Frame) -> bool:
    return one.shape == other.shape and bool(np.allclose(one.matrix, other.matrix, atol=1e-6))


def _limb(frame: Frame) -> list[float] | None:
    """Centre y, x and radius; the page's pixels have their corners, not their centres, at integers."""
    if frame.limb is None:
        return None
    return [
        round(number, 2)
        for number in (frame.limb.centre_yx[0] + 0.5, frame.limb.centre_yx[1] + 0.5, frame.limb.radius_px)
    ]


def grid_lines(frame: Frame) -> list[list[list[float]]]:
    """Lines of the heliographic grid as (y, x) on the page; empty where the orientation is not known."""
    if not is_oriented(frame):
        return []
    along = np.arange(-90, 90 + _LINE_STEP_DEG, _LINE_STEP_DEG, dtype=float)
    every = np.arange(-90 + _GRID_DEG, 90, _GRID_DEG, dtype=float)
    lines = [place_on_picture(frame, latitude, along) for latitude in every]
    lines += [place_on_picture(frame, along, longitude) for longitude in [-90.0, *every, 90.0]]
    return [np.round(part + 0.5, 1).tolist() for line in lines for part in _seen_parts(line)]


def _seen_parts(line: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Cut a line where it goes round the limb."""
    seen = np.isfinite(line[:, 0])
    cuts = np.flatnonzero(np.diff(seen.astype(int))) + 1
    return [part for part in np.split(line, cuts) if np.isfinite(part[0, 0]) and len(part) > 1]


def compass(frame: Frame) -> list[dict[str, object]]:
    """N, E, S, W just off the limb; none where the orientation is not known."""
    if not is_oriented(frame):
        return []
    angle = np.deg2rad(frame.north_deg)
    north = np.array([-np.cos(angle), np.sin(angle)])
    east = np.array([-np.sin(angle), -np.cos(angle)]) * (-1 if frame.mirrored else 1)
    middle = np.array(frame.limb.centre_yx) + 0.5
    places = {"N": north, "E": east, "S": -north, "W": -east}
    return [
        {"text": text, "at": np.round(middle + 1.06 * frame.limb.radius_px * way, 1).tolist()}
        for text, way in places.items()
    ]


def _write_page(folder: Path, page: dict[str, object], words: Words) -> list[Path]:
    here = resources.files("diskmosaic.pictures")
    facts = [escape(text) for text in (words.credit, words.rights) if text]
    filled = {
        "TITLE": escape(words.title),
        "CAPTION": escape(words.caption),
        "ALTERNATIVE": escape(words.alternative, quote=True),
        "FALLBACK": f"disk_files/{min(int(math.log2(TILE_PX)), page['levels'])}/0_0.jpg",
        "CREDIT": " · ".join(facts),
        "DONE": "".join(f"<li>{escape(done.sentence)}</li>" for done in words.done),
        # inside a script no markup may begin
        "DATA": json.dumps(page, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c"),
    }
    text = here.joinpath("zoom.html").read_text("utf-8")
    for name, value in filled.items():
        text = text.replace(f"@@{name}@@", value)
    write_text(folder / "index.html", text)
    written = [folder / "index.html"]
    for name in ("zoom.css", "zoom.js"):
        write_text(folder / "viewer" / name, here.joinpath(name).read_text("utf-8"))
        written.append(folder / "viewer" / name)
    return written + _copy_library(folder / "viewer")


def _copy_library(folder: Path) -> list[Path]:
    """Copy Leaflet and its licence out of the installed package."""
    from importlib.metadata import files

    source = resources.files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    written: list[Path] = []
    for name in _LIBRARY:
        write_bytes(folder / name, source.joinpath(name).read_bytes())
        written.append(folder / name)
    for entry in files("django-js-lib-leaflet") or ():
        if entry.name == "LICENSE":
            write_bytes(folder / "leaflet-LICENSE.txt", entry.read_binary())
            written.append(folder / "leaflet-LICENSE.txt")
    return written
