"""Measure a result against the truth."""

from __future__ import annotations

from pathlib import Path

from diskmosaic.errors import bad_input
from diskmosaic.figures import geometry, light
from diskmosaic.figures.compare import compare, read_result
from diskmosaic.synthetic.truth import read_truth


def measure(out: Path, truth: Path) -> dict[str, float | None]:
    """Measure how far a finished run is from the truth of its session.

    Parameters
    ----------
    out : path
        The run's folder of results.
    truth : path
        The folder with ``truth.json`` and ``truth.npz``.

    Returns
    -------
    dict
        Figure -> plain number, None where it cannot be told (no flat, no limb, too small a disk). Lengths in
        px of the disk, all else as a share (0.01 is 1 %). `print_table` names them.

    Raises
    ------
    InputError
        Where one of the folders does not hold what it should, or the result knows recordings that the truth
        does not.
    """
    known = read_truth(truth)
    result = read_result(out)
    strange = {tile["recording"] for tile in result.assembly["tiles"]} - {t.recording for t in known.tiles}
    if strange or not result.assembly["tiles"]:
        raise bad_input(
            Path(out) / "assembly.json",
            found=f"tiles {', '.join(sorted(strange))}" if strange else "no tile placed",
            expected=f"tiles of the session that {truth} is about",
            todo="name the truth that was written with this session",
        )
    seen = compare(result, known)
    figures: dict[str, float | None] = {}
    for part in (
        geometry.placement,
        geometry.displacement,
        geometry.limb,
        light.flat,
        light.pattern_left,
        light.seams,
        light.level_error,
        light.sectors,
        light.contrast,
        light.seam_noise,
        light.uniform_profile,
        light.noise,
    ):
        figures |= part(seen)
    return figures
