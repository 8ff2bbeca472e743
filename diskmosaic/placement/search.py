"""Which tiles overlap, and by what shift: all pairs at reduced resolution, then the few that count at full.

Each tile is transformed once. A peak counts that stands out of chance at all other shifts and out of the next best
place (a pattern of equal steps, such as fringes, shows many peaks of one height). Once tiles hang together, further
pairs are not searched but looked up where the others put them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import best_shifts, overlap_windows
from diskmosaic.parallel import ordered_map
from diskmosaic.placement.overlap import agrees, follow
from diskmosaic.placement.scene import Scene
from diskmosaic.progress import Progress, silent
from diskmosaic.records.places import Given, Pair
from diskmosaic.settings import PlacementSettings

GUIDED_PIXELS = 3000  # of the disk, shared, from which on an overlap is looked at where a place is known already
REACH = 3.0  # standard errors of a given place within which a tile is looked for
AGREE_PX = 2.0  # places by two overlaps that differ by less are one
PEAK_RATIO = 1.25  # over the next best place: fringes left by a flat reached 1.08, chance above z = 8 never more


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
