"""Write the recordings of a simulated session, and the truth beside them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diskmosaic.files.ser import SerWriter
from diskmosaic.synthetic.camera import Detector, TileView, Warps, defocused
from diskmosaic.synthetic.plan import SessionPlan, grid
from diskmosaic.synthetic.sensor import SensorPattern, sensor_pattern
from diskmosaic.synthetic.sun import Sun
from diskmosaic.synthetic.truth import TileTruth, Truth, write_truth

Progress = Callable[[Iterable[int]], Iterable[int]]


def make_session(
    folder: Path,
    sun: Sun,
    plan: SessionPlan | None = None,
    *,
    seed: int = 1,
    noise_seed: int | None = None,
    truth: Path | None = None,
    progress: Progress = iter,
) -> Truth:
    """Record `sun` as `plan` says.

    Parameters
    ----------
    folder : path
        Gets ``sun_01.ser`` ..., ``flat.ser`` and ``dark.ser`` (where the plan has one); made where it is
        missing.
    sun : Sun
    plan : SessionPlan, optional
        `plain` by default.
    seed : int
        The same seed gives the same bytes.
    noise_seed : int, optional
        Draws the photons and the reading by themselves: sessions of one `seed` then differ in nothing else.
    truth : path, optional
        Gets ``truth.json`` and ``truth.npz``; by default the folder's neighbour ``<folder>-truth``.
    progress : callable
        Wraps the iterable of tiles.

    Returns
    -------
    Truth
    """
    plan = SessionPlan() if plan is None else plan
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    seeds = np.random.SeedSequence(seed).spawn(5)
    grid_rng, light_rng, flat_rng, dark_rng = (np.random.default_rng(s) for s in (*seeds[:3], seeds[4]))

    positions = grid(sun, plan, grid_rng)
    if plan.scramble:
        positions = positions[grid_rng.permutation(len(positions))]
    tile_rngs = [np.random.default_rng(s) for s in seeds[3].spawn(len(positions))]
    noise_rngs, flat_noise, dark_noise = tile_rngs, flat_rng, dark_rng
    if noise_seed is not None:
        drawn = [np.random.default_rng(s) for s in np.random.SeedSequence([seed, noise_seed]).spawn(len(positions) + 2)]
        flat_noise, dark_noise, *noise_rngs = drawn
    detector = Detector(plan)
    at_flat, at_tiles = _sensor(plan, 0.0, seed), _sensor(plan, plan.ring_phase_change, seed)
    dark_adu = (detector.offset_adu + at_tiles.hot * detector.full_scale).astype(np.float32)
    light_adu = plan.level * detector.full_scale

    starts, length = _times(plan, len(positions))
    middle = (starts[0] + starts[-1] + length) / 2
    clouds = _cloud(plan, starts, light_rng)
    tiles = []
    for k in progress(range(len(positions))):
        tile = _scripted(plan, k, len(positions), positions[k], clouds[k], light_rng, tile_rngs[k])
        tile = TileTruth(**tile, seconds=float(starts[k] + length / 2 - middle))
        light = at_tiles.product * np.float32(light_adu * tile.gain)
        view = TileView(sun, plan, tile.position_yx, tile.seconds, plan.angle_deg(k, len(positions)))
        warps = Warps(plan.tile_shape, plan.seeing_px, plan.seeing_scale_px)
        frames = (
            view.draw(shift, warps.draw(tile_rngs[k]), blur) * (light * np.float32(transparency))
            for shift, blur, transparency in zip(tile.shifts, tile.blur_px, tile.transparency, strict=True)
        )
        _record(folder / tile.recording, plan, detector, frames, dark_adu, starts[k], plan.frames, noise_rngs[k])
        tiles.append(tile)

    flat_light = defocused(sun, plan, flat_rng)
    if plan.flat_frames:
        expected = at_flat.product * flat_light * np.float32(plan.flat_level * detector.full_scale)
        steady = 1 - plan.cloud * 0.6 * _slow(plan.flat_frames, flat_rng) ** 2
        steady += plan.flicker * flat_rng.standard_normal(plan.flat_frames)
        frames = (expected * np.float32(max(t, 0.05)) for t in steady)
        _record(folder / "flat.ser", plan, detector, frames, dark_adu, -600.0, plan.flat_frames, flat_noise)
    if plan.dark_frames:
        night = np.zeros(plan.tile_shape, np.float32)
        frames = (night for _ in range(plan.dark_frames))
        _record(folder / "dark.ser", plan, detector, frames, dark_adu, -900.0, plan.dark_frames, dark_noise)

    result = Truth(
        plan=plan,
        sun=sun,
        tiles=tuple(tiles),
        reference_utc=str(_utc(plan, middle)),
        offset_adu=float(detector.offset_adu),
        level_adu=float(light_adu),
        electrons_per_adu=float(detector.electrons_per_adu),
        parts={
            "pattern_tiles": at_tiles.product,
            "pattern_flat": at_flat.product,
            "dust": at_tiles.dust,
            "rings": at_tiles.rings,
            "rings_flat": at_flat.rings,
            "vignetting": at_tiles.vignetting,
            "response": at_tiles.response,
            "flat_light": flat_light,
            "dark": dark_adu,
            "good": at_tiles.good,
        },
    )
    write_truth(folder.with_name(folder.name + "-truth") if truth is None else Path(truth), result)
    return result


def _sensor(plan: SessionPlan, phase: float, seed: int) -> SensorPattern:
    """Draw the same sensor each time, with its rings at `phase`."""
    rng = np.random.default_rng([seed, 77])
    parts = {
        "dust": plan.dust,
        "rings": plan.rings,
        "vignetting": plan.vignetting,
        "response": plan.response,
    }
    return sensor_pattern(*plan.tile_shape, rng, **parts, phase=phase)


def _times(plan: SessionPlan, count: int) -> tuple[NDArray[np.float64], float]:
    """Give each recording's start and the recordings' length in s; a few seconds go into moving on."""
    length = plan.frames / plan.frames_per_s
    return np.arange(count) * max(60 * plan.minutes_between_tiles, length + 5.0), length


def _utc(plan: SessionPlan, seconds: float | NDArray[np.float64]) -> NDArray[np.datetime64] | np.datetime64:
    ticks = np.rint(np.asarray(seconds) * 1e6).astype("timedelta64[us]")
    return np.datetime64(plan.start_utc, "us") + ticks


def _slow(count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Give a slowly wandering curve of `count` values within 0 and 1."""
    t = np.linspace(0, 1, max(count, 2))[:count]
    wave = sum(rng.normal() / k * np.cos(np.pi * k * t + rng.uniform(0, 2 * np.pi)) for k in (1, 2, 3))
    return 0.5 + 0.5 * np.tanh(0.9 * wave)


def _cloud(plan: SessionPlan, starts: NDArray[np.float64], rng: np.random.Generator) -> list[NDArray[np.float64]]:
    """Give each tile's transparency for its frames under one cloud that drifts over the session."""
    if plan.cloud == 0:
        return [np.ones(plan.frames) for _ in starts]
    per_tile = 24
    long, wavy = (_slow(per_tile * len(starts), rng) for _ in range(2))
    whole = 1 - plan.cloud * long * (0.5 + 0.5 * wavy)
    ticks = np.linspace(0, per_tile - 1, plan.frames)
    return [np.interp(ticks, np.arange(per_tile), part) for part in np.split(whole, len(starts))]


def _scripted(plan, k, count, position, cloud, light_rng, rng) -> dict[str, object]:
    """Draw what the frames of tile `k` go through."""
    slow = np.stack([_slow(plan.frames, rng) - 0.5 for _ in range(2)], 1)
    slow *= plan.jitter_px / np.sqrt(2) / max(0.15, slow.std())
    shifts = slow - slow.mean(0) + rng.normal(0, plan.jitter_px / np.sqrt(2), (plan.frames, 2))
    # log blur: a red walk within the plan's best and worst
    walk = np.empty(plan.frames)
    state = rng.normal()
    for n in range(plan.frames):
        state = 0.7 * state + np.sqrt(1 - 0.49) * rng.normal()
        walk[n] = state
    low, high = plan.blur_px
    blur = low * (high / low) ** np.clip(0.5 + walk / 3.5, 0, 1) if low > 0 else np.zeros(plan.frames)
    return {
        "recording": f"sun_{k + 1:0{max(2, len(str(count)))}d}.ser",
        "position_yx": (float(position[0]), float(position[1])),
        "gain": float(np.exp(plan.gain_spread * light_rng.normal())),
        "shifts": shifts,
        "blur_px": blur,
        "transparency": np.clip(cloud * (1 + plan.flicker * rng.standard_normal(plan.frames)), 0.05, None),
    }


def _record(path, plan, detector, frames, dark_adu, start, count, rng) -> None:
    h, w = plan.tile_shape
    times = _utc(plan, start + np.arange(count) / plan.frames_per_s)
    with SerWriter(path, w, h, plan.bit_depth, times=times) as ser:
        for light in frames:
            ser.write(detector.expose(light, dark_adu, rng))
