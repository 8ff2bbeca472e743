"""What a trial found, as ``trial.json`` and ``trial.npz``."""

from __future__ import annotations

import io
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diskmosaic.files.atomic import plain

if TYPE_CHECKING:
    from diskmosaic.records.master import Master
    from diskmosaic.trial.findings import Trial
    from diskmosaic.trial.verdicts import Said


DOCUMENT, PICTURES = "trial.json", "trial.npz"


UNIT = 1e-4  # of the pictures' logarithms


PICTURE_SIDE = 700  # px


def read_document(path: Path) -> dict[str, Any]:
    """Return what ``masters/trial.json`` tells."""
    return json.loads(path.read_text("utf-8"))


def document_of(trial: Trial, said: Said, flat: Master, follow: dict[str, Any] | None) -> dict[str, Any]:
    """Return what ``trial.json`` tells; `follow`: the arguments of `moving.moved_by`, where the flat is moved."""
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


def pictures_of(trial: Trial) -> bytes:
    """Return the dust bands of flat and recordings at page size, as the bytes of an archive of int16 in UNIT."""
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
