"""The dark that fits an exposure: scaled where the camera's bias can be told, else used as it is, and said.

A dark is ``bias + rate * exposure``. Darks of two exposures tell both, pixel by pixel, and so the dark of any exposure.
A dark of one exposure cannot be scaled: at the exposures of solar video most of it is bias.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diskmosaic.masters.masters import make_dark
from diskmosaic.progress import Progress, silent
from diskmosaic.recordings.exposures import exposure_of, same_exposure
from diskmosaic.recordings.recordings import Recording
from diskmosaic.records.master import Master, Source
from diskmosaic.settings import MasterSettings


def dark_for_exposure(
    recordings: Sequence[Recording],
    exposure_s: float | None,
    settings: MasterSettings,
    *,
    sources: tuple[Source, ...] = (),
    jobs: int = 1,
    progress: Progress = silent,
) -> Master:
    """Make the master dark for an exposure.

    Parameters
    ----------
    recordings : sequence of Recording
        Darks, of one size.
    exposure_s : float or None
        Of the recordings that it is for; None: not known, or several.
    settings, sources, jobs, progress
        As for `diskmosaic.masters.masters.make_dark`.

    Returns
    -------
    Master
        Its warnings say whether it was scaled, or should have been.
    """
    common = {"jobs": jobs, "progress": progress}
    exposures = [exposure_of(recording.camera) for recording in recordings]
    groups = _groups(recordings, exposures)
    if exposure_s is None or not groups:
        return make_dark(recordings, settings, sources=sources, **common)
    for exposure, members in groups.items():
        if same_exposure(exposure, exposure_s):
            return make_dark(members, settings, sources=sources, **common)
    if len(groups) == 1:
        exposure = next(iter(groups))
        dark = make_dark(recordings, settings, sources=sources, **common)
        told = (
            f"dark: exposed {exposure:g} s, where the recordings have {exposure_s:g} s; not scaled, since the camera's "
            "bias is not known (a dark of a second exposure would tell it)"
        )
        return replace(dark, warnings=(*dark.warnings, told))
    ends = min(groups), max(groups)
    short, long = (make_dark(groups[end], settings, **common) for end in ends)
    return _between(short, long, ends, exposure_s, sources)


def _groups(recordings: Sequence[Recording], exposures: Sequence[float | None]) -> dict[float, list[Recording]]:
    """Darks by exposure, shortest first; empty where one is not known."""
    groups: dict[float, list[Recording]] = {}
    if None in exposures:
        return groups
    for exposure, recording in sorted(zip(exposures, recordings, strict=True), key=lambda pair: pair[0]):
        key = next((known for known in groups if same_exposure(known, exposure)), exposure)
        groups.setdefault(key, []).append(recording)
    return groups


def _between(
    short: Master, long: Master, ends: tuple[float, float], exposure_s: float, sources: tuple[Source, ...]
) -> Master:
    """Lay a line through two darks, pixel by pixel."""
    share = (exposure_s - ends[0]) / (ends[1] - ends[0])
    image = short.image + np.float32(share) * (long.image - short.image)
    uncertainty = np.hypot((1 - share) * short.uncertainty, share * long.uncertainty).astype(np.float32)
    told = f"dark: scaled to {exposure_s:g} s from darks of {ends[0]:g} s and {ends[1]:g} s"
    return Master(
        kind="dark",
        image=image,
        uncertainty=uncertainty,
        frames=short.frames + long.frames,
        clipped=(short.clipped * short.frames + long.clipped * long.frames) / (short.frames + long.frames),
        level=float(image.mean(dtype=np.float64)),
        offset=0.0,
        good=short.good & long.good,
        sources=sources,
        warnings=(told,),
    )
