"""The truth beside a simulated session: ``truth.json`` for numbers, ``truth.npz`` for arrays."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.errors import bad_input
from diskmosaic.synthetic.plan import SessionPlan
from diskmosaic.synthetic.sun import Sun


@dataclass(frozen=True)
class TileTruth:
    """One tile's truth.

    Attributes
    ----------
    recording : str
        File name.
    position_yx : tuple of float
        Where on the Sun's image the sensor's centre looks when the frame's shift is 0.
    gain : float
        Level against the plan's, by exposure and extinction; clouds and flicker are in `transparency`.
    seconds : float
        Middle of the recording after the reference time.
    shifts : float64 (frames, 2)
        Sensor px (y, x) that move the frame onto ``position_yx``: frame k's centre looks at
        ``position_yx + rotation @ shifts[k]``. The seeing's warps have mean 0 over the sensor.
    blur_px : float64 (frames,)
    transparency : float64 (frames,)
    """

    recording: str
    position_yx: tuple[float, float]
    gain: float
    seconds: float
    shifts: NDArray[np.float64]
    blur_px: NDArray[np.float64]
    transparency: NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """A simulated session's truth.

    Attributes
    ----------
    plan : SessionPlan
    sun : Sun
        As it was at the reference time.
    tiles : tuple of TileTruth
        In the order of their recording.
    reference_utc : str
        ISO 8601 time of `sun`.
    offset_adu, level_adu, electrons_per_adu : float
        Bias; disk centre above it at gain 1; the camera's gain.
    parts : dict of arrays (h, w)
        ``pattern_tiles``, ``pattern_flat`` (products), ``dust``, ``rings`` (tiles), ``rings_flat``,
        ``vignetting``, ``response``, ``flat_light`` (the defocused Sun on the sensor, mean 1), ``dark``
        (ADU), ``good``.
    """

    plan: SessionPlan
    sun: Sun
    tiles: tuple[TileTruth, ...]
    reference_utc: str
    offset_adu: float
    level_adu: float
    electrons_per_adu: float
    parts: dict[str, NDArray]


def write_truth(folder: Path, truth: Truth) -> None:
    """Write `truth` into `folder`, which is made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    numbers = {
        "plan": asdict(truth.plan),
        "sun": {"centre_yx": truth.sun.centre_yx, "radius_px": truth.sun.radius_px},
        "reference_utc": truth.reference_utc,
        "offset_adu": truth.offset_adu,
        "level_adu": truth.level_adu,
        "electrons_per_adu": truth.electrons_per_adu,
        "tiles": [
            {
                "recording": tile.recording,
                "position_yx": tile.position_yx,
                "gain": tile.gain,
                "seconds": tile.seconds,
            }
            for tile in truth.tiles
        ],
    }
    (folder / "truth.json").write_text(json.dumps(numbers, indent=1) + "\n")
    arrays = {"sun": truth.sun.image, **{f"part_{name}": array for name, array in truth.parts.items()}}
    for k, tile in enumerate(truth.tiles):
        arrays |= {
            f"shifts_{k}": tile.shifts,
            f"blur_{k}": tile.blur_px,
            f"transparency_{k}": tile.transparency,
        }
    np.savez(folder / "truth.npz", **arrays)


def read_truth(folder: Path) -> Truth:
    """Read what `write_truth` wrote.

    Raises
    ------
    InputError
        Where `folder` does not hold a truth.
    """
    folder = Path(folder)
    if not ((folder / "truth.json").is_file() and (folder / "truth.npz").is_file()):
        raise bad_input(
            folder,
            found="no truth.json and truth.npz",
            expected="the truth of a simulated session",
            todo="name the truth folder that was written beside the session",
        )
    numbers = json.loads((folder / "truth.json").read_text())
    with np.load(folder / "truth.npz") as arrays:
        sun = Sun(arrays["sun"], tuple(numbers["sun"]["centre_yx"]), numbers["sun"]["radius_px"])
        parts = {name[5:]: arrays[name] for name in arrays.files if name.startswith("part_")}
        tiles = tuple(
            TileTruth(
                tile["recording"],
                tuple(tile["position_yx"]),
                tile["gain"],
                tile["seconds"],
                arrays[f"shifts_{k}"],
                arrays[f"blur_{k}"],
                arrays[f"transparency_{k}"],
            )
            for k, tile in enumerate(numbers["tiles"])
        )
    plan = {name: tuple(value) if isinstance(value, list) else value for name, value in numbers["plan"].items()}
    if plan["positions_yx"] is not None:
        plan["positions_yx"] = tuple(tuple(point) for point in plan["positions_yx"])
    return Truth(
        SessionPlan(**plan),
        sun,
        tiles,
        numbers["reference_utc"],
        numbers["offset_adu"],
        numbers["level_adu"],
        numbers["electrons_per_adu"],
        parts,
    )
