"""A person's word on where tiles lie: the grid, rough places, pins, nudges, pairs that must not be matched.

The tiles come first: rough places serve only those that neither structure nor limb could place.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.disk.disk import mean_time, orientation
from diskmosaic.errors import bad_input
from diskmosaic.observation import Observation
from diskmosaic.records.places import Anchor, Given, Pair, Placement
from diskmosaic.records.tile import Tile
from diskmosaic.session.session import LayoutTable, SessionDocument
from diskmosaic.settings import SESSION_FILE
from diskmosaic.sky.sun import ephemeris

DISK_CENTRE = "sun"  # in pin_to
TOLD_PX = 0.05  # by which a tile must be moved for that to be told
PIN_PX = 0.01  # error of a pin in the solution ...
PINNED = 1e6  # ... and its significance: before any that is measured
MIN_FITTED = 3  # placed tiles with a mount's word that tell its scale and direction


@dataclass(frozen=True)
class Hints:
    """What a person says of the tiles, counted as they are handed to the placement.

    Attributes
    ----------
    near : dict
        Tile -> rough mosaic (y, x), px, from one unknown point common to all.
    free : bool
        `near` is in a mount's units and directions: scale, turn and mirror are to be found.
    sigma_px : float
        Standard error of `near` per axis.
    pins : dict
        Tile -> (other tile, or None for the disk's centre; (y, x) of its first pixel from there, px).
    nudges : dict
        Tile -> (dy, dx), px.
    forbidden : frozenset of (int, int)
        Pairs that must not be compared.
    half : (float, float)
        Centre of a tile, px from its first pixel.
    """

    near: dict[int, tuple[float, float]] = field(default_factory=dict)
    free: bool = False
    sigma_px: float = 0.0
    pins: dict[int, tuple[int | None, tuple[float, float]]] = field(default_factory=dict)
    nudges: dict[int, tuple[float, float]] = field(default_factory=dict)
    forbidden: frozenset[tuple[int, int]] = frozenset()
    half: tuple[float, float] = (0.0, 0.0)

    @property
    def given(self) -> Given:
        """What the placement can use while it works."""
        near = {} if self.free else self.near
        half = np.array(self.half)
        anchors = [Anchor(k, tuple(place + half), self.sigma_px) for k, place in sorted(near.items())]
        pins = []
        for k, (other, shift) in sorted(self.pins.items()):
            if other is None:
                anchors.append(Anchor(k, tuple(shift + half), PIN_PX, "limb", firm=True))
            else:
                pins.append(Pair(other, k, tuple(shift), 1.0, PINNED, self.half, PIN_PX, firm=True))
        return Given(tuple(anchors), tuple(pins), self.forbidden)


def hints_of(document: SessionDocument, tiles: Sequence[Tile], observation: Observation) -> Hints:
    """Gather the hints of a session.

    Parameters
    ----------
    document : SessionDocument
    tiles : sequence of Tile
        That are to be placed.
    observation : Observation

    Returns
    -------
    Hints

    Raises
    ------
    InputError
        A hint names a recording that is no tile here, contradicts another, or is incomplete.
    """
    index = {tile.recording: k for k, tile in enumerate(tiles)}
    said = {index[path]: table for path, table in document.recordings.items() if path in index}

    def tile_of(k: int, key: str, path: str) -> int:
        if path not in index or index[path] == k:
            raise _wrong(tiles[k].recording, key, f'"{path}"', "another tile of this session")
        return index[path]

    pins, forbidden = {}, set()
    for k, table in said.items():
        if (table.pin_to is None) != (table.pin_yx_px is None):
            raise _wrong(tiles[k].recording, "pin_to", "one of pin_to and pin_yx_px", "both")
        if table.pin_to is not None:
            other = None if table.pin_to == DISK_CENTRE else tile_of(k, "pin_to", table.pin_to)
            pins[k] = (other, _on_tile(table.pin_yx_px, tiles[k], first=other is None))
        forbidden |= {(k, tile_of(k, "not_with", path)) for path in table.not_with}
    near, free = _near(document.layout, said, tiles, observation)
    shape = tiles[0].image.shape
    return Hints(
        near=near,
        free=free,
        sigma_px=document.layout.tolerance * min(shape),
        pins=pins,
        nudges={k: _on_tile(t.nudge_yx_px, tiles[k]) for k, t in said.items() if t.nudge_yx_px is not None},
        forbidden=frozenset((min(pair), max(pair)) for pair in forbidden),
        half=((shape[0] - 1) / 2, (shape[1] - 1) / 2),
    )


def _on_tile(sensor_px: tuple[float, float], tile: Tile, *, first: bool = False) -> tuple[float, float]:
    """Count a person's px, which are the sensor's, in the tile's; `first`: of its first pixel, from elsewhere."""
    start = tile.grid.first_yx if first and tile.grid is not None else (0.0, 0.0)
    return ((sensor_px[0] + start[0]) / tile.step, (sensor_px[1] + start[1]) / tile.step)


def _near(layout: LayoutTable, said: dict, tiles: Sequence[Tile], observation: Observation):
    """Return rough places, and whether their scale and direction are unknown."""
    pixels = {k: _on_tile(table.near_yx_px, tiles[k]) for k, table in said.items() if table.near_yx_px is not None}
    mount = {k: table.near_arcsec for k, table in said.items() if table.near_arcsec is not None}
    if bool(pixels) + bool(mount) + (layout.order is not None) > 1:
        raise bad_input(
            SESSION_FILE,
            found="rough places of several kinds",
            expected="one of layout.order, near_yx_px and near_arcsec",
            todo="switch the others off",
        )
    if mount:
        time = observation.time_utc or mean_time(tiles)
        known = (observation.arcsec_per_px, observation.north_deg, observation.mirrored, time)
        if any(value is None for value in known):
            return mount, True
        # from celestial east and north to solar west and north, then to the sensor's axes
        angle = np.deg2rad(ephemeris(time).p_deg)
        back = np.linalg.inv(orientation(observation)) / observation.arcsec_per_px
        north_west = {
            k: (e * np.sin(angle) + n * np.cos(angle), n * np.sin(angle) - e * np.cos(angle))
            for k, (e, n) in mount.items()
        }
        return {k: tuple(float(v) for v in back @ place) for k, place in north_west.items()}, False
    if layout.order is not None:
        return _grid(layout, {k: table.cell for k, table in said.items() if table.cell is not None}, tiles), False
    return pixels, False


def _grid(layout: LayoutTable, cells: dict[int, tuple[int, int]], tiles: Sequence[Tile]):
    """Return the places of a grid of tiles: by their cells, else in turn."""
    if layout.rows is None or layout.columns is None:
        raise _wrong_layout("rows and columns", "layout.order without both", "layout.rows and layout.columns")
    rows, columns = layout.rows, layout.columns
    for k, (row, column) in cells.items():
        if row > rows or column > columns:
            raise _wrong(tiles[k].recording, "cell", f"[{row}, {column}]", f"within {rows} rows, {columns} columns")
    turns = _turns(layout)
    by_turn = [k for k in in_turn(tiles) if k not in cells]
    left = [cell for cell in turns if cell not in {(row - 1, column - 1) for row, column in cells.values()}]
    if len(by_turn) > len(left):
        raise _wrong_layout(
            "layout", f"{len(tiles)} tiles", f"at most {rows} x {columns}, or a cell for those recorded twice"
        )
    where = dict(zip(by_turn, left, strict=False)) | {k: (row - 1, column - 1) for k, (row, column) in cells.items()}
    step = (1 - layout.overlap) * np.array(tiles[0].image.shape)
    return {k: (float(row * step[0]), float(column * step[1])) for k, (row, column) in where.items()}


def _turns(layout: LayoutTable) -> list[tuple[int, int]]:
    """List (row, column) of the grid in the order of recording."""
    outer, inner = (layout.rows, layout.columns) if layout.along == "rows" else (layout.columns, layout.rows)
    bottom, right = layout.first.startswith("bottom"), layout.first.endswith("right")
    turned = (bottom, right) if layout.along == "rows" else (right, bottom)
    cells = []
    for i in range(outer):
        line = range(inner)
        if turned[1] != (layout.order == "serpentine" and i % 2 == 1):
            line = reversed(line)
        first = outer - 1 - i if turned[0] else i
        cells += [(first, j) if layout.along == "rows" else (j, first) for j in line]
    return cells


def in_turn(tiles: Sequence[Tile]) -> list[int]:
    """List tiles in the order of their times, else of their names (2 before 10)."""
    if all(tile.time_utc is not None for tile in tiles):
        return sorted(range(len(tiles)), key=lambda k: (np.datetime64(tiles[k].time_utc), tiles[k].recording))

    def natural(k: int) -> list:
        parts = re.split(r"(\d+)", tiles[k].recording)
        return [int(part) if part.isdigit() else part for part in parts]

    return sorted(range(len(tiles)), key=natural)


def apply_hints(placement: Placement, tiles: Sequence[Tile], hints: Hints) -> Placement:
    """Place tiles that found no place of their own, then pins, then nudges.

    Parameters
    ----------
    placement : Placement
        As the tiles tell it.
    tiles : sequence of Tile
    hints : Hints

    Returns
    -------
    Placement
        With a warning for every tile that lies where a person said.
    """
    positions, left_out = placement.positions.copy(), dict(placement.left_out)
    warnings = list(placement.warnings)
    lost = [k for k in sorted(left_out) if k in hints.near and k not in hints.pins]
    if lost:
        onto, sigma = _onto_mosaic(positions, hints, tiles[0].image.shape)
        for k in lost if onto is not None else ():
            positions[k] = onto(np.array(hints.near[k]))
            del left_out[k]
            warnings.append(
                f"tile {tiles[k].name} lies where {SESSION_FILE} says, right to about {sigma:.0f} px: "
                "neither structure nor limb placed it"
            )
        if onto is None:
            warnings.append(
                f"the mount's places in {SESSION_FILE} were not used: they need {MIN_FITTED} tiles that find their own "
                "places, or plate scale, north_deg, mirrored and a time"
            )
    for k in _pins_in_order(hints, tiles):
        other, shift = hints.pins[k]
        base = positions[other] if other is not None else None if placement.limb is None else placement.limb.centre_yx
        if base is None or not np.isfinite(base).all():
            name = DISK_CENTRE if other is None else tiles[other].name
            warnings.append(f"tile {tiles[k].name} could not be pinned to {name}, which has no place itself")
            continue
        moved = np.hypot(*(base + np.array(shift) - positions[k]))
        positions[k] = base + np.array(shift)
        left_out.pop(k, None)
        away = f", {moved:.1f} px from where the tiles put it" if np.isfinite(moved) and moved > TOLD_PX else ""
        warnings.append(f"tile {tiles[k].name} is pinned by {SESSION_FILE}{away}")
    for k, nudge in sorted(hints.nudges.items()):
        if np.isfinite(positions[k]).all():
            positions[k] += nudge
            told = [part * tiles[k].step for part in nudge]
            warnings.append(f"tile {tiles[k].name} was moved by {told[0]:g}, {told[1]:g} px (y, x) by {SESSION_FILE}")
    told = [
        text for text in warnings if not any(_tells_loss(text, tiles[k]) for k in placement.left_out.keys() - left_out)
    ]
    return replace(placement, positions=positions, left_out=left_out, warnings=tuple(told))


def _tells_loss(text: str, tile: Tile) -> bool:
    """Whether a warning says that a tile was left out."""
    return text.startswith(f"tile {tile.name} was left out")


def _onto_mosaic(positions: NDArray[np.float64], hints: Hints, shape: tuple[int, int]):
    """Return the function from rough places to the mosaic, and its error in px; (None, nan) where it cannot be told."""
    tied = [k for k in sorted(hints.near) if np.isfinite(positions[k]).all()]
    near = np.array([hints.near[k] for k in tied]).reshape(-1, 2)
    if not hints.free:
        # without any tile that has a place, the grid itself is the mosaic
        offset = np.median(positions[tied] - near, axis=0) if tied else np.zeros(2)
        return (lambda place: place + offset), hints.sigma_px
    if len(tied) < MIN_FITTED:
        return None, np.nan
    # east and north, maybe mirrored against the sensor: a turn and a scale, both ways; the better one counts
    fits = []
    for flip in (1.0, -1.0):
        flat = near * (flip, 1.0)
        design = np.zeros((2 * len(tied), 4))
        design[0::2] = np.column_stack([flat[:, 0], -flat[:, 1], np.ones(len(tied)), np.zeros(len(tied))])
        design[1::2] = np.column_stack([flat[:, 1], flat[:, 0], np.zeros(len(tied)), np.ones(len(tied))])
        answer = np.linalg.lstsq(design, positions[tied].ravel(), rcond=None)[0]
        rms = float(np.sqrt(np.mean((design @ answer - positions[tied].ravel()) ** 2)))
        matrix = np.array([[answer[0], -answer[1]], [answer[1], answer[0]]]) * (flip, 1.0)
        fits.append((rms, matrix, answer[2:]))
    rms, matrix, offset = min(fits, key=lambda fit: fit[0])
    return (lambda place: matrix @ place + offset), max(rms, hints.sigma_px)


def _pins_in_order(hints: Hints, tiles: Sequence[Tile]) -> list[int]:
    """List pinned tiles, each after the one it is pinned to; raises `InputError` where they go round in a circle."""
    order: list[int] = []
    for start in sorted(hints.pins):
        chain = []
        k: int | None = start
        while k in hints.pins and k not in order:
            if k in chain:
                raise _wrong(tiles[k].recording, "pin_to", "pins that go round in a circle", "one that is not pinned")
            chain.append(k)
            k = hints.pins[k][0]
        order += reversed(chain)
    return order


def _wrong(recording: str, key: str, found: str, expected: str):
    return bad_input(
        f'{SESSION_FILE}: recordings."{recording}".{key}', found=found, expected=expected, todo="correct it"
    )


def _wrong_layout(key: str, found: str, expected: str):
    return bad_input(f"{SESSION_FILE}: {key}", found=found, expected=expected, todo="correct [layout]")
