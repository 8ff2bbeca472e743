"""The step in which a session's flat is tried against the recordings it is meant for."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diskmosaic.files.atomic import plain
from diskmosaic.job import MASTERS, Job

if TYPE_CHECKING:
    from diskmosaic.findings import Trial
    from diskmosaic.found import Found
    from diskmosaic.records import Master
    from diskmosaic.verdicts import Said

STEP = "trial"
DOCUMENT, PICTURES = "trial.json", "trial.npz"
UNIT = 1e-4  # of the pictures' logarithms
PICTURE_SIDE = 700  # px


def try_masters(job: Job, tiles: Sequence[Found], flats: Sequence[Found], flat: Path | None, common: list, masters):
    """Try the flat, one step for all recordings; its warnings go to the outcome.

    Parameters
    ----------
    job : Job
    tiles, flats : sequence of Found
        The recordings; `flats` may be empty where the master is an archived one.
    flat : path or None
        The master flat.
    common : list
        Digests of the masters and the offset.
    masters : callable
        ``masters() -> (dark or None, offset)``, called only when the step runs.
    """
    if flat is None or not tiles:
        job.steps.forget(STEP)
        return
    files = [job.out / MASTERS / DOCUMENT, job.out / MASTERS / PICTURES]
    settings = [job.settings.tiles.model_dump(), job.settings.masters.model_dump()]
    parts = [job.inputs(tiles), [one.camera for one in (*tiles, *flats)], common, settings]
    job.step(STEP, parts, files, lambda: _try(job, tiles, flats, flat, masters, files))
    job.outcome.warn(read_document(files[0])["warnings"])


def read_document(path: Path) -> dict[str, Any]:
    """Return what ``masters/trial.json`` tells."""
    return json.loads(path.read_text("utf-8"))


def follow_flat(job: Job, recorded: Path, path: Path) -> list[Path]:
    """Write the flat that is used: moved where the trial found it displaced, else as it was recorded."""
    from diskmosaic.files.products import read_master, write_master
    from diskmosaic.moving import moved_by

    flat = read_master(recorded)
    follow = read_document(job.out / MASTERS / DOCUMENT)["follow"]
    write_master(path, flat if follow is None else moved_by(flat, **follow))
    return [path]


def _try(job: Job, tiles, flats, flat: Path, masters, files: list[Path]) -> list[Path]:
    from diskmosaic.calibration import Calibration
    from diskmosaic.files.atomic import write_bytes, write_json
    from diskmosaic.files.products import read_master
    from diskmosaic.moving import follow_of
    from diskmosaic.samples import take_samples
    from diskmosaic.trial import try_flat
    from diskmosaic.verdicts import say

    master = read_master(flat)
    dark, offset = masters()
    calibration = Calibration(dark, None, offset, (tiles[0].height, tiles[0].width))
    with contextlib.ExitStack() as stack:
        opened = [stack.enter_context(tile.open()) for tile in tiles]
        samples = take_samples(opened, calibration, jobs=job.jobs, progress=job.progress)
    trial = try_flat(master, samples, job.settings.tiles)
    followed = trial.kind == "displaced" and job.settings.masters.follow_shift
    said = say(
        trial,
        master,
        followed=followed,
        mended=job.settings.masters.mend,
        flat_camera=flats[0].camera if flats else {},
        tile_cameras={tile.path: tile.camera for tile in tiles},
    )
    write_json(files[0], _document(trial, said, master, follow_of(trial) if followed else None))
    write_bytes(files[1], _pictures(trial))
    return files


def _document(trial: Trial, said: Said, flat: Master, follow: dict[str, Any] | None) -> dict[str, Any]:
    document = {
        "ok": trial.ok,
        "kind": trial.kind,
        "verdict": said.verdict,
        "warnings": list(said.warnings),
        "notes": list(said.notes),
        "follow": follow,
        "dust": asdict(trial.likeness),
        "pixels": asdict(trial.pixels),
        "strength": trial.strength,
        "strength_sigma": trial.strength_sigma,
        "grains": trial.grains,
        "gone": [asdict(grain) for grain in trial.gone],
        "added": [asdict(grain) for grain in trial.added],
        "rings": None if trial.rings is None else asdict(trial.rings),
        "flat": {
            "frames": flat.frames,
            "level_adu": flat.level,
            "corner": trial.corner,
            "gradient": trial.gradient,
            "gain_e_per_adu": trial.camera.gain,
            "read_noise_e": trial.camera.read_noise,
        },
        "recordings_gain_e_per_adu": trial.tiles_camera.gain,
        "recordings": [asdict(look) for look in trial.looks],
    }
    return plain(document)


def _pictures(trial: Trial) -> bytes:
    """The dust bands of flat and recordings at page size, as int16 of UNIT."""
    import cv2
    import numpy as np

    height, width = trial.flat_band.shape
    factor = max(1, -(-max(height, width) // PICTURE_SIDE))
    size = (width // factor, height // factor)
    buffer = io.BytesIO()
    small = {
        name: np.clip(np.rint(cv2.resize(image, size, interpolation=cv2.INTER_AREA) / UNIT), -32767, 32767)
        for name, image in (("flat", trial.flat_band), ("recordings", trial.pattern.mean))
    }
    np.savez_compressed(buffer, factor=np.array(factor), **{name: one.astype(np.int16) for name, one in small.items()})
    return buffer.getvalue()
