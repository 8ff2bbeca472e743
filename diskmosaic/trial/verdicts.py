"""What a flat's trial says, in sentences: the verdict, what a person should know, and notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diskmosaic.arrays.grains import Grain
from diskmosaic.arrays.noise import added_noise, enough_frames
from diskmosaic.records.master import Master
from diskmosaic.trial.findings import FOUND, Look, Trial
from diskmosaic.trial.trial import CHANCE, still_px

ELSEWHERE_PX = 1.5  # from the others, for one recording: its own Sun, and theirs where they are few, fake up to 1 px
STRENGTH = 0.04  # that the pattern's strength may differ from 1
RINGS = 0.05  # fringes by which they may have moved
GAIN = 0.15  # by which the camera's gain may differ, the Sun's own motion being part of what is measured
JITTER_PX = 1.0  # rms per axis that any recording has; it leaves 1/(4 pi) of the flat's noise
CORNER = 0.5  # of the middle's light (common practice, no source)
GRADIENT = 0.15  # across the sensor
DIM = 0.2  # of the tiles' level
SATURATED = 0.001
NOISE = 0.05  # by which a flat may raise a tile's noise
SAME_SETTINGS = ("gain", "binning")  # of the camera, for flat and tiles alike
OFFSET_WORDS = ("offset", "brightness", "black level", "blacklevel")


@dataclass(frozen=True)
class Said:
    """Sentences: the verdict, warnings (the verdict among them where it is one), and notes."""

    verdict: str
    warnings: tuple[str, ...]
    notes: tuple[str, ...]


def say(
    trial: Trial,
    flat: Master,
    *,
    followed: bool = False,
    mended: bool = True,
    flat_camera: Mapping[str, str] | None = None,
    tile_cameras: Mapping[str, Mapping[str, str]] | None = None,
) -> Said:
    """Put a trial into words.

    Parameters
    ----------
    trial : Trial
    flat : Master
    followed : bool
        The flat was moved onto the recordings' pattern.
    mended : bool
        What the flat leaves behind will be looked for in the tiles.
    flat_camera : mapping, optional
        What is known of the camera's settings for the flat.
    tile_cameras : mapping, optional
        The same for each recording, by name.
    """
    verdict = _verdict(trial, followed)
    warnings = [] if trial.ok else [verdict]
    warnings += _looks(trial) + _grains(trial) + _strength(trial, flat) + _rings(trial, mended)
    warnings += _camera(trial, flat_camera or {}, tile_cameras or {}) + _light(trial, flat)
    short, notes = _frames(trial, flat)
    return Said(verdict, tuple(dict.fromkeys(warnings + short)), tuple(notes))


def _verdict(trial: Trial, followed: bool) -> str:
    like, pixels = trial.likeness, trial.pixels
    sure = f"significance {(like if like.significance > FOUND else pixels).significance:.0f}"
    if trial.kind == "same":
        if like.significance > FOUND:
            dy, dx = like.shift
            return f"the flat fits: its dust lies where the recordings have it, to {np.hypot(dy, dx):.1f} px ({sure})"
        return (
            "the flat fits: its single pixels lie where the recordings have them; there is hardly any dust to tell more"
        )
    if trial.kind == "hidden":
        return "the flat could not be tried: the recordings' own pattern is hidden by their Sun, or too faint"
    if trial.kind == "not found":
        return (
            f"a new flat is needed: the flat's pattern is not in the recordings (significance {like.significance:.0f}, "
            f"{like.expected:.0f} were to be expected); it belongs to another camera or another dust"
        )
    if trial.kind == "displaced":
        if trial.pixels_found and pixels.shift != (0.0, 0.0):
            why = "the frames show another region of the sensor than the flat's"
        elif trial.sensor_still:
            why = "something before the sensor moved between flat and tiles, the pixels did not: the camera was touched"
        else:
            why = "the camera was touched"
        then = (
            "the flat was moved by that before use"
            if followed
            else "record a new flat, or set masters.follow_shift = true to have it moved by that before use"
        )
        return f"the flat lies {_way(trial.shift)} the recordings' pattern ({sure}): {why}; {then}"
    how = _turn(like if like.significance > FOUND else pixels)
    return f"a new flat is needed: the flat is {how} against the recordings' pattern ({sure})"


def _way(shift: tuple[float, float]) -> str:
    """Where the flat lies, if its pattern has to be moved by `shift`."""
    words = []
    for part, (positive, negative) in zip(shift[::-1], (("left", "right"), ("above", "below")), strict=True):
        if abs(part) >= 0.05:
            words.append(f"{abs(part):.1f} px {positive if part > 0 else negative}")
    text = " and ".join(words) or "0.0 px"
    return text if text.endswith(("above", "below")) else f"{text} of"


def _turn(like) -> str:
    turned = f"turned by {90 * like.turns} degrees"
    if not like.mirrored:
        return turned
    if like.turns == 2:
        return "mirrored top to bottom"
    return "mirrored left to right" + (f" and {turned}" if like.turns else "")


def _looks(trial: Trial) -> list[str]:
    told = []
    burnt = sorted((look for look in trial.looks if look.saturated > SATURATED), key=lambda look: -look.saturated)
    if burnt:
        whose = f"{burnt[0].name}: {100 * burnt[0].saturated:.1f} %"
        more = f" (and less in {len(burnt) - 1} more)" if len(burnt) > 1 else ""
        told.append(f"{whose} of its pixels are saturated{more}; no flat can correct them")
    if trial.kind in ("same", "displaced"):
        sure = [look for look in trial.looks if look.shift_yx is not None and look.significance > FOUND]
        common = trial.shift if trial.kind == "displaced" else (0.0, 0.0)
        for look in sure:
            off = np.subtract(look.shift_yx, common)
            if np.hypot(*off) > still_px(look.significance, ELSEWHERE_PX):
                told.append(
                    f"{look.name}: its pattern lies {np.hypot(*off):.1f} px from that of the other recordings "
                    f"(significance {look.significance:.0f}): the camera was touched during the session"
                )
    return told


def _grains(trial: Trial) -> list[str]:
    parts = []
    if trial.gone:
        whose = f"{len(trial.gone)} of the flat's {trial.grains} dust grains"
        parts.append(f"{whose} {_are(trial.gone)} not where the flat has {_them(trial.gone)} ({_places(trial.gone)})")
    if trial.added:
        parts.append(
            f"{len(trial.added)} {_are(trial.added)} in the recordings that the flat has not ({_places(trial.added)})"
        )
    if not parts:
        return []
    return [f"dust moved between flat and tiles: {'; '.join(parts)}; a flat of the same evening would have it right"]


def _are(grains: Sequence[Grain]) -> str:
    return "is" if len(grains) == 1 else "are"


def _them(grains: Sequence[Grain]) -> str:
    return "it" if len(grains) == 1 else "them"


def _places(grains: Sequence[Grain]) -> str:
    places = [f"{100 * g.depth:.0f} % deep at y {g.place_yx[0]:.0f}, x {g.place_yx[1]:.0f}" for g in grains[:3]]
    more = len(grains) - len(places)
    return ", ".join(places) + (f" and {more} more" if more else "")


def _strength(trial: Trial, flat: Master) -> list[str]:
    off = trial.strength - 1
    if not (abs(off) > STRENGTH and abs(off) > CHANCE * trial.strength_sigma):
        return []
    level = float(np.median([look.level for look in trial.looks]))
    if off < 0:
        where = f"some {-off * level:.3g} ADU of offset are still in the tiles"
    else:
        where = f"some {off / trial.strength * flat.level:.3g} ADU of offset are still in the flat"
    return [
        f"the recordings show the flat's dust {trial.strength:.2f} times as strong as the flat (standard error "
        f"{trial.strength_sigma:.2f}): {where}, or the camera's settings were changed; record a dark for both"
    ]


def _rings(trial: Trial, mended: bool) -> list[str]:
    rings = trial.rings
    if rings is None or not (rings.change > RINGS and rings.change > CHANCE * rings.sigma):
        return []
    then = "what the tiles tell together takes them out" if mended else "record a new flat, or let the tiles mend it"
    return [
        f"the flat's rings have moved by {rings.change:.2f} of a fringe in the recordings (standard error "
        f"{rings.sigma:.3f}): the flat alone would leave them in; {then}"
    ]


def _camera(trial: Trial, flat: Mapping[str, str], tiles: Mapping[str, Mapping[str, str]]) -> list[str]:
    told = []
    ratio = trial.tiles_camera.gain / trial.camera.gain
    if np.isfinite(ratio) and abs(np.log(ratio)) > np.log(1 + GAIN):
        told.append(
            f"the camera's gain is {trial.camera.gain:.3g} e-/ADU in the flat and {trial.tiles_camera.gain:.3g} in the "
            "recordings, by their noise: settings were changed between them, and the offset with them"
        )
    for key in sorted({*flat, *(key for camera in tiles.values() for key in camera)}):
        plain = key.lower()
        if plain not in SAME_SETTINGS and not any(word in plain for word in OFFSET_WORDS):
            continue
        others = [name for name, camera in tiles.items() if key in camera and key in flat and camera[key] != flat[key]]
        if others:
            told.append(
                f"camera setting {key}: {flat[key]} in the flat, {tiles[others[0]][key]} in {others[0]}"
                + (f" and {len(others) - 1} more" if len(others) > 1 else "")
                + "; record flat, dark and tiles with the same settings"
            )
    return told


def _light(trial: Trial, flat: Master) -> list[str]:
    told = []
    if trial.corner < CORNER:
        told.append(
            f"flat: a corner has only {100 * trial.corner:.0f} % of the middle's light: the whole chip was not lit"
        )
    if trial.gradient > GRADIENT:
        told.append(
            f"flat: its light changes by {100 * trial.gradient:.0f} % across the sensor: the defocused Sun was not "
            "centred; the levels take out what they can"
        )
    level = float(np.median([look.level for look in trial.looks]))
    if flat.level < DIM * level:
        told.append(
            f"flat: at {flat.level:.0f} ADU it is dim against the recordings' {level:.0f}: an error of the offset "
            "counts for more in it; expose it like them"
        )
    return told


def _frames(trial: Trial, flat: Master) -> tuple[list[str], list[str]]:
    """Whether the flat is long enough for the tiles: warnings, notes."""
    known = [look for look in trial.looks if look.enough]
    if not known:
        return [], ["the camera's gain could not be measured: what the flat's noise adds to the tiles is not known"]
    worst: Look = max(known, key=lambda look: look.enough)
    noises = trial.camera.relative_noise(worst.level), trial.camera.relative_noise(flat.level)
    left = min(1.0, 1 / (4 * np.pi * JITTER_PX**2) + 1 / worst.stacked)
    adds = added_noise(worst.stacked, noises[0], flat.frames, noises[1], left)
    enough = enough_frames(worst.stacked, *noises, left=left, share=NOISE)
    notes = [
        f"camera: {trial.camera.gain:.3g} e-/ADU, read noise {trial.camera.read_noise:.2g} e-",
        f"the flat's {flat.frames} frames raise the noise of a tile of {worst.stacked} by at most "
        f"{100 * worst.flat_noise:.0f} %, by {100 * adds:.1f} % where the frames jitter by {JITTER_PX:.0f} px; more "
        f"than {enough} frames (without any jitter {worst.enough}) are pointless for these tiles",
    ]
    if adds <= NOISE:
        return [], notes
    return [
        f"flat: {flat.frames} frames are few for tiles of {worst.stacked}: its noise raises theirs by "
        f"{100 * adds:.0f} %, or {100 * worst.flat_noise:.0f} % without jitter; record {enough} or more"
    ], notes
