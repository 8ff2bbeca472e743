"""What the air has bent in each tile, as its overlaps with others tell.

The air's warps average out only over many frames: 100 of 0.7 px leave 0.07 px in a tile. No tile can tell that by
itself, but tiles that overlap were bent independently of each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.bends import Difference, compare, solve_bends, typical_bend
from diskmosaic.blend.seams import Laid
from diskmosaic.records.tile import Tile

CELL_PX = 24  # of the common grid on the canvas
LEAST_CELLS = 3  # an overlap narrower than this tells next to nothing
LEAST_PX = 0.004  # smaller bends change nothing that could be seen
MOST_PX = 0.5  # larger ones are no mean of the air's warps
USUAL_PX = 45.0  # width of the air's correlation where tiles do not tell


def find_bends(laid: Sequence[Laid], tiles: Sequence[Tile]) -> list[NDArray[np.float32]] | None:
    """Find the bend of each tile against the mean of all.

    Parameters
    ----------
    laid : sequence of Laid
        The tiles on the canvas.
    tiles : sequence of Tile
        The same ones: their frames' fields tell how wide the air's warps are.

    Returns
    -------
    list of float32 (rows, columns, 2) or None
        px of the canvas (y, x): a tile shows at x what belongs to x + bend. At the centres of cells of CELL_PX over
        the canvas, from the tile's `first_cell` on. None where there is nothing to put right.
    """
    corners = [first_cell(one) for one in laid]
    shapes = [
        tuple(-(-part.stop // CELL_PX) - first for part, first in zip(one.window, corner, strict=True))
        for one, corner in zip(laid, corners, strict=True)
    ]
    differences = [
        found
        for (a, one), (b, other) in combinations(enumerate(laid), 2)
        if (found := _difference(a, one, b, other)) is not None
    ]
    deviation = min(typical_bend(differences), MOST_PX)
    if deviation < LEAST_PX:
        return None
    width = seeing_width(tiles) / CELL_PX
    bends = solve_bends(differences, corners, shapes, deviation_px=deviation, width=width)
    return [np.clip(bend, -MOST_PX, MOST_PX).astype(np.float32) for bend in bends]


def first_cell(laid: Laid) -> tuple[int, int]:
    """Row and column of the first cell that a laid tile touches."""
    return laid.window[0].start // CELL_PX, laid.window[1].start // CELL_PX


def seeing_width(tiles: Sequence[Tile]) -> float:
    """Return how wide the air's warps are, px: the Gaussian's width of their correlation, by its half-way point."""
    widths = []
    for tile in tiles:
        fields = tile.fields
        if fields is None or len(fields) < 8 or min(fields.shape[1:3]) < 6:
            continue
        bends = fields - fields.mean(axis=(1, 2), keepdims=True)
        power = float(np.mean(bends**2))
        if power <= 0:
            continue
        for axis in (1, 2):
            step = tile.image.shape[axis - 1] / fields.shape[axis]
            lags = range(fields.shape[axis] // 2)
            ahead = [np.moveaxis(bends, axis, 0)[lag:] for lag in lags]
            behind = [np.moveaxis(bends, axis, 0)[: fields.shape[axis] - lag] for lag in lags]
            alike = np.array([float(np.mean(a * b)) / power for a, b in zip(ahead, behind, strict=True)])
            below = np.flatnonzero(alike < 0.5)
            if len(below):
                k = below[0]
                at = k - 1 + (alike[k - 1] - 0.5) / (alike[k - 1] - alike[k])
                widths.append(step * at / np.sqrt(2 * np.log(2)))
    return float(np.clip(np.median(widths), CELL_PX, 10 * CELL_PX)) if widths else USUAL_PX


def _difference(a: int, one: Laid, b: int, other: Laid) -> Difference | None:
    """Compare two tiles on the whole cells that both windows hold."""
    low = [max(p.start, q.start) for p, q in zip(one.window, other.window, strict=True)]
    high = [min(p.stop, q.stop) for p, q in zip(one.window, other.window, strict=True)]
    corner = tuple(-(-part // CELL_PX) for part in low)
    end = tuple(part // CELL_PX for part in high)
    if min(q - p for p, q in zip(corner, end, strict=True)) < LEAST_CELLS:
        return None
    parts = []
    for laid in (one, other):
        window = tuple(
            slice(p * CELL_PX - part.start, q * CELL_PX - part.start)
            for p, q, part in zip(corner, end, laid.window, strict=True)
        )
        parts.append((laid.value[window], laid.share[window] > 0))
    (value, seen), (other_value, other_seen) = parts
    normal, right = compare(value, other_value, seen & other_seen, CELL_PX)
    return Difference(a, b, corner, normal, right) if normal.any() else None
