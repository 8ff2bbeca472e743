"""What stays on the sensor in the frames of one recording while its scene moves, found before frames are aligned.

Dust or fringes that no flat takes out do not move with the scene. Frames that are held against each other stick to
them: the whole frame by the pattern's share of the structure, a patch around a grain wholly. The frames themselves tell
what stays (`diskmosaic.arrays.standing`), each half of them by itself. Their displacements are needed for that, and are
misled at first; so both are found in turn, whole shifts first, which no single grain can bend.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from diskmosaic.arrays.flow import AGREES, Reference, structure
from diskmosaic.arrays.kernels import warp, warp_add
from diskmosaic.arrays.standing import find_standing, response
from diskmosaic.arrays.warped import covered

LEAST_FRAMES = 16  # two halves of eight
AGREED = 0.3  # correlation of what the halves say in the band that aligns: what one half says, the other has to
NOTICED = 0.15  # of the scene's structure: a weaker pattern pulls displacements by less than its square, 2 %
STRONG = 0.3  # of the scene's structure: fields of displacements bend along such a pattern, by a tenth of it
SETTLED = 0.05  # of the scene's structure: a pattern that changes by less in a round
WHOLE_ROUNDS, LOCAL_ROUNDS = 8, 4  # at most
UNSURE = 1 / 3  # of the pattern: where the last round still changed as much, the rounds did not come to rest
COVERED = 0.9  # of the frames must show a place: what fewer show, they have averaged otherwise than the rest
LIT = 0.3  # of the bright parts; what is darker is sky and shows no pattern


@dataclass(frozen=True)
class _Told:
    """What frames say of the pattern.

    Its logarithm; what was looked at; how far the halves agree; its share of the scene's structure, and by how much of
    that it changed; the frames laid upon each other, less the pattern.
    """

    pattern: NDArray[np.float32]
    looked: NDArray[np.bool_]
    agreement: float
    share: float
    change: float
    reference: NDArray[np.float32]


def find_steady(
    frames: Sequence[NDArray[np.float32]],
    image: NDArray[np.float32],
    more: Callable[[], Sequence[NDArray[np.float32]]],
    *,
    grid: tuple[int, int],
    noise: float,
    border: int,
) -> NDArray[np.float32] | None:
    """Find the pattern at rest in frames of one recording.

    Parameters
    ----------
    frames : sequence of float32 (h, w)
        Block means of a sample.
    image : float32 (h, w)
        A first reference for them.
    more : callable
        Returns a larger sample, in which the pattern is looked for once the first shows that there is one.
    grid, noise
        See `Reference`.
    border : int
        px at the limb and at the sensor's border where nothing is judged.

    Returns
    -------
    float32 (h, w) or None
        Logarithm of the pattern; 0 at the limb, in the sky, and where too few frames look. None where the halves of
        the frames do not agree on one, or where it is too weak to mislead.
    """
    known = {"grid": grid, "noise": noise}
    told = _look(frames, np.zeros_like(image), Reference(image, **known), border)
    if told is None or told.agreement < AGREED or told.share < NOTICED:
        return None
    first, frames = told, more()
    # local displacements alone, where the pattern is weak; it may only look so as long as they bend along it
    for phases in ((True,), (False, True)) if first.share < STRONG else ((False, True),):
        told = _settle(frames, first, phases, known, border)
        if told is not None and told.change < UNSURE * told.share:
            return told.pattern
    return first.pattern


def _settle(frames, told: _Told, phases: Sequence[bool], known, border: int) -> _Told | None:
    """Displacements (local or not, phase by phase) and pattern in turn, until it settles."""
    for local in phases:
        for _ in range(LOCAL_ROUNDS if local else WHOLE_ROUNDS):
            reference = Reference(told.reference, **known, local=local, seen=told.looked)
            told = _look(frames, told.pattern, reference, border)
            if told is None:
                return None
            if told.change < SETTLED:
                break
    return told


def _look(frames, pattern, reference: Reference, border: int) -> _Told | None:
    """Displacements against a reference, then the pattern anew; None where the frames do not tell."""
    cleaning = np.exp(-pattern)
    clean = [frame * cleaning for frame in frames]
    looks = [reference.look(frame) for frame in clean]
    shown = [k for k, look in enumerate(looks) if look.agreement > AGREES]
    if len(shown) < LEAST_FRAMES:
        return None
    clean = [clean[k] / np.float32(looks[k].level) for k in shown]
    fields = np.stack([looks[k].field for k in shown])
    fields -= fields.mean(axis=(0, 1, 2))
    halves = [_half(clean[start::2], fields[start::2], pattern, border) for start in (0, 1)]
    residuals, masks, seen, responses = zip(*halves, strict=True)
    both = masks[0] & masks[1]
    if not both.any():
        return None
    before, pattern = pattern, find_standing(residuals, masks, responses)
    one, two = (structure(residual)[both] for residual in residuals)
    agreement = float(np.mean(one * two) / max(np.sqrt(np.mean(one**2) * np.mean(two**2)), 1e-30))
    cleaning = np.exp(-pattern)
    light, weight = _laid([frames[k] * (cleaning / np.float32(looks[k].level)) for k in shown], fields)
    mean = np.where(weight > 0, light / np.maximum(weight, 1), np.float32(light.sum() / weight.sum()))
    scene = float(np.std(structure(mean)[both])) / float(np.median(mean[both]))
    share, change = (float(np.std(structure(part)[both])) / max(scene, 1e-12) for part in (pattern, pattern - before))
    return _Told(pattern, seen[0] & seen[1], agreement, share, change, mean)


def _half(clean, fields, pattern, border: int):
    """log(M / B T) of some frames, what is known of the pattern put back; where that tells; what is seen; response."""
    light, weight = _laid(clean, fields)
    scene = np.where(weight > 0, light / np.maximum(weight, 1), 0).astype(np.float32)
    seen = (weight > COVERED * len(clean)).astype(np.float32)
    still, back, count, low, high = (np.zeros_like(scene) for _ in range(5))
    for frame, field in zip(clean, fields, strict=True):
        whole, moved = warp(seen, -field) > 0.99, warp(scene, -field)
        more = np.where(whole, frame - moved, 0)
        still += more
        np.minimum(low, more, out=low)
        np.maximum(high, more, out=high)
        back += np.where(whole, moved, 0)
        count += whole
    # one frame's bird or cosmic hit stays on no sensor
    still = back + (still - low - high) * count / np.maximum(count - 2, 1)
    mask = looked = count > COVERED * len(clean)
    if mask.any():
        mask = mask & (still > LIT * np.percentile(still[mask] / count[mask], 90) * count)
    kernel = np.ones((2 * border + 1,) * 2, np.uint8)
    mask = cv2.erode(mask.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=1) > 0
    mask &= (still > 0) & (back > 0)
    ratio = np.where(mask, still, np.float32(1)) / np.where(mask, back, np.float32(1))
    shows = response(mask.shape, fields, np.ones(len(fields)))
    known = fft.irfft2(fft.rfft2(pattern) * shows, mask.shape)
    return np.where(mask, np.log(ratio) + known, 0).astype(np.float32), mask, looked, shows


def _laid(clean, fields) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Frames laid upon each other, summed, and how many show each place."""
    light, weight = np.zeros_like(clean[0]), np.zeros_like(clean[0])
    for frame, field in zip(clean, fields, strict=True):
        seen = covered(field, light.shape)
        warp_add(frame, field, 1.0, light, seen)
        weight[seen] += 1
    return light, weight
