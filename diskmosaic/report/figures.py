"""Figures of the report: small vector charts that follow the page's colours, and pictures inlined as JPEG."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from html import escape
from io import BytesIO

import numpy as np
from numpy.typing import NDArray

WIDTH, HEIGHT = 420, 230  # of a chart, in its own units; text is 12 of them high
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 16, 10, 40


def inline_jpeg(picture: NDArray[np.uint8], *, quality: int = 85) -> str:
    """Gray picture as a ``data:`` address."""
    from PIL import Image

    buffer = BytesIO()
    Image.fromarray(picture).save(buffer, format="JPEG", quality=quality, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def stretched(image: NDArray[np.floating], low: float, high: float) -> NDArray[np.uint8]:
    """Straight stretch to 0 ... 255; NaN is black."""
    values = (np.nan_to_num(image, nan=low) - low) / max(high - low, 1e-30)
    return np.rint(np.clip(values, 0, 1) * 255).astype(np.uint8)


def nice_ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers within [low, high], about `count` of them."""
    rough = (high - low) / count
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def number(value: float, digits: int = 4) -> str:
    """A number with `digits` significant digits, a true minus, no exponent where it can be helped."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-6 < abs(value) < 1e9:
        text = f"{value:.0f}" if abs(value) >= 1 else f"{value:.6f}".rstrip("0")
    return text.replace("-", "−")


class Chart:
    """A chart with two axes, written as SVG.

    Parameters
    ----------
    x_range, y_range : tuple of float
    x_label, y_label : str
    alt : str
        What the chart shows, for those who cannot see it.
    x_ticks : sequence of float, optional
        Instead of round numbers of their own.
    """

    def __init__(
        self,
        x_range: tuple[float, float],
        y_range: tuple[float, float],
        *,
        x_label: str,
        y_label: str,
        alt: str,
        x_ticks: Sequence[float] | None = None,
    ) -> None:
        self._x, self._y = x_range, y_range
        self._parts = [
            f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(alt, quote=True)}">'
        ]
        bottom, right = HEIGHT - _BOTTOM, WIDTH - _RIGHT
        for tick in nice_ticks(*x_range) if x_ticks is None else x_ticks:
            x = self._at_x(tick)
            self._parts.append(f'<path class="grid" d="M{x:.1f} {_TOP}V{bottom}"/>')
            self._text(x, bottom + 15, number(tick), "middle")
        for tick in nice_ticks(*y_range, count=4):
            y = self._at_y(tick)
            self._parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{right}"/>')
            self._text(_LEFT - 5, y + 4, number(tick), "end")
        self._parts.append(f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{right}"/>')
        self._text((_LEFT + right) / 2, HEIGHT - 7, x_label, "middle")
        middle = (_TOP + bottom) / 2
        self._parts.append(
            f'<text x="12" y="{middle}" text-anchor="middle" transform="rotate(-90 12 {middle})">'
            f"{escape(y_label)}</text>"
        )

    def _at_x(self, x):
        return _LEFT + (x - self._x[0]) / (self._x[1] - self._x[0]) * (WIDTH - _LEFT - _RIGHT)

    def _at_y(self, y):
        return HEIGHT - _BOTTOM - (y - self._y[0]) / (self._y[1] - self._y[0]) * (HEIGHT - _TOP - _BOTTOM)

    def _text(self, x: float, y: float, text: str, anchor: str) -> None:
        self._parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>')

    def _inside(self, x: NDArray, y: NDArray) -> tuple[NDArray, NDArray]:
        x, y = np.asarray(x, float), np.asarray(y, float)
        good = np.isfinite(x) & np.isfinite(y)
        return self._at_x(x[good]), self._at_y(np.clip(y[good], *self._y))

    def line(self, x: NDArray, y: NDArray, kind: str) -> None:
        """Join the points; `kind` is a class of the style sheet. Beyond the range: at its edge."""
        xs, ys = self._inside(x, y)
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(xs, ys, strict=True))
        self._parts.append(f'<polyline class="line {kind}" points="{points}"/>')

    def dots(self, x: NDArray, y: NDArray, kind: str) -> None:
        """Mark the points; see `line`."""
        xs, ys = self._inside(x, y)
        steps = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(xs, ys, strict=True))
        self._parts.append(f'<path class="dots {kind}" d="{steps}"/>')

    def svg(self) -> str:
        """The finished figure."""
        return "".join([*self._parts, "</svg>"])


def short_names(names: Sequence[str]) -> list[str]:
    """The part in which names differ, for labels on a crowded map; never empty."""
    if len(names) < 2 or max(map(len, names)) <= 4:
        return list(names)
    start = len(_common(names))
    end = len(_common([name[start:][::-1] for name in names]))
    # digits belong together: 'tile_1' and 'tile_12' differ in '1' and '12', not in '' and '2'
    while start and names[0][start - 1].isdigit():
        start -= 1
    while end and names[0][len(names[0]) - end].isdigit():
        end -= 1
    shorter = [name[start : len(name) - end] for name in names]
    return shorter if all(shorter) else list(names)


def _common(names: Sequence[str]) -> str:
    first, last = min(names), max(names)
    length = next((k for k, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))
    return first[:length]


def tile_map(
    backdrop: str,
    shape: tuple[int, int],
    outlines: Sequence[NDArray[np.float64]],
    names: Sequence[str],
    links: Sequence[tuple[int, int, NDArray[np.float64] | None]],
    *,
    flip: bool,
    alt: str,
) -> str:
    """Draw where the tiles lie, which were tied, and how far each tie is off.

    Parameters
    ----------
    backdrop : str
        ``data:`` address of the faint disk, in display orientation.
    shape : (h, w)
        Of the disk, whose pixels are the figure's units.
    outlines : list of (4, 2)
        Corners (y, x) of the tiles.
    names : list of str
    links : list of (a, b, residual)
        Tiles tied, and the tie's (y, x) residual in px or None.
    flip : bool
        Array rows run upwards on the page.
    alt : str
    """
    height, width = shape
    unit = max(shape) / 100

    def place(point: NDArray[np.float64]) -> tuple[float, float]:
        return float(point[1]), float(height - 1 - point[0] if flip else point[0])

    everything = np.array([place(point) for outline in outlines for point in outline] + [(0, 0), (width, height)])
    (x0, y0), (x1, y1) = everything.min(axis=0) - unit, everything.max(axis=0) + unit
    sizes = [float(np.hypot(*residual)) for *_, residual in links if residual is not None]
    legend_high = 6 * unit if sizes else 0
    parts = [
        f'<svg class="map" viewBox="{x0:.1f} {y0:.1f} {x1 - x0:.1f} {y1 - y0 + legend_high:.1f}" role="img" '
        f'aria-label="{escape(alt, quote=True)}" '
        f'style="font-size:{2.9 * unit:.1f}px;stroke-width:{0.3 * unit:.2f}">',
        f'<image href="{backdrop}" x="0" y="0" width="{width}" height="{height}" preserveAspectRatio="none" '
        'opacity="0.55"/>',
    ]
    centres = [np.mean([place(point) for point in outline], axis=0) for outline in outlines]
    for outline in outlines:
        corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(place, outline))
        parts.append(f'<polygon class="outline" points="{corners}"/>')
    for a, b, _ in links:
        (xa, ya), (xb, yb) = centres[a], centres[b]
        parts.append(f'<path class="link" d="M{xa:.1f} {ya:.1f}L{xb:.1f} {yb:.1f}"/>')
    if sizes:
        shown = max(float(np.percentile(sizes, 95)), 1e-6)
        scale = 7 * unit / shown
        for a, b, residual in links:
            if residual is not None:
                x, y = (centres[a] + centres[b]) / 2
                dx, dy = residual[1] * scale, (-residual[0] if flip else residual[0]) * scale
                parts.append(_arrow(x, y, dx, dy, unit))
        bar = nice_ticks(0, shown * 1.5, 3)[1]
        parts.append(_arrow(x0 + 2 * unit, y1 + 3 * unit, bar * scale, 0, unit))
        parts.append(
            f'<text class="key" x="{x0 + 4 * unit + bar * scale:.1f}" y="{y1 + 4 * unit:.1f}">'
            f"{number(bar)} px left over</text>"
        )
    for (x, y), name in zip(centres, names, strict=True):
        parts.append(f'<text x="{x:.1f}" y="{y + unit:.1f}" text-anchor="middle">{escape(name)}</text>')
    return "".join([*parts, "</svg>"])


def _arrow(x: float, y: float, dx: float, dy: float, unit: float) -> str:
    angle = math.atan2(dy, dx)
    tip = f"M{x:.1f} {y:.1f}l{dx:.1f} {dy:.1f}"
    for side in (2.6, -2.6):
        tip += f"m{unit * math.cos(angle + side):.1f} {unit * math.sin(angle + side):.1f}"
        tip += f"L{x + dx:.1f} {y + dy:.1f}"
    return f'<path class="arrow" d="{tip}"/>'
