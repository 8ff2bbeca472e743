"""A small set of product files, as an assembly would leave them, without an assembly."""

from pathlib import Path

import numpy as np
from diskmosaic.files.assembly import assembly_document, write_assembly
from diskmosaic.files.diskfile import write_disk
from diskmosaic.files.masterfile import write_master
from diskmosaic.files.tilefile import write_tile
from diskmosaic.records.light import Disk, Levels
from diskmosaic.records.master import Master, Source
from diskmosaic.records.places import Circle, Pair, Placement
from diskmosaic.records.tile import FRAME_DTYPE, Tile
from diskmosaic.sky import sun

TIME = "2031-06-04T09:30:00.000"
CENTRE, RADIUS = (181.4, 190.7), 160.0
DISK_SHAPE, TILE_SHAPE = (362, 384), (130, 160)


def make_products(out: Path, *, oriented: bool = True, limb: bool = True, frames: int = 120) -> None:
    """Write disk.fits, assembly.json, masters and tiles of an invented disk: 9 tiles placed, one left out."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[: DISK_SHAPE[0], : DISK_SHAPE[1]].astype(np.float64)
    r = np.hypot(y - CENTRE[0], x - CENTRE[1]) / RADIUS
    structure = 1 + 0.06 * np.sin(x / 6 + np.cos(y / 9)) * np.sin(y / 7) + 0.02 * rng.normal(size=DISK_SHAPE)
    structure[np.hypot(y - 230, x - 150) < 6] *= 0.35
    profile = 0.35 + 0.65 * np.sqrt(np.clip(1 - r**2, 0, 1))
    edge = 0.5 - 0.5 * np.tanh((r - 1) * RADIUS / 1.3)
    natural = (2500 * profile * structure * edge + 40).astype(np.float32)
    uniform = np.where(r < 1.01, natural / np.interp(r, [0, 1], [1, 1]) / profile, np.nan).astype(np.float32)
    flat = (1 + 0.04 * np.cos(np.hypot(*np.mgrid[:130, :160]) / 5)).astype(np.float32)
    flat[40:52, 70:84] *= 0.85
    flat /= flat.mean()

    tiles, positions, matrices = [], [], []
    for row in range(3):
        for column in range(3):
            name = f"spot{row * 3 + column + 1:02d}"
            top, left = 116 * row, 112 * column
            table = np.zeros(frames, FRAME_DTYPE)
            table["frame"] = np.arange(frames)
            table["quality"] = 1 + 0.2 * np.sin(table["frame"] / 17) + 0.05 * rng.normal(size=frames)
            table["weight"] = table["quality"] > np.quantile(table["quality"], 0.65)
            image = natural[top : top + 130, left : left + 160]
            shown = np.full(TILE_SHAPE, 40, np.float32)
            shown[: image.shape[0], : image.shape[1]] = image
            text = ("a cloud passed: frames 40 to 52 are dim",) if name == "spot05" else ()
            tiles.append(
                Tile(
                    name,
                    shown,
                    np.ones(TILE_SHAPE, np.float32),
                    3.2,
                    table,
                    1.0,
                    TIME + "Z",
                    f"{name}.ser",
                    {},
                    text,
                )
            )
            positions.append((top, left))
            matrices.append([[1, 0, top], [0, 1, left]])
    lost = tiles[0]
    tiles.append(Tile("spot10", lost.image, lost.weight, 3.2, lost.frames, 0.6, None, "spot10.ser"))
    positions.append((np.nan, np.nan))
    matrices.append(np.full((2, 3), np.nan))
    pairs = []
    for a in range(9):
        for b in [a + 1] * (a % 3 < 2) + [a + 3] * (a < 6):
            left = 0.08 * rng.normal(size=2)
            shift = np.subtract(positions[b], positions[a]) + left
            pairs.append(Pair(a, b, tuple(shift), 0.93, 21.0, (60, 60), 0.03, float(np.hypot(*left))))
    circle = Circle(CENTRE, RADIUS, 0.21, 1300, (0.02, 0.02, 0.015), 0.0004) if limb else None
    placement = Placement(np.array(positions), tuple(pairs), {9: ("no tile shares enough of the Sun", 4.1)}, circle)
    levels = Levels(1 + 0.02 * rng.normal(size=10), np.zeros(10), flat, np.full(10, 0.001), 0.002)
    cards = {"BUNIT": ("adu", "")}
    if oriented:
        seen = sun.ephemeris(TIME)
        scale = seen.radius_arcsec / RADIUS
        cards = sun.helioprojective_cards(time_utc=TIME, centre_yx=CENTRE, arcsec_per_px=scale, ephemeris=seen)
        cards["NORTHUP"] = (True, "solar north was turned towards +y")
    owner = np.where(np.isfinite(natural), 0, -1).astype(np.int16)
    disk = Disk(
        natural,
        uniform,
        np.ones(DISK_SHAPE, np.float32),
        owner,
        np.array(matrices[:9], float),
        circle,
        cards,
        np.zeros((0, 2)),
        scale if oriented else None,
        ("the scale rests on a guess <of the focal length> & no more",),
    )
    write_disk(out / "disk.fits", disk)
    write_assembly(out / "assembly.json", assembly_document(tiles, placement, levels, disk, disk.warnings))
    for tile in tiles:
        write_tile(out / "tiles" / f"{tile.name}.fits", tile)
    good = np.ones(TILE_SHAPE, bool)
    good[3, 4] = False
    error = np.full(TILE_SHAPE, 0.001, np.float32)
    sources = (Source("flat.ser", "0" * 64),)
    write_master(
        out / "masters" / "flat.fits",
        Master("flat", flat, error, 500, 0.0004, 2400.0, 0.0, good, sources, ("the flat's corners are dim",)),
    )
    dark = (12 + rng.normal(size=TILE_SHAPE)).astype(np.float32)
    write_master(out / "masters" / "dark.fits", Master("dark", dark, 100 * error, 200, 0.0, 12.0, 0.0, good, sources))
