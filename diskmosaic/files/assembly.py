"""``assembly.json``: where every tile went, how it was levelled, and what was left out, in plain numbers.

Its ``tiles`` holds the placed tiles only; their order is the index in HDU ``TILE`` of ``disk.fits``.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from diskmosaic.errors import bad_input
from diskmosaic.files.atomic import plain, write_json
from diskmosaic.records.light import Disk, Levels
from diskmosaic.records.places import Placement
from diskmosaic.records.tile import Tile

ASSEMBLY = "assembly.json"


def placed_tiles(placement: Placement) -> list[int]:
    """List the indices of the tiles that have a place, in order."""
    return [int(k) for k in np.flatnonzero(np.isfinite(placement.positions).all(axis=1))]


def placed_only(disk: Disk, placement: Placement) -> Disk:
    """Count the tiles of a disk anew, the placed ones only.

    Parameters
    ----------
    disk : Disk
        ``tile`` and ``to_disk`` count all tiles.
    placement : Placement

    Returns
    -------
    Disk
        ``tile`` and ``to_disk`` count the placed tiles, as ``tiles`` of ``assembly.json`` does.

    Notes
    -----
    This is the only place where the two countings meet.
    """
    placed = placed_tiles(placement)
    index = np.full(len(placement.positions) + 1, -1, np.int16)  # the last one answers for -1
    index[placed] = np.arange(len(placed))
    return dataclasses.replace(disk, tile=index[disk.tile], to_disk=disk.to_disk[placed])


def _sensor_place(tile: Tile, place: tuple[float, float]) -> list[float]:
    if tile.grid is None:
        return list(place)
    return [first + tile.grid.step * value for first, value in zip(tile.grid.first_yx, place, strict=True)]


def describe_matrix(matrix: np.ndarray, shape: tuple[int, int]) -> dict[str, Any]:
    """Tell what a matrix from sensor to disk does.

    Parameters
    ----------
    matrix : (2, 3)
        From sensor (y, x, 1) to (y, x) of the disk.
    shape : (h, w)
        Of the sensor.

    Returns
    -------
    dict
        ``position_yx``: where the sensor's centre comes to lie; ``angle_deg``: where +x points, positive
        from +x towards +y; ``mirrored``: y is flipped before that turn; ``scale``: disk px per sensor px.
    """
    centre = np.array([(shape[0] - 1) / 2, (shape[1] - 1) / 2, 1.0])
    determinant = float(np.linalg.det(matrix[:, :2]))
    return {
        "position_yx": [float(value) for value in matrix @ centre],
        "angle_deg": math.degrees(math.atan2(matrix[0, 1], matrix[1, 1])),
        "mirrored": determinant < 0,
        "scale": math.sqrt(abs(determinant)),
    }


def assembly_document(
    tiles: Sequence[Tile],
    placement: Placement,
    levels: Levels,
    disk: Disk,
    warnings: Sequence[str],
    rounding: Any = None,
    seams: Sequence[Any] = (),
) -> dict[str, Any]:
    """Compose ``assembly.json``.

    Parameters
    ----------
    tiles : sequence of Tile
        All that were to be placed.
    placement : Placement
    levels : Levels
        Both count all tiles.
    disk : Disk
        Counting the placed tiles only (`placed_only`).
    warnings : sequence of str
        Of all stages; each is told once.
    rounding : rounding.Rounding or None
        How the disk was made round.
    seams : sequence of seam_steps.SeamStep
        Counting the placed tiles only.

    Returns
    -------
    dict
        Ready for JSON: NaN has become null.
    """
    entries = []
    for row, k in enumerate(placed_tiles(placement)):
        tile, matrix = tiles[k], disk.to_disk[row]
        shape = tile.image.shape
        if tile.grid is not None:
            matrix, shape = matrix @ tile.grid.from_sensor(), tile.grid.sensor_shape
        entries.append(
            {
                "recording": tile.recording,
                "to_disk": matrix.tolist(),
                **describe_matrix(matrix, shape),
                "gain": float(levels.gain[k]),
                "gain_sigma": float(levels.gain_sigma[k] * levels.gain[k]),
                "offset": float(levels.offset[k]),
                "offset_sigma": float("nan") if levels.offset_sigma is None else float(levels.offset_sigma[k]),
                "slope_yx": [0.0, 0.0] if levels.slope is None else levels.slope[k].tolist(),
                "time_utc": tile.time_utc,
                "sharpness": tile.sharpness,
                "sigma_px": None if placement.sigma is None else placement.sigma[k].tolist(),
            }
        )
    left_out = [
        {"recording": tiles[k].recording, "reason": reason, "best_score": score}
        for k, (reason, score) in sorted(placement.left_out.items())
    ]
    pairs = [
        {
            "a": tiles[pair.a].recording,
            "b": tiles[pair.b].recording,
            "shift_yx": [float(value) * tiles[pair.a].step for value in pair.shift_yx],
            "correlation": pair.correlation,
            "significance": pair.significance,
            "sigma_px": pair.sigma_px * tiles[pair.a].step,
            "residual_px": pair.residual_px * tiles[pair.a].step,
            "used": pair.used,
            "centre_yx": _sensor_place(tiles[pair.a], pair.centre_yx),
        }
        for pair in placement.pairs
    ]
    limb = None
    if disk.limb is not None:
        limb = {
            "centre_yx": list(disk.limb.centre_yx),
            "radius_px": disk.limb.radius_px,
            "rms_px": disk.limb.rms_px,
            "points": disk.limb.points,
            "flattening": disk.limb.flattening,
            "sigma_px": list(disk.limb.sigma),
            "arc_deg": disk.limb.arc_deg,
            "blur_px": disk.limb.blur_px,
            "edge_px": disk.limb.edge_px,
            "oval_px": list(disk.limb.oval),
        }
    document = {
        "tiles": entries,
        "left_out": left_out,
        "pairs": pairs,
        "loops": [
            {"recordings": [tiles[k].recording for k in loop[:3]], "misfit_px": loop[3]} for loop in placement.loops
        ],
        "limb": limb,
        "refraction": None
        if rounding is None
        else {
            "by": rounding.by,
            "flattening": rounding.flattening,
            "axis_yx": list(rounding.axis_yx),
            "altitude_deg": rounding.altitude_deg,
        },
        "levels": {
            "tilt_per_radius_yx": None if levels.tilt is None else list(levels.tilt),
            "tilt_sigma": levels.tilt_sigma,
            "block_rms": levels.seam_rms,
        },
        "seams": [
            {
                "a": entries[seam.a]["recording"],
                "b": entries[seam.b]["recording"],
                "length_px": seam.length_px,
                "step_percent": 100 * seam.step,
                "sigma_percent": 100 * seam.sigma,
            }
            for seam in seams
        ],
        "shape": list(disk.natural.shape),
        "arcsec_per_px": disk.arcsec_per_px,
        "arcsec_per_px_sigma": disk.arcsec_per_px_sigma,
        "warnings": list(dict.fromkeys(warnings)),
    }
    return plain(document)


def write_assembly(path: Path, document: dict[str, Any]) -> None:
    """Write ``assembly.json``, whole or not at all; raises `OutputError`."""
    write_json(path, document)


def read_assembly(path: Path) -> dict[str, Any]:
    """Read ``assembly.json``; raises `InputError` where it is missing or damaged."""
    try:
        document = json.loads(path.read_text("utf-8"))
        _ = document["tiles"], document["warnings"]
    except FileNotFoundError:
        raise bad_input(
            path, found="no such file", expected="a finished assembly", todo="assemble the tiles first"
        ) from None
    except (OSError, ValueError, KeyError, TypeError):
        raise bad_input(
            path, found="a damaged file", expected="what assemble wrote", todo="remove it and assemble again"
        ) from None
    return document
