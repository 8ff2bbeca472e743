"""Overlaps compared right up to the limb, and tiles placed by their piece of it.

Where tiles are searched, structure next to the limb is left out: all limbs look alike. Where the circle is known and a
tile's edge lies on it, the mean profile across the limb is divided out; what is left there is the Sun's own, and a
corner tile that sees a sliver of the disk shows little else. Along the limb such a tile is found by its overlaps,
across it by its edge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.arrays.correlation import Peak, best_shifts, overlap_windows, padded_shape, spectra
from diskmosaic.arrays.matching import EDGE_PX
from diskmosaic.limb.points import edge_points, light_along_rays
from diskmosaic.limb.rough import place_by_limb, sky_mask
from diskmosaic.placement.equations import Solution
from diskmosaic.placement.overlap import agrees, as_pair, band_of, measure
from diskmosaic.placement.scene import BAND_PX, Scene
from diskmosaic.placement.search import PEAK_RATIO
from diskmosaic.records.places import Circle, Given, Pair

LIMB_RAYS = 1440
NEAR_PX = 100.0  # so far inwards the profile across the limb is measured: beyond it is smooth on the band's scale
PROFILE_RAYS = 360
BLURRED_PX = 4.0  # nearer to the limb than this, tiles differ by how blurred they are
LEAST_PIXELS = 600  # of the disk, shared, near the limb or not: some twenty independent values
SIGNIFICANT = 4.0  # peak against chance within the window of an arc: its some hundred places reach 3.8 at most
KNOWN_PX = 0.03  # error by noise below which an overlap is not looked at once more
SHARE, LEAST_SHARE = 0.7, 0.5  # of a tile's border points that lie on the limb: believed; worth a look
EDGE_DOUBT_PX = 1.0  # edge points of an arc err together, by so much at most (blur and structure at the limb)
ROUNDS = 12
REACH_PX = (4.0, 60.0)  # least and most of a window along the limb
HALF_LEVEL = 0.5  # between a tile's own sky and its own disk: where its edge lies


class LimbView:
    """The tiles without the mean profile across the limb.

    Parameters
    ----------
    scene : Scene
    positions : (n, 2)
        Of the upright tiles; NaN where there is none.
    circle : Circle
        Of the limb.
    """

    def __init__(self, scene: Scene, positions: NDArray[np.float64], circle: Circle):
        self.scene, self.circle = scene, circle
        self.depth, self.profile = self._profile(positions)

    def _profile(self, positions: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return depths inside the limb (px, growing) and the brightness there relative to further in."""
        seen = []
        for k in np.flatnonzero(np.isfinite(positions[:, 0])):
            image = np.where(self.scene.regions[k].seen, self.scene.tiles[k].image, np.float32(np.nan))
            centre = self.scene.on_sensor(k, np.array(self.circle.centre_yx) - positions[k])
            found = light_along_rays(
                image, (centre[0], centre[1]), self.circle.radius_px, rays=PROFILE_RAYS, reach_px=NEAR_PX
            )
            if found is not None:
                offsets, rows = found[1], found[2]
                rows = rows[np.isfinite(rows).all(axis=1)]
                seen.append(rows / rows[:, offsets < -NEAR_PX / 2].mean(axis=1, keepdims=True))
        rows = np.concatenate(seen) if seen else np.zeros((0, 2))
        if not len(rows):
            return np.array([0.0, NEAR_PX]), np.ones(2)
        inside = offsets <= 0
        return -offsets[inside][::-1], np.median(rows[:, inside], axis=0)[::-1]

    def piece(self, k: int, place: NDArray[np.float64], rows: slice, columns: slice):
        """Return image, mask and pattern of a window of tile k's upright canvas, with its origin at `place`."""
        image, region, pattern = self.scene.piece(k, rows, columns)
        centre = np.array(self.circle.centre_yx) - place
        y = np.arange(rows.start, rows.stop)[:, None] - centre[0]
        x = np.arange(columns.start, columns.stop)[None, :] - centre[1]
        depth = self.circle.radius_px - np.hypot(y, x)
        flat = image / np.interp(depth, self.depth, self.profile).astype(np.float32)
        return flat, region.seen & (depth > BLURRED_PX), pattern

    def tie(
        self, a: int, b: int, places: Mapping[int, NDArray[np.float64]], reach: float = 0.0
    ) -> tuple[Pair | None, int]:
        """Measure how tile b lies against tile a.

        Parameters
        ----------
        a, b : int
        places : mapping of tile -> (2,)
            Of both tiles' upright canvases.
        reach : float
            How far the shift may be off, px; below 1: not at all, it is only refined.

        Returns
        -------
        pair : Pair or None
            None where both do not show the same.
        pixels : int
            Of the disk that both see at the given places.
        """
        shape = self.scene.images[a].shape
        shift = np.rint(places[b] - places[a]).astype(int)
        windows = overlap_windows(shape, shape, (int(shift[0]), int(shift[1])))
        if windows is None:
            return None, 0
        pieces = [self.piece(k, places[k], *window) for k, window in zip((a, b), windows, strict=True)]
        pixels = int(np.count_nonzero(pieces[0][1] & pieces[1][1]))
        if pixels < LEAST_PIXELS:
            return None, pixels
        if reach >= 1:
            found = self._look(a, b, places, windows, shift, reach)
            if found is None:
                return None, pixels
            shift = np.array(found.shift)
        # where a tile is taken to lie across the limb goes into the profile taken out of it
        lying = {a: places[a], b: places[b] if reach < 1 else places[a] + shift}
        found = measure(self.scene, a, b, shift, lambda k, rows, columns: self.piece(k, lying[k], rows, columns))
        if found is None:
            return None, pixels
        pair = as_pair(a, b, found, significance=0.0)
        return (pair if agrees(pair) else None), pixels

    def _look(self, a: int, b: int, places, windows, shift: NDArray[np.int_], reach: float) -> Peak | None:
        """Search around a shift; both windows grow alike, so that the pieces overlap where the tiles do."""
        more = int(np.ceil(reach)) + 2 * round(BAND_PX[1])
        sides = [[_grown(s, more, n) for s, n in zip(w, self.scene.images[a].shape, strict=True)] for w in windows]
        bands = []
        for k, side in zip((a, b), sides, strict=True):
            bands.append(band_of(*self.piece(k, places[k], *side)))
        first, second = (np.array([side[0].start, side[1].start]) for side in sides)
        padded = padded_shape(bands[0].values.shape, bands[1].values.shape)
        near = (shift - first + second).astype(float), reach
        peaks = best_shifts(*(spectra(b, padded) for b in bands), min_pixels=LEAST_PIXELS, peaks=2, near=near)
        next_best = peaks[1].significance if len(peaks) > 1 else 0.0
        if not peaks or peaks[0].significance < max(SIGNIFICANT, PEAK_RATIO * next_best):
            return None
        at = np.array(peaks[0].shift) + first - second
        return replace(peaks[0], shift=(int(at[0]), int(at[1])))


def _grown(window: slice, by: int, size: int) -> slice:
    return slice(max(0, window.start - by), min(size, window.stop + by))


def limb_place(
    scene: Scene, k: int, circle: Circle, *, share: float = SHARE
) -> tuple[NDArray[np.float64], float, int] | None:
    """Return where tile k lies by its piece of the limb alone.

    Parameters
    ----------
    scene : Scene
    k : int
    circle : Circle
    share : float
        Of the rough border points that must lie on the circle.

    Returns
    -------
    position : (2,)
        Of its upright canvas.
    reach : float
        How far off it may be along the limb, px.
    rays : int
        Edge points that tell. None instead of all where the tile shows too little of the limb.
    """
    region, image = scene.regions[k], scene.tiles[k].image
    turned = np.linalg.inv(scene.turns[k])
    radius = circle.radius_px * float(np.sqrt(abs(np.linalg.det(turned))))
    start = place_by_limb(region.sky, region.seen, Circle((0.0, 0.0), radius, 0.0, 0), share=share)
    disk = region.seen & ~region.sky
    if start is None and disk.any() and region.sky.any():
        # a sliver is darker than most of the disk: what parts it from the sky lies lower
        dark, bright = (np.float32(np.median(image[part & region.seen])) for part in (region.sky, disk))
        sky = sky_mask(image - dark, float(bright - dark), share=HALF_LEVEL)
        start = place_by_limb(sky, region.seen, Circle((0.0, 0.0), radius, 0.0, 0), share=share)
    if start is None:
        return None
    centre = np.array(circle.centre_yx)
    position = centre - scene.upright(k, -start[None])[0]
    for _ in range(ROUNDS):
        edges = tile_edges(scene, {k: position}, [k], circle).get(k)
        if edges is None:
            return None
        away = position + edges - centre
        length = np.hypot(*away.T)
        unit, miss = away / length[:, None], circle.radius_px - length
        off = np.abs(miss - np.median(miss))
        near = off < 3 * max(1.4826 * float(np.median(off)), 0.3)
        step = np.linalg.lstsq(unit[near], miss[near], rcond=None)[0]
        position = position + np.clip(step, -REACH_PX[1] / 2, REACH_PX[1] / 2)
        if np.abs(step).max() < 0.05:
            break
    least = np.linalg.eigvalsh(unit[near].T @ unit[near])[0]
    reach = 4 * EDGE_DOUBT_PX / np.sqrt(max(least, 1e-9))
    return position, float(np.clip(reach, *REACH_PX)), int(near.sum())


def tile_edges(
    scene: Scene,
    positions: NDArray[np.float64] | Mapping[int, NDArray[np.float64]],
    main: Sequence[int],
    circle: Circle,
) -> dict[int, NDArray[np.float64]]:
    """Edge points (y, x) of each tile on its upright canvas."""
    edges = {}
    for k in main:
        image = np.where(scene.regions[k].seen, scene.tiles[k].image, np.float32(np.nan))
        centre = scene.on_sensor(k, np.array(circle.centre_yx) - positions[k])
        points = edge_points(image, (centre[0], centre[1]), circle.radius_px, rays=LIMB_RAYS, reach_px=16.0)
        if len(points) >= 8:
            edges[k] = scene.upright(k, points[:, :2])
    return edges


def look_at_limb(scene: Scene, solution: Solution, given: Given) -> list[Pair]:
    """Measure once more the overlaps at the limb that are known poorly, or not at all.

    Parameters
    ----------
    scene : Scene
    solution : Solution
        With a circle.
    given : Given

    Returns
    -------
    list of Pair
        All pairs of the solution; in the place of some, better ones.
    """
    kept = {(pair.a, pair.b): pair for pair in solution.pairs}
    placed = [int(k) for k in np.flatnonzero(np.isfinite(solution.positions[:, 0]))]
    places = {k: solution.positions[k] for k in placed}
    held = {pin.b for pin in given.pins}
    view = None
    for i, a in enumerate(placed):
        for b in placed[i + 1 :]:
            have = kept.get((a, b)) or kept.get((b, a))
            # overlaps that a pin contradicts were left out
            known = bool({a, b} & held) if have is None else have.firm or have.noise_px < KNOWN_PX
            if known or given.forbids(a, b) or not _limb_between(scene, places[a], places[b], solution.circle):
                continue
            view = view or LimbView(scene, solution.positions, solution.circle)
            pair, _ = view.tie(a, b, places)
            if pair is not None and (have is None or not have.used or pair.noise_px < have.noise_px):
                kept.pop((b, a), None)
                kept[a, b] = pair
    return [kept[key] for key in sorted(kept)]


def _limb_between(scene: Scene, a: NDArray[np.float64], b: NDArray[np.float64], circle: Circle) -> bool:
    """Whether the limb runs through what tiles at two places both see."""
    size = 2 * scene.half
    low, high = np.maximum(a, b), np.minimum(a, b) + size
    if (high - low < 2 * EDGE_PX).any():
        return False
    centre = np.array(circle.centre_yx)
    nearest = np.clip(centre, low, high) - centre
    furthest = np.maximum(np.abs(low - centre), np.abs(high - centre))
    return bool(np.hypot(*nearest) < circle.radius_px < np.hypot(*furthest))
