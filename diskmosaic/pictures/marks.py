"""Marks and captions of a picture, as shapes and words that are painted last, at any size.

They are kept apart from the picture, so that it can be shown with and without them. Words stand off the disk.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diskmosaic.pictures.frame import Frame
from diskmosaic.pictures.sphere import place_on_picture
from diskmosaic.pictures.type import missing, text_width
from diskmosaic.sky.sun import SOLAR_RADIUS_KM

if TYPE_CHECKING:
    from diskmosaic.observation import Observation
    from diskmosaic.pictures.recipe import MarksStep

EARTH_RADIUS_KM = 6371.0  # mean radius (IUGG)
BAR_KM = 100_000.0
_TYPE_RADII = 0.03  # height of the type, in radii of the disk
_LEAST_TYPE_PX = 11.0
_LINE = 1.45  # from line to line, in heights of the type
_POINTS_DEG = 1.5  # between the points of a line of the grid
# values of gray on the sky's black; on white they are turned
_WORDS, _QUIET_WORDS, _GRID, _AXIS = 0.93, 0.70, 0.85, 1.0


@dataclass(frozen=True)
class Line:
    """A line through (n, 2) points (y, x), px; `gray` in [0, 1] laid on with `opacity`."""

    points: NDArray[np.float64]
    width_px: float
    gray: float
    opacity: float
    kind: str


@dataclass(frozen=True)
class Patch:
    """A filled shape with (n, 2) corners (y, x), px."""

    points: NDArray[np.float64]
    gray: float
    opacity: float
    kind: str


@dataclass(frozen=True)
class Word:
    """A line of text: `at` is (y, x) of its baseline's `anchor` (left, middle, right)."""

    text: str
    at: tuple[float, float]
    size_px: float
    gray: float
    anchor: str
    kind: str
    bold: bool = False


@dataclass(frozen=True)
class Marks:
    """What is painted over a picture and below it.

    Attributes
    ----------
    shape : (h, w)
        Of the picture that they belong to, px.
    below_px : float
        Height of the strip for the caption that is added below the picture.
    ground : float
        Gray value of that strip.
    lines, patches, words : tuples
        In the picture's pixels; the strip goes on below its last row.
    warnings : tuple of str
    """

    shape: tuple[int, int]
    below_px: float
    ground: float
    lines: tuple[Line, ...]
    patches: tuple[Patch, ...]
    words: tuple[Word, ...]
    warnings: tuple[str, ...] = ()

    def scaled(self, factor: float) -> Marks:
        """Return the marks for the same picture at another size; pixel centres are integers."""

        def move(points):
            return (np.asarray(points) + 0.5) * factor - 0.5

        return replace(
            self,
            shape=tuple(max(1, round(side * factor)) for side in self.shape),
            below_px=self.below_px * factor,
            lines=tuple(replace(x, points=move(x.points), width_px=x.width_px * factor) for x in self.lines),
            patches=tuple(replace(x, points=move(x.points)) for x in self.patches),
            words=tuple(replace(x, at=tuple(move(x.at)), size_px=x.size_px * factor) for x in self.words),
        )


def lay_marks(
    frame: Frame, step: MarksStep, title: str, observation: Observation | None, *, dark: bool = True
) -> Marks:
    """Lay out what a recipe asks for, as far as it is known.

    Parameters
    ----------
    frame : Frame
    step : MarksStep
    title : str
        Of the recipe; the session's name goes before it where there is one.
    observation : Observation or None
    dark : bool
        Whether the sky is black.

    Returns
    -------
    Marks
        Without north there are no directions and no grid; without a limb no scale bar and no Earth; a warning says so.
    """
    warnings: list[str] = []
    radius = frame.limb.radius_px if frame.limb is not None else 0.45 * min(frame.shape)
    size = max(_TYPE_RADII * radius, _LEAST_TYPE_PX)
    lines: list[Line] = []
    patches: list[Patch] = []
    words: list[Word] = []
    placed = frame.north_deg is not None and frame.limb is not None
    if (step.grid or step.directions) and not placed:
        warnings.append("north is not known: no directions and no grid are drawn")
    if step.grid and placed:
        if frame.b0_deg is None or frame.arcsec_per_px is None:
            warnings.append("time or scale is not known: no grid is drawn")
        else:
            _grid(frame, step.grid_deg, size, lines, words)
    if step.directions and placed:
        _directions(frame, size, lines, words)
    below = 0.0
    if step.caption or ((step.scale_bar or step.earth) and frame.limb is not None):
        below = _caption(frame, step, title, observation, size, lines, patches, words)
    unknown = missing("".join(word.text for word in words))
    if unknown:
        warnings.append(f"the font has no signs for {unknown}: they are left out of the caption")
    if not dark:
        lines, patches, words = ([replace(x, gray=1 - x.gray) for x in xs] for xs in (lines, patches, words))
    return Marks(frame.shape, below, 0.0 if dark else 1.0, tuple(lines), tuple(patches), tuple(words), tuple(warnings))


def _grid(frame: Frame, step_deg: float, size: float, lines: list[Line], words: list[Word]) -> None:
    width = max(1.0, 0.0012 * frame.limb.radius_px)
    fine = np.arange(-90, 90 + _POINTS_DEG / 2, _POINTS_DEG)
    count = int(89.9 // step_deg)
    for k in range(-count, count + 1):
        along = place_on_picture(frame, np.full(len(fine), k * step_deg), fine)
        axis = k == 0
        lines += _pieces(along, width * (1.4 if axis else 1), _AXIS if axis else _GRID, 0.65 if axis else 0.4, "grid")
        across = place_on_picture(frame, fine, np.full(len(fine), k * step_deg))
        lines += _pieces(across, width, _GRID, 0.4, "grid")
    for latitude in (-90.0, 90.0):
        pole = place_on_picture(frame, np.array([latitude]), np.array([0.0]))[0]
        if np.isfinite(pole).all():
            turn = np.linspace(0, 2 * np.pi, 49)
            ring = pole + 0.012 * frame.limb.radius_px * np.stack([np.sin(turn), np.cos(turn)], axis=1)
            lines.append(Line(ring, 1.6 * width, _AXIS, 0.9, "pole"))
    # numbers stand off the disk, where the parallels meet the limb on the west
    for k in range(-count, count + 1):
        # on the limb a parallel stands at sin(angle) = sin(latitude) / cos(B0)
        sine = np.sin(np.deg2rad(k * step_deg)) / np.cos(np.deg2rad(frame.b0_deg))
        if abs(k * step_deg) > 75 or abs(sine) > 1:
            continue
        at = _limb_place(frame, np.arcsin(sine), 1.02)
        right = at[1] >= frame.limb.centre_yx[1]
        text = f"{k * step_deg:+g}°".replace("-", "−") if k else "0°"
        place = (at[0] + 0.25 * size, at[1])
        words.append(Word(text, place, 0.62 * size, _QUIET_WORDS, "left" if right else "right", "grid"))


def _limb_place(frame: Frame, angle: float, radii: float) -> NDArray[np.float64]:
    """Return the point at an angle from west towards north, that many radii from the disk's centre."""
    direction = frame.matrix[:, :2] @ np.array([np.sin(angle), np.cos(angle)])
    direction = direction / np.hypot(*direction)
    return np.array(frame.limb.centre_yx) + radii * frame.limb.radius_px * direction


def _pieces(points: NDArray, width: float, gray: float, opacity: float, kind: str) -> list[Line]:
    """Break a line where it is hidden."""
    seen = np.isfinite(points).all(axis=1)
    cuts = np.flatnonzero(np.diff(seen.astype(int))) + 1
    return [
        Line(part, width, gray, opacity, kind)
        for part, ok in zip(np.split(points, cuts), (piece[0] for piece in np.split(seen, cuts)), strict=True)
        if ok and len(part) > 1
    ]


def _directions(frame: Frame, size: float, lines: list[Line], words: list[Word]) -> None:
    width = max(1.0, 0.002 * frame.limb.radius_px)
    # as far out as the picture allows: prominences stand at the limb
    (y, x), radius = frame.limb.centre_yx, frame.limb.radius_px
    room = min(y, x, frame.shape[0] - 1 - y, frame.shape[1] - 1 - x) / radius
    far = max(room - 0.027, 1.02)
    for letter, angle in (("N", np.pi / 2), ("E", np.pi)):
        tick = np.stack([_limb_place(frame, angle, far - 0.041), _limb_place(frame, angle, far - 0.023)])
        lines.append(Line(tick, width, _WORDS, 1.0, "direction"))
        at = _limb_place(frame, angle, far)
        words.append(Word(letter, (at[0] + 0.3 * size, at[1]), 0.85 * size, _WORDS, "middle", "direction"))


def _caption(frame, step, title, observation, size, lines, patches, words) -> float:
    """Lay the strip below the picture: words on the left, measures on the right; return its height, px."""
    height, width = frame.shape
    margin = 1.5 * size
    top = height - 0.5
    left_words = _sentences(frame, title, observation) if step.caption else []
    bar = 0.0
    measures = frame.limb is not None and (step.scale_bar or step.earth)
    right = margin
    if measures:
        bar = BAR_KM / SOLAR_RADIUS_KM * frame.sun_px
        right = margin + max(bar, 9 * size) + (6 * size if step.earth else 0)
    room = width - margin - right - 2 * size
    y = top + margin
    for k, (text, large) in enumerate(left_words):
        line = 1.55 * size if large else 0.9 * size
        longest = text_width(text, line, bold=large)
        line *= min(1.0, room / longest) if longest > 0 else 1.0
        y += _LINE * line if k else line
        words.append(Word(text, (y, margin), line, _WORDS if large else _QUIET_WORDS, "left", "caption", large))
    bottom = y + margin
    if measures:
        x1, base = width - 0.5 - margin, top + margin + 1.3 * size
        if step.scale_bar:
            thick = max(1.5, 0.12 * size)
            x0 = x1 - bar
            lines.append(Line(np.array([[base, x0], [base, x1]]), thick, _WORDS, 1.0, "scale"))
            for x in (x0, x1):
                ends = np.array([[base - 0.35 * size, x], [base + 0.35 * size, x]])
                lines.append(Line(ends, thick, _WORDS, 1.0, "scale"))
            label = "100,000 km"
            words.append(Word(label, (base + 1.6 * size, x1), 0.9 * size, _WORDS, "right", "scale"))
            if frame.arcsec_per_px is not None:
                arcsec = f"{bar * frame.arcsec_per_px:.0f}″"
                words.append(Word(arcsec, (base + 2.8 * size, x1), 0.9 * size, _QUIET_WORDS, "right", "scale"))
        if step.earth:
            turn = np.linspace(0, 2 * np.pi, 73)[:-1]
            r = EARTH_RADIUS_KM / SOLAR_RADIUS_KM * frame.sun_px
            centre = np.array([base, x1 - max(bar, 9 * size) - 3 * size])
            ring = centre + r * np.stack([np.sin(turn), np.cos(turn)], axis=1)
            patches.append(Patch(ring, _WORDS, 1.0, "earth"))
            words.append(Word("Earth", (base + 1.6 * size, centre[1]), 0.9 * size, _WORDS, "middle", "earth"))
            words.append(Word("to scale", (base + 2.8 * size, centre[1]), 0.9 * size, _QUIET_WORDS, "middle", "earth"))
        bottom = max(bottom, base + 2.8 * size + margin)
    return float(np.ceil(bottom - top))


def _sentences(frame: Frame, title: str, observation: Observation | None) -> Sequence[tuple[str, bool]]:
    """Lines of the caption and whether they are large; only what is known."""
    name = observation.name if observation is not None else ""
    found = [(": ".join(part for part in (name, title) if part) or "The Sun", True)]
    when = [] if frame.time_utc is None else [f"{frame.time_utc[:19].replace('T', ' ')} UTC"]
    light = [] if observation is None or observation.wavelength_nm is None else [f"{observation.wavelength_nm:g} nm"]
    found.append((" · ".join([*when, *light]), False))
    if observation is not None:
        tools = (observation.telescope, observation.camera, observation.place)
        found.append((" · ".join(tool for tool in tools if tool), False))
    pole = []
    if frame.north_deg is not None:
        up = "solar north up" if abs(frame.north_deg) < 0.05 else ""
        pole = [up] if up else []
        if frame.p_deg is not None:
            pole += [f"P {frame.p_deg:+.1f}°", f"B₀ {frame.b0_deg:+.1f}°", f"L₀ {frame.l0_deg:.1f}°"]
    found.append((" · ".join(pole).replace("-", "−"), False))
    if observation is not None and observation.author:
        found.append((observation.author, False))
    return [(text, large) for text, large in found if text]
