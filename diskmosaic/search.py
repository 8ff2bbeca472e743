"""Which tiles overlap, and by what shift: all pairs at reduced resolution, then the few that count at full.

Each tile is transformed once. A peak counts that stands out of chance at all other shifts and out of the next best
place (a pattern of equal steps, such as fringes, shows many peaks of one height). Once tiles hang together, further
pairs are not searched but looked up where the others put them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import Texture, best_shifts, overlap_windows, texture
from diskmosaic.arrays.matching import MEDIAN_CHI2, Match, refine
from diskmosaic.arrays.resample import shift_fraction
from diskmosaic.parallel import ordered_map
from diskmosaic.progress import Progress, silent
from diskmosaic.records import Given, Pair
from diskmosaic.scene import BAND_PX, Scene
from diskmosaic.settings import PlacementSettings

WARP_PX = 0.12  # what averaged seeing leaves of warps in a tile, rms, where overlaps do not tell ...
WARP_AREA_PX = 20000  # ... over patches of this size (a correlation length of 80 px): small overlaps average few
WARP_DOUBT_PX = 5000  # that prior counts as much as so many pixels that tell
LEAST_KNOWN_PX = 1.0  # standard error by noise beyond which an overlap is alike, but along some direction anywhere
MIN_CORRELATION = 0.1  # after refinement
GUIDED_PIXELS = 3000  # of the disk, shared, from which on an overlap is looked at where a place is known already
GUIDED_CORRELATION = 0.3  # chance stays below where the shift is known to a few px
REACH = 3.0  # standard errors of a given place within which a tile is looked for
AGREE_PX = 2.0  # places by two overlaps that differ by less are one
PEAK_RATIO = 1.25  # over the next best place: fringes left by a flat reached 1.08, chance above z = 8 never more
GRAIN_PX = 30.0  # pixels to one independent value: 4 pi times the square of the band's fine width
LEAST_FREE = 8.0  # pairs beyond what the places need, from which on their residuals tell warps
LEAST_PIXELS = 64  # fewer are no overlap
LEAST_SIDE_PX = 8
PASSES = 4  # pieces are cut anew ...
SETTLED_PX = 0.03  # ... until they lie on each other: a tenth of what is left goes into the shift
CHANCE = 4.0  # standard deviations by which a correlation must stand out of none


def search_pairs(
    scene: Scene,
    candidates: Iterable[tuple[int, int]],
    factor: int,
    settings: PlacementSettings,
    *,
    jobs: int = 1,
    progress: Progress = silent,
) -> tuple[list[Pair], NDArray[np.float64]]:
    """Search pairs of tiles at ``1/factor`` resolution and follow what is found to the full one.

    Parameters
    ----------
    scene : Scene
    candidates : iterable of (int, int)
    factor : int
    settings : PlacementSettings
    jobs : int
        Threads.
    progress : callable
        Wraps an iterable.

    Returns
    -------
    pairs : list of Pair
        Those that match.
    best : (n,)
        Highest significance that each tile reached with any other.
    """
    candidates = sorted(candidates)
    best = np.zeros(len(scene.tiles))
    if not candidates:
        return [], best
    transforms = {k: scene.spectra(k, factor) for k in sorted({k for pair in candidates for k in pair})}
    shape = scene.texture(candidates[0][0], factor).values.shape
    min_pixels = settings.min_overlap * shape[0] * shape[1]

    def search(pair: tuple[int, int]):
        return best_shifts(transforms[pair[0]], transforms[pair[1]], min_pixels=min_pixels, peaks=2)

    found = []
    work = progress(ordered_map(search, candidates, jobs=jobs), "pairs", total=len(candidates), unit="pairs")
    for (a, b), peaks in zip(candidates, work, strict=True):
        if not peaks:
            continue
        z, second = peaks[0].significance, peaks[1].significance if len(peaks) > 1 else 0.0
        # where a second place is as good, this one says nothing
        z = z if z >= PEAK_RATIO * second else min(z, settings.significance - 0.1)
        best[[a, b]] = np.maximum(best[[a, b]], z)
        if z >= settings.significance:
            found.append((a, b, np.array(peaks[0].shift, float), z))
    followed = ordered_map(lambda one: follow(scene, *one[:3], factor, significance=one[3]), found, jobs=jobs)
    return [pair for pair in followed if pair is not None], best


def grow_pairs(
    scene: Scene,
    settings: PlacementSettings,
    given: Given,
    groups: Sequence[Sequence[int]],
    factor: int,
    *,
    patient: Set[int] = frozenset(),
    jobs: int = 1,
    progress: Progress = silent,
) -> tuple[list[Pair], NDArray[np.float64], set[tuple[int, int]]]:
    """Search for what ties tiles together, and no more: what lies near a tile once known is looked up later.

    From a tile that shows much of the disk all others are searched; then from one of those found that lies furthest
    from all searched so far, those not found yet; and so on. What stays alone was then searched from every other. A
    grid of n tiles takes some n^2 / 8 searches in the place of n^2 / 2.

    Parameters
    ----------
    scene : Scene
    settings : PlacementSettings
    given : Given
    groups : sequence of sequences of int
        What hangs together already; each alone at first.
    factor : int
        Searched at ``1/factor`` resolution.
    patient : set of int
        Tiles that need not be found.
    jobs : int
    progress : callable

    Returns
    -------
    pairs : list of Pair
        Found here.
    best : (n,)
        Highest significance that each tile reached with any other.
    searched : set of (int, int)
        Pairs of tiles that were searched, the lower index first.
    """
    shown = [int(np.count_nonzero(scene.texture(k, factor).good)) for k in range(len(scene.tiles))]
    least = settings.min_overlap * scene.texture(0, factor).good.size
    group_of = {k: number for number, group in enumerate(groups) for k in group if shown[k] >= least}
    pairs, best, searched = [], np.zeros(len(scene.tiles)), set()
    unknown = set(group_of)
    while unknown - patient:
        seed = max(unknown, key=lambda k: (shown[k], -k))
        places = {k: np.zeros(2) for k in unknown if group_of[k] == group_of[seed]}
        unknown -= set(places)
        asked: list[int] = []
        while unknown - patient and len(asked) < len(places):
            # far from those asked; of equals, what shows most
            def rank(k: int, asked=asked, places=places):
                away = min((float(np.hypot(*(places[k] - places[o]))) for o in asked), default=0.0)
                return round(away / scene.half.min()), shown[k], -k

            k = seed if not asked else max((k for k in places if k not in asked), key=rank)
            asked.append(k)
            both = [(min(k, o), max(k, o)) for o in sorted(unknown) if not given.forbids(k, o)]
            found, better = search_pairs(scene, both, factor, settings, jobs=jobs, progress=progress)
            best, searched = np.maximum(best, better), searched | set(both)
            pairs += found
            for pair in found:
                other, sign = (pair.b, 1) if pair.a == k else (pair.a, -1)
                if other in unknown:
                    joined = {o for o in unknown if group_of[o] == group_of[other]}
                    places |= {o: places[k] + sign * np.array(pair.shift_yx) for o in joined}
                    unknown -= joined
    return pairs, best, searched


def follow(
    scene: Scene, a: int, b: int, shift: NDArray[np.float64], factor: int, *, significance: float
) -> Pair | None:
    """Follow a rough shift (px at ``1/factor`` resolution) to the full resolution; None where it does not hold."""
    while factor > 1:
        match = refine(scene.texture(a, factor), scene.texture(b, factor), (round(shift[0]), round(shift[1])))
        if match is None or not _stands_out(match):
            return None
        step = 2 if factor % 2 == 0 else factor
        factor //= step
        shift = np.array(match.shift) * step
    found = measure(scene, a, b, shift)
    return None if found is None or not _stands_out(found.match) else as_pair(a, b, found, significance=significance)


def _stands_out(match: Match) -> bool:
    return match.correlation >= max(MIN_CORRELATION, CHANCE / np.sqrt(match.pixels / GRAIN_PX))


def band_of(image: NDArray[np.float32], good: NDArray[np.bool_], pattern: NDArray[np.float32]) -> Texture:
    """Return a piece's structure less the sensor's pattern."""
    band = texture(image, good, fine_px=BAND_PX[0], coarse_px=BAND_PX[1])
    return Texture(np.where(band.good, band.values - pattern, np.float32(0)), band.good)


@dataclass(frozen=True)
class Measured:
    """A match of pieces of two tiles, what it makes of their shift, and where the first tile's piece begins."""

    match: Match
    shift: NDArray[np.float64]
    first: NDArray[np.int_]


def measure(
    scene: Scene, a: int, b: int, shift: NDArray[np.float64], view: Callable[..., tuple] | None = None
) -> Measured | None:
    """Measure a shift that is known to some px at full resolution, on what both tiles see.

    The band is made of the shared piece alone, under one mask: near its border it is one-sided, but in both tiles
    alike. (Bands of whole tiles see beyond the border in one tile each: strips of 36 px came out 0.02 px short.)

    Parameters
    ----------
    scene : Scene
    a, b : int
    shift : (2,)
    view : callable, optional
        ``view(k, rows, columns)`` returns image, mask and pattern of a window; by default the scene's, off the limb.
    """

    def plain(k: int, rows: slice, columns: slice):
        image, region, pattern = scene.piece(k, rows, columns)
        return image, region.disk, pattern

    shape = scene.images[a].shape
    for _ in range(PASSES):
        whole = np.rint(shift).astype(int)
        part = shift - whole
        windows = overlap_windows(shape, shape, (int(whole[0]), int(whole[1])))
        if windows is None:
            return None
        (one, good, fixed), (other, seen, moving) = (
            (view or plain)(k, *window) for k, window in zip((a, b), windows, strict=True)
        )
        both = good & seen
        if min(both.shape) < LEAST_SIDE_PX or np.count_nonzero(both) < LEAST_PIXELS:
            return None
        # brought onto each other before the band is made: half a pixel between the pieces cost 0.04 px
        other = shift_fraction(np.ascontiguousarray(other), (part[0], part[1]))
        match = refine(band_of(one, both, fixed), band_of(other, both, moving), (0, 0), masks_alike=True)
        if match is None:
            return None
        shift = whole + part + match.shift
        if np.abs(match.shift).max() <= SETTLED_PX:
            break
    return Measured(match, shift, np.array([windows[0][0].start, windows[0][1].start]))


def as_pair(a: int, b: int, found: Measured, *, significance: float) -> Pair:
    """Return what was measured of tiles a and b as a pair."""
    match, shift, centre = found.match, found.shift, np.array(found.match.centre) + found.first
    return Pair(
        a=a,
        b=b,
        shift_yx=(float(shift[0]), float(shift[1])),
        correlation=match.correlation,
        significance=significance,
        centre_yx=(float(centre[0]), float(centre[1])),
        sigma_px=_sigma(match.sigma_px, WARP_PX, match.pixels),
        noise_px=match.sigma_px,
        warp_px=match.warp_px,
        pixels=match.pixels,
        turn_rad=match.turn_rad,
        turn_sigma=match.turn_sigma,
        stretch=match.stretch,
    )


def _sigma(noise_px: float, warp_px: float, pixels: int) -> float:
    return float(np.hypot(noise_px, warp_px * np.sqrt(WARP_AREA_PX / (WARP_AREA_PX + pixels))))


def weigh(pairs: Sequence[Pair]) -> list[Pair]:
    """Give pairs the errors that noise and their session's warps leave.

    Warps are told by the overlaps themselves and, as small ones tell none, by how far pairs of a solution contradict
    each other.
    """
    told = [(pair.warp_px**2, pair.pixels) for pair in pairs if np.isfinite(pair.warp_px)]
    told += [(WARP_PX**2, WARP_DOUBT_PX), *_contradictions(pairs)]
    squares, pixels = np.array(told).T
    warp = float(np.sqrt(np.average(squares, weights=pixels)))
    return [replace(p, sigma_px=_sigma(p.noise_px, warp, p.pixels)) if p.pixels else p for p in pairs]


def _contradictions(pairs: Sequence[Pair]) -> list[tuple[float, float]]:
    """Return the square of the warps that explain the pairs' residuals, and its weight; nothing where too few tell."""
    known = [p for p in pairs if p.pixels and not p.firm and np.isfinite(p.residual_px)]
    free = 1 - len({k for p in known for k in (p.a, p.b)}) / max(len(known), 1)
    if len(known) * free < LEAST_FREE:
        return []
    pixels = np.array([p.pixels for p in known], float)
    noise = np.square([p.noise_px for p in known])
    left = np.square([p.residual_px for p in known]) / free
    share = WARP_AREA_PX / (WARP_AREA_PX + pixels)

    def typical(square: float) -> float:
        return float(np.median(left / (noise + square * share)))

    low, high = 0.0, 4.0
    # an overlap smaller than a patch shows a whole one's warp
    weight = free * float(np.sum(WARP_AREA_PX + pixels))
    if typical(low) <= MEDIAN_CHI2:
        return [(0.0, weight)]
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if typical(middle) > MEDIAN_CHI2 else (low, middle)
    return [(high, weight)]


def agrees(pair: Pair) -> bool:
    """Whether a pair that was looked at, not searched, shows that both tiles see the same there."""
    return pair.correlation > GUIDED_CORRELATION and pair.noise_px < LEAST_KNOWN_PX


def shared_disk(scene: Scene, a: int, b: int, shift: NDArray[np.float64]) -> int:
    """Count the pixels of the disk that both tiles see at a shift, roughly."""
    factor = scene.quick_factor
    first, second = (scene.texture(k, factor).good for k in (a, b))
    windows = overlap_windows(first.shape, second.shape, (round(shift[0] / factor), round(shift[1] / factor)))
    if windows is None:
        return 0
    return int(np.count_nonzero(first[windows[0]] & second[windows[1]])) * factor**2


def pinned(scene: Scene, pairs: Sequence[Pair], given: Given) -> list[Pair]:
    """Return pairs with a person's pins in the place of what was measured; not on tiles that lie turned."""
    upright = [np.allclose(turn, np.eye(2), atol=0.1) for turn in scene.turns]
    firm = {(pin.a, pin.b): pin for pin in given.pins if upright[pin.a] and upright[pin.b]}
    measured = [p for p in pairs if not p.firm and (p.a, p.b) not in firm and (p.b, p.a) not in firm]
    return sorted([*measured, *firm.values()], key=lambda pair: (pair.a, pair.b))


def less_contradicted(pairs: Sequence[Pair], positions: NDArray[np.float64]) -> tuple[list[Pair], dict[int, int]]:
    """Leave out what contradicts a pin, or the pin of one tile would tear all others apart.

    Parameters
    ----------
    pairs : sequence of Pair
    positions : (n, 2)
        As the tiles tell them without pins; NaN where they do not.

    Returns
    -------
    pairs : list of Pair
    told : dict
        Pinned tile -> number of its overlaps left out.
    """
    kept, told = list(pairs), {}
    for pin in [pair for pair in pairs if pair.firm]:
        place = positions[pin.a] + pin.shift_yx
        for pair in [p for p in kept if not p.firm and pin.b in (p.a, p.b)]:
            other, sign = (pair.a, 1) if pair.b == pin.b else (pair.b, -1)
            miss = positions[other] + sign * np.array(pair.shift_yx) - place
            if np.hypot(*miss) > AGREE_PX:
                kept.remove(pair)
                told[pin.b] = told.get(pin.b, 0) + 1
    return kept, told


def guided(
    scene: Scene, positions: NDArray[np.float64], lost: Sequence[int], given: Given, *, jobs: int = 1
) -> dict[int, tuple[NDArray[np.float64], list[Pair]]]:
    """Look for lost tiles near the places that were given for them; at least two overlaps must agree.

    Parameters
    ----------
    scene : Scene
    positions : (n, 2)
        NaN for tiles without a place.
    lost : sequence of int
    given : Given
        With anchors from one common point.
    jobs : int

    Returns
    -------
    dict
        Tile -> (place, pairs with tiles that have one).
    """
    near = {anchor.tile: anchor for anchor in given.anchors if anchor.origin != "limb"}
    placed = [int(k) for k in np.flatnonzero(np.isfinite(positions[:, 0]))]
    tied = [k for k in placed if k in near]
    if not tied or not set(lost) & set(near):
        return {}
    origin = np.median([positions[k] + scene.half - near[k].centre_yx for k in tied], axis=0)
    factor, found = scene.factor, {}
    for k in [k for k in lost if k in near]:
        place = near[k].centre_yx + origin - scene.half
        reach = REACH * near[k].sigma_px

        def look(other: int, k: int = k, place=place, reach=reach) -> Pair | None:
            window = (place - positions[other]) / factor, reach / factor
            least = GUIDED_PIXELS / factor**2
            peaks = best_shifts(scene.spectra(other, factor), scene.spectra(k, factor), min_pixels=least, near=window)
            if not peaks:
                return None
            return follow(scene, other, k, np.array(peaks[0].shift, float), factor, significance=peaks[0].significance)

        others = [o for o in placed if (np.abs(place - positions[o]) < 2 * scene.half + reach).all()]
        others = [o for o in others if not given.forbids(o, k)]
        pairs = [pair for pair in ordered_map(look, others, jobs=jobs) if pair is not None]
        pairs = [pair for pair in pairs if agrees(pair)]
        places = np.array([positions[pair.a] + pair.shift_yx for pair in pairs]).reshape(-1, 2)
        agree = [np.hypot(*(places - one).T) < AGREE_PX for one in places]
        best = max(agree, key=np.sum, default=np.zeros(0, bool))
        if best.sum() >= 2:
            found[k] = places[best].mean(axis=0), [pair for pair, good in zip(pairs, best, strict=True) if good]
    return found


def look_up(
    scene: Scene,
    positions: NDArray[np.float64],
    pairs: Sequence[Pair],
    given: Given,
    *,
    jobs: int = 1,
) -> tuple[list[Pair], list[tuple[int, int]]]:
    """Measure overlaps that known places tell: those not measured yet, and those whose shift contradicts the others.

    Parameters
    ----------
    scene : Scene
    positions : (n, 2)
        Of the upright tiles; NaN for tiles without a place.
    pairs : sequence of Pair
        With ``used`` of a solution.
    given : Given
    jobs : int

    Returns
    -------
    pairs : list of Pair
        All: as they were, measured anew, or new. A pair that contradicts the others and shows nothing where they put it
        stays as it was.
    in_vain : list of (int, int)
        Tiles that should see the same and do not show it.
    """
    kept = {(pair.a, pair.b): pair for pair in pairs}
    placed = [int(k) for k in np.flatnonzero(np.isfinite(positions[:, 0]))]
    wanted = []
    for i, a in enumerate(placed):
        for b in placed[i + 1 :]:
            have = kept.get((a, b)) or kept.get((b, a))
            if (have is not None and have.used) or given.forbids(a, b):
                continue
            shift = positions[b] - positions[a]
            if (np.abs(shift) < 2 * scene.half).all() and shared_disk(scene, a, b, shift) >= GUIDED_PIXELS:
                wanted.append((a, b, shift))

    def look(one: tuple[int, int, NDArray[np.float64]]) -> Pair | None:
        a, b, shift = one
        pair = follow(scene, a, b, shift, 1, significance=0.0)
        if pair is None or not agrees(pair):
            # the Sun may have turned meanwhile, by some px
            pair = follow(scene, a, b, shift / scene.factor, scene.factor, significance=0.0)
        return pair

    measured = ordered_map(look, wanted, jobs=jobs)
    in_vain = []
    for (a, b, _), pair in zip(wanted, measured, strict=True):
        if pair is not None and agrees(pair):
            kept.pop((b, a), None)
            kept[a, b] = pair
        else:
            in_vain.append((a, b))
    return [kept[key] for key in sorted(kept)], in_vain
