"""Sections of the report that show pictures: disk, map of tiles, masters, a tile before and after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from diskmosaic.arrays.tone import apply_tone, fit_tone
from diskmosaic.pictures.stretch import render
from diskmosaic.records.master import Master
from diskmosaic.report.data import DiskView, TileView, before_and_after, block_mean, median
from diskmosaic.report.figures import inline_jpeg, number, short_names, stretched, tile_map
from diskmosaic.report.layout import details, figure, known, picture, section, table

_GAMMA = 0.8  # of the page's disk
_MASTER_SIDE = 700  # px on the page


def disk_picture(view: DiskView, assembly: Mapping[str, Any]) -> str:
    """The disk and its main numbers."""
    shown = render(view.natural, view.uniform, view.limb, gamma=_GAMMA, north_up=view.north_up)
    address = inline_jpeg((shown // 257).astype(np.uint8), quality=88)
    way = "solar north is up, west to the right" if view.north_up else "as the camera saw it, north unknown"
    scale = f", {view.factor} × {view.factor} pixels made one" if view.factor > 1 else ""
    tiles, out = len(assembly["tiles"]), len(assembly.get("left_out", []))
    rows = [("tiles placed", f"{tiles} of {tiles + out}")]
    if assembly.get("arcsec_per_px") is not None:
        rows.append(("scale", f"{known(assembly['arcsec_per_px'], 5)} arcsec/px"))
    limb = assembly.get("limb")
    if limb:
        y, x = limb["centre_yx"]
        rows += [
            ("limb centre (y, x)", f"{known(y, 6)}, {known(x, 6)} px"),
            ("limb radius", f"{known(limb['radius_px'], 6)} px"),
            ("scatter of the limb points", f"{known(limb.get('rms_px'), 2)} px"),
            ("flattening", f"{known(100 * (limb.get('flattening') or 0), 2)} %"),
        ]
    for card, name, unit in [
        ("SOLAR_P0", "position angle of solar north", "°"),
        ("HGLT_OBS", "latitude of the disk's centre", "°"),
        ("CRLN_OBS", "longitude of the disk's centre", "°"),
        ("RSUN_OBS", "angular radius", " arcsec"),
    ]:
        if card in view.header:
            rows.append((name, f"{known(view.header[card], 5)}{unit}"))
    return section(
        "The disk",
        picture(
            address,
            "The assembled disk of the Sun, evenly bright.",
            f"Uniform disk, stretched; {way}{scale}.",
        ),
        table("In short", [], rows),
    )


def tile_ties(view: DiskView, assembly: Mapping[str, Any], tiles: Sequence[TileView]) -> str:
    """Where the tiles lie and how well they are tied."""
    shapes = {tile.recording: tile.shape for tile in tiles}
    names = {tile.recording: tile.name for tile in tiles}
    placed = [entry for entry in assembly["tiles"] if entry["recording"] in shapes]
    if not placed:
        return section("Map of the tiles", "<p>The tiles' files are not here.</p>")
    matrices = [np.array(entry["to_disk"], float) for entry in placed]
    at = {entry["recording"]: k for k, entry in enumerate(placed)}
    outlines = []
    for entry, matrix in zip(placed, matrices, strict=True):
        height, width = shapes[entry["recording"]]
        corners = np.array([(0, 0), (0, width - 1), (height - 1, width - 1), (height - 1, 0)])
        outlines.append(corners @ matrix[:, :2].T + matrix[:, 2])
    pairs = [pair for pair in assembly.get("pairs", []) if pair["a"] in at and pair["b"] in at]
    links = [
        (at[pair["a"]], at[pair["b"]], _residual(pair, matrices[at[pair["a"]]], matrices[at[pair["b"]]]))
        for pair in pairs
        if pair.get("used", True)
    ]
    backdrop = apply_tone(view.natural, fit_tone(view.natural, gamma=_GAMMA))
    backdrop = backdrop[::-1] if view.north_up else backdrop
    labels = short_names([names[entry["recording"]] for entry in placed])
    drawing = tile_map(
        inline_jpeg(np.rint(backdrop * 255).astype(np.uint8), quality=70),
        view.shape,
        outlines,
        labels,
        links,
        flip=view.north_up,
        alt=f"Map of {len(placed)} tiles on the disk with {len(links)} ties between them.",
    )
    rows = [
        (
            f"{names[pair['a']]} – {names[pair['b']]}",
            known(pair.get("correlation"), 3),
            known(pair.get("significance"), 3),
            known(pair.get("residual_px"), 2),
            "yes" if pair.get("used", True) else "no",
        )
        for pair in sorted(pairs, key=lambda pair: (-(pair.get("residual_px") or 0), pair["a"], pair["b"]))
    ]
    ties = table("Ties, the worst first", ["tiles", "correlation", "significance", "left over, px", "used"], rows)
    return section(
        "Map of the tiles",
        figure(
            drawing,
            "Outlines of the tiles, gray lines between tiles that were tied, and arrows for what each tie's "
            "measured shift leaves over.",
        ),
        details(f"All {len(rows)} ties as a table", ties) if rows else "",
        details(f"All {len(placed)} places as a table", _places(placed, names)),
    )


def _places(tiles: Sequence[Mapping[str, Any]], names: Mapping[str, str]) -> str:
    """Where the sensors' centres lie, how well that is known, and which way round each tile is."""
    rows = []
    for tile in tiles:
        y, x = tile.get("position_yx") or (None, None)
        sigma = [value for value in tile.get("sigma_px") or () if value is not None]
        rows.append(
            (
                names[tile["recording"]],
                known(y, 6),
                known(x, 6),
                known(float(np.hypot(*sigma)) if len(sigma) == 2 else None, 2),
                known(tile.get("angle_deg"), 4),
                "yes" if tile.get("mirrored") else "no",
            )
        )
    head = ["tile", "centre y, px", "centre x, px", "known to, px", "turned by, °", "mirrored"]
    return table("Where the tiles lie", head, rows)


def _residual(pair: Mapping[str, Any], a: np.ndarray, b: np.ndarray) -> np.ndarray | None:
    """Measured minus final shift of a pair, as (y, x) in px of the disk; None where it is not known.

    A shift between tiles of different times also holds the surface's own motion, which the placement took out
    of its residual: where the two disagree the direction is not known and nothing is drawn.
    """
    if pair.get("residual_yx") is not None:
        return np.array(pair["residual_yx"], float)
    left = a[:, :2] @ np.array(pair["shift_yx"], float) + a[:, 2] - b[:, 2]
    told = pair.get("residual_px")
    told = None if told is None else told * np.sqrt(abs(np.linalg.det(a[:, :2])))  # of the sensor's px
    return left if told is not None and abs(np.hypot(*left) - told) < max(0.02, 0.25 * told) else None


def master_pictures(masters: Mapping[str, Master]) -> str:
    """The masters, stretched about their middle, and what they are made of."""
    if not masters:
        return section("Masters", "<p>No dark and no flat went into these tiles.</p>")
    figures = []
    rows = []
    for name, master in masters.items():
        middle = 1.0 if master.kind != "dark" else median(master.image)
        far = float(np.nanpercentile(np.abs(master.image - middle), 99.5)) or 1.0
        factor = max(1, -(-max(master.image.shape) // _MASTER_SIDE))
        small = stretched(block_mean(master.image, factor), middle - far, middle + far)
        spread = f"{number(100 * far, 2)} %" if master.kind != "dark" else f"{number(far, 3)} ADU"
        figures.append(
            picture(inline_jpeg(small), f"Master {master.kind}.", f"{name}: gray is {number(middle)}, ± {spread}.")
        )
        typical = median(master.uncertainty)
        height, width = master.image.shape
        rows.append(
            (
                name,
                f"{width} × {height}",
                master.frames,
                f"{number(100 * master.clipped, 2)} %",
                number(master.level),
                number(master.offset),
                f"{number(100 * typical, 2)} %" if master.kind != "dark" else f"{number(typical, 2)} ADU",
                int((~master.good).sum()),
            )
        )
    head = ["master", "size", "frames", "clipped", "level, ADU", "offset, ADU", "uncertainty", "bad pixels"]
    sources = [(source.name, f"{name}: {source.sha256}") for name, m in masters.items() for source in m.sources]
    return section(
        "Masters",
        f'<div class="row">{"".join(figures)}</div>',
        table("What the masters are made of", head, rows),
        details("Source files", table("SHA-256", ["file", "used in"], sources)) if sources else "",
    )


def flat_comparison(assembly: Mapping[str, Any], tiles: Sequence[TileView], masters: Mapping[str, Master]) -> str:
    """The tile nearest to the disk's centre, before and after the flat."""
    by_recording = {tile.recording: tile for tile in tiles}
    shape = np.array(assembly["shape"], float)
    limb = assembly.get("limb")
    centre = np.array(limb["centre_yx"] if limb else shape / 2, float)
    placed = [entry for entry in assembly["tiles"] if entry["recording"] in by_recording]
    if not placed:
        return ""
    entry = min(placed, key=lambda e: float(np.hypot(*(np.array(e["position_yx"]) - centre))))
    tile = by_recording[entry["recording"]]
    pair = before_and_after(tile, masters)
    if pair is None:
        return ""
    low, high = np.nanpercentile(pair[1], [0.3, 99.7])
    before, after = (inline_jpeg(stretched(image, low - 0.1 * (high - low), high)) for image in pair)
    name = escape(tile.name, quote=True)
    slider = (
        f'<div class="blink" id="blink"><img src="{before}" alt="Tile {name} before the flat.">'
        f'<img src="{after}" alt="Tile {name} after the flat."></div>'
        "<label>Before on the left, after on the right: move the border"
        '<input type="range" min="0" max="100" value="50" '
        "oninput=\"document.getElementById('blink').style.setProperty('--cut',this.value+'%')\"></label>"
    )
    return section("A tile before and after the flat", figure(slider, f"{name}, both stretched alike."))
