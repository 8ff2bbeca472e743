"""The step between masters and tiles: what the flat leaves in the recordings, found from all of them together."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from diskmosaic.job.job import MASTERS, Job
from diskmosaic.settings import MEND_TILES
from diskmosaic.steps import STEPS_FOLDER

if TYPE_CHECKING:
    from diskmosaic.masters.calibration import Calibration
    from diskmosaic.records.image import FloatImage
    from diskmosaic.session.found import Found

STEP = "remainder"
UNIT = 6e-5  # of the stored logarithm; 16 bits then reach from -1.97 to 1.97
TOLD = 0.003  # rms from which on a person should know


def mend(job: Job, names: Sequence[tuple[Found, str]], common: list, calibration, flat: Path | None) -> dict[str, Path]:
    """Find the remainder of every tile recording, one step for all of them.

    Parameters
    ----------
    job : Job
    names : sequence of (Found, name)
        The tile recordings.
    common : list
        What the calibration depends on.
    calibration : callable
        ``calibration(shape) -> Calibration``; called only when the step runs.
    flat : path or None
        Of the master flat.

    Returns
    -------
    dict
        Tile name -> file with its remainder; empty where there are too few tiles, or a person does not want it.
    """
    if not job.settings.masters.mend or len(names) < MEND_TILES:
        job.steps.forget(STEP)
        return {}
    files = {name: job.out / STEPS_FOLDER / STEP / f"{name}.npy" for _, name in names}
    parts = [job.inputs([recording for recording, _ in names]), common]
    job.step(STEP, parts, [job.out / MASTERS / f"{STEP}.fits"], lambda: _find(job, names, calibration, flat, files))
    return {name: path for name, path in files.items() if path.exists()}


def load(path: Path) -> FloatImage:
    """Return a stored remainder: the logarithm of the pattern (h, w)."""
    return np.load(path).astype(np.float32) * np.float32(UNIT)


def _find(job: Job, names, calibration, flat: Path | None, files: dict[str, Path]) -> list[Path]:
    import io

    from diskmosaic.files.atomic import write_bytes
    from diskmosaic.files.masterfile import read_master, write_master
    from diskmosaic.records.master import Master
    from diskmosaic.remainder.remainder import SAMPLE_FRAMES, sample_remainder

    shape = (names[0][0].height, names[0][0].width)
    base: Calibration = calibration(shape)
    image = None if flat is None else read_master(flat).image
    with contextlib.ExitStack() as stack:
        opened = [stack.enter_context(recording.open()) for recording, _ in names]
        found = sample_remainder(opened, base, image, jobs=job.jobs, progress=job.progress)
    if found is None:
        return []
    corrections, remainder = found
    written = []
    for (_, name), correction in zip(names, corrections, strict=True):
        buffer = io.BytesIO()
        np.save(buffer, np.clip(np.rint(correction / UNIT), -32767, 32767).astype(np.int16))
        write_bytes(files[name], buffer.getvalue())
        written.append(files[name])
    warnings = []
    if remainder.rms > TOLD or remainder.creep:
        what = (
            f"fringes of {100 * remainder.fringes:.1f} % amplitude among it"
            if remainder.fringes
            else "no fringes among it"
        )
        if remainder.creep:
            what += f"; they crept by {remainder.creep:.2f} of a fringe while the tiles were recorded"
        left = "the flat left" if flat is not None else "without a flat"
        warnings.append(
            f"{left} a pattern of {100 * remainder.rms:.2f} % rms in the tiles ({what}); it was found from all tiles "
            "together and taken out"
        )
    path = job.out / MASTERS / f"{STEP}.fits"
    scatter = np.std(corrections, axis=0) / np.sqrt(len(corrections))
    write_master(
        path,
        Master(
            kind=STEP,
            image=np.exp(remainder.pattern),
            uncertainty=scatter.astype(np.float32),
            frames=SAMPLE_FRAMES * len(names),
            clipped=0.0,
            level=1.0,
            offset=0.0,
            good=np.ones(shape, bool),
            warnings=tuple(warnings),
        ),
    )
    return [*written, path]
