"""Sections of the report that show curves and numbers: grading, levels, limb, radial profile, seams."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from diskmosaic.disk.uniform import law_departure
from diskmosaic.report.data import DiskView, TileView, radial_profiles
from diskmosaic.report.figures import Chart, number
from diskmosaic.report.layout import figure, known, section, table
from diskmosaic.sky.sun import limb_darkening

_CURVE_FRAMES = 400  # frames shown of a tile's grading curve


def grading_curves(tiles: Sequence[TileView]) -> str:
    """How sharp each frame was, and which were stacked."""
    graded = [tile for tile in tiles if np.isfinite(tile.frames["quality"]).any()]
    if not graded:
        return ""
    charts = []
    for tile in graded:
        step = -(-len(tile.frames) // _CURVE_FRAMES)
        frames = tile.frames[::step]
        quality = frames["quality"].astype(float)
        used = frames["weight"] > 0
        bottom, top = np.nanmin(quality), np.nanmax(quality)
        room = 0.05 * (top - bottom) or 0.05 * abs(top) or 1.0
        chart = Chart(
            (float(frames["frame"][0]), float(max(frames["frame"][-1], frames["frame"][0] + 1))),
            (bottom - room, top + room),
            x_label="frame",
            y_label="quality",
            alt=f"Quality of the frames of {tile.name}: {int((tile.frames['weight'] > 0).sum())} of "
            f"{len(tile.frames)} used.",
        )
        chart.dots(frames["frame"][~used], quality[~used], "faint")
        chart.dots(frames["frame"][used], quality[used], "first")
        charts.append(f"<div><h3>{escape(tile.name)}</h3>{chart.svg()}</div>")
    return section(
        "Grading of the frames",
        '<p>Larger is sharper. Frames <span class="key-first">in colour</span> were stacked, gray ones were not.</p>',
        f'<div class="row small">{"".join(charts)}</div>',
    )


def level_table(assembly: Mapping[str, Any], tiles: Sequence[TileView]) -> str:
    """Gain, sharpness, noise and time of each placed tile."""
    by_recording = {tile.recording: tile for tile in tiles}
    rows = []
    for entry in assembly["tiles"]:
        tile = by_recording.get(entry["recording"])
        used = f"{int((tile.frames['weight'] > 0).sum())} of {len(tile.frames)}" if tile else "–"
        rows.append(
            (
                tile.name if tile else entry["recording"],
                _with_error(entry, "gain", 5),
                _with_error(entry, "offset", 3),
                known(entry.get("sharpness"), 3),
                known(tile.noise if tile else None, 3),
                used,
                entry.get("time_utc") or "unknown",
            )
        )
    head = ["tile", "gain", "offset, ADU", "sharpness", "noise, ADU", "frames used", "time, UTC"]
    return section(
        "Levels",
        "<p>Each tile's light, less its offset, was divided by its gain to make all equally bright. "
        f"{escape(_tilt(assembly.get('levels') or {}))}</p>",
        table("Tiles and their levels", head, rows),
    )


def _with_error(entry: Mapping[str, Any], key: str, digits: int) -> str:
    """A figure and its standard error, where that is known."""
    sigma = entry.get(f"{key}_sigma")
    return known(entry.get(key), digits) + ("" if sigma is None else f" ± {known(sigma, 2)}")


def _tilt(levels: Mapping[str, Any]) -> str:
    slope = levels.get("tilt_per_radius_yx")
    if slope is None:
        return "An overall tilt of the disk's brightness was not looked for."
    return (
        f"An overall tilt of {number(100 * float(np.hypot(*slope)), 2)} ± {known(100 * levels['tilt_sigma'], 2)} % per "
        "disk radius, which overlaps cannot see, was taken out."
    )


def limb_residuals(view: DiskView) -> str:
    """Distance of the edge points from the fitted circle."""
    title = "Limb"
    if view.limb is None:
        return section(title, "<p>No limb was found on this disk.</p>")
    angle, off = view.limb_residuals.T
    if angle.size < 8:
        return section(title, "<p>Too little of the limb was seen to show its residuals.</p>")
    span = max(float(np.percentile(np.abs(off), 98)) * 1.2, 0.2)
    way = "position angle from solar north through east" if view.north_up else "angle from +x (right) towards +y (down)"
    chart = Chart(
        (0, 360),
        (-span, span),
        x_label=f"{way}, °",
        y_label="distance, px",
        x_ticks=range(0, 361, 60),
        alt=f"Distance of {angle.size} limb points from the circle against the angle; "
        f"rms {number(float(np.sqrt(np.mean(off**2))), 2)} px.",
    )
    chart.dots(angle, off, "faint")
    sector = (angle // 10).astype(int)
    middles = [(10 * k + 5, np.median(off[sector == k])) for k in range(36) if (sector == k).sum() >= 3]
    if middles:
        chart.line(*np.array(middles).T, "first")
    return section(
        title,
        figure(
            chart.svg(),
            "Edge points of the natural disk less the fitted circle; outwards is positive. "
            '<span class="key-first">Line</span>: medians over 10°. Prominences stand out.',
        ),
    )


def radial_profile(view: DiskView) -> str:
    """Light from the centre to the limb, with and without the limb darkening."""
    if view.limb is None:
        return ""
    radius, natural, uniform = radial_profiles(view).T
    top = float(np.nanmax(np.concatenate([natural, uniform[radius < 0.98]]))) * 1.05
    chart = Chart(
        (0, 1.05),
        (0, top),
        x_label="distance from the centre, radii",
        y_label="light, centre = 1",
        alt="Radial profile of the natural and of the uniform disk.",
    )
    chart.line(radius, natural, "second")
    law = _published(chart, view, radius, natural)
    inside = radius < 0.99
    chart.line(radius[inside], uniform[inside], "first")
    off = 100 * (uniform[inside] - np.nanmedian(uniform[inside]))
    span = max(1.2 * float(np.nanpercentile(np.abs(off), 98)), 0.5)
    close = Chart(
        (0, 1.05),
        (-span, span),
        x_label="distance from the centre, radii",
        y_label="off its median, %",
        alt="Radial profile of the uniform disk, its departure from its median in per cent.",
    )
    close.line(radius[inside], off, "first")
    return section(
        "Radial profile",
        '<div class="row">',
        figure(
            chart.svg(),
            'Median over rings: <span class="key-second">dashed</span> the natural disk, '
            f'<span class="key-first">solid</span> the uniform one.{law}',
        ),
        figure(close.svg(), "The uniform disk alone, enlarged."),
        "</div>",
    )


def _published(chart: Chart, view: DiskView, radius: np.ndarray, natural: np.ndarray) -> str:
    """Draw the published limb darkening of the continuum, where the wavelength is known, and say how far it is off."""
    wavelength = view.header.get("WAVELNTH")
    if wavelength is None or not 390 <= wavelength <= 1500:
        return ""
    on_disk = radius < 1
    law = limb_darkening(np.sqrt(1 - radius[on_disk] ** 2), wavelength)
    chart.line(radius[on_disk], law, "faint")
    off = law_departure(np.column_stack([radius[on_disk], natural[on_disk]]), wavelength)
    return (
        f" Gray: the published limb darkening of the continuum at {wavelength:g} nm (Neckel &amp; Labs 1994); the "
        f"measured curve is off it by {number(100 * off, 2)} % rms where μ &gt; 0.2. The cores of strong lines are "
        "flatter."
    )


def seam_table(assembly: Mapping[str, Any]) -> str:
    """Steps across the seams, where the assembly measured them."""
    seams = assembly.get("seams")
    if not seams:
        return ""
    head = list(seams[0])
    rows = [[number(v) if isinstance(v, float) else v for v in (seam.get(key) for key in head)] for seam in seams]
    return section("Seams", table("Steps of brightness where tiles meet", [h.replace("_", " ") for h in head], rows))
