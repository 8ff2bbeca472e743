"""Simulated raw video of one tile from a full-disk image of the real Sun, with its truth.

Distinct views (shift, warp, blur) are drawn once each; a long recording repeats each of them several times in a row,
every time with fresh noise: drawing a view takes longer than stacking it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
from diskmosaic.files.ser import SerWriter
from diskmosaic.masters.calibration import Calibration
from diskmosaic.records.master import Master
from diskmosaic.synthetic import plain, sensor_pattern
from diskmosaic.synthetic.camera import PAD_PX, Detector, TileView, Warps
from diskmosaic.synthetic.sensor import SensorPattern
from scipy import ndimage
from sessions import real_sun

LEVELS = (0.6, 0.8, 1.0, 1.25, 1.6, 2.0)  # px, of blur: between them a frame is mixed
STEP = 8  # px between the kept samples of a warp, which is smooth over ten times that


@dataclass(frozen=True)
class Video:
    """How a recording is made; lengths in px."""

    image: str
    place: tuple[float, float] = (0.1, 0.2)  # sensor's centre from the disk's, in radii
    scale: float = 1.0
    shape: tuple[int, int] = (1216, 1936)
    frames: int = 1000
    distinct: int = 250
    bit_depth: int = 8
    jitter_px: float = 2.0
    seeing_px: float = 1.0
    seeing_scale_px: float = 80.0
    blur_px: tuple[float, float] = (0.8, 1.6)
    uneven: float = 0.0  # share of the variance of the blur's logarithm that differs from place to place
    uneven_scale_px: float = 150.0  # width of such places
    drift_px: float = 0.0  # over the recording, along x
    seed: int = 1


def make(path: Path, video: Video) -> None:
    """Write the recording and, beside it, ``.json`` and ``.npz`` with its truth.

    The same views with another noise go to ``again(path)``: what two tiles differ by is noise and nothing else.
    """
    rng, other = np.random.default_rng(video.seed), np.random.default_rng([video.seed, 1])
    plan = plain(tile_shape=video.shape, bit_depth=video.bit_depth, jitter_px=0.5 * video.drift_px + video.jitter_px)
    sun = real_sun(Path(video.image), scale=video.scale)
    position = np.array(sun.centre_yx) + np.array(video.place) * sun.radius_px
    view = TileView(sun, plan, tuple(position), 0.0)
    warps = Warps(video.shape, video.seeing_px, video.seeing_scale_px)
    detector = Detector(plan)
    sensor = _sensor(video.shape, rng)
    height, width = video.shape
    y, x = (int(v) for v in position)
    seen = sun.image[max(y - height // 2, 0) : y + height // 2, max(x - width // 2, 0) : x + width // 2]
    level = min(plan.level, 0.9 / float(seen.max()))  # nothing saturates
    light = sensor.product * np.float32(level * detector.full_scale)
    dark = np.full(video.shape, np.float32(detector.offset_adu))
    shifts = rng.normal(0, video.jitter_px, (video.distinct, 2))
    shifts[:, 1] += np.linspace(-0.5, 0.5, video.distinct) * video.drift_px
    low, high = video.blur_px
    blur = low * (high / low) ** rng.uniform(0, 1, video.distinct)
    middle, spread = np.sqrt(low * high), np.log(high / low) / np.sqrt(12)  # of that distribution
    places = Warps(video.shape, spread * np.sqrt(video.uneven), video.uneven_scale_px)
    kept = []
    order = np.sort(np.arange(video.frames) % video.distinct)
    turns = np.bincount(order, minlength=video.distinct)
    size = (video.shape[1], video.shape[0], video.bit_depth)
    with SerWriter(path, *size) as ser, SerWriter(again(path), *size) as second:
        for k in range(video.distinct):
            warp = warps.draw(rng)
            inside = warp[:, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]
            kept.append(inside[:, ::STEP, ::STEP].astype(np.float32))
            if video.uneven:
                own = places.draw(rng)[0, PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]
                blur[k] = middle * (blur[k] / middle) ** np.sqrt(1 - video.uneven)
                drawn = _unevenly(view.draw(shifts[k], warp, 0), blur[k] * np.exp(own)) * light
            else:
                drawn = view.draw(shifts[k], warp, blur[k]) * light
            for _ in range(turns[k]):
                ser.write(detector.expose(drawn, dark, rng))
                second.write(detector.expose(drawn, dark, other))
    rows = np.arange(video.shape[0]) - (video.shape[0] - 1) / 2
    columns = np.arange(video.shape[1]) - (video.shape[1] - 1) / 2
    room = 24 + int(video.drift_px)
    rows = np.arange(rows[0] - room, rows[-1] + room + 1) + position[0]
    columns = np.arange(columns[0] - room, columns[-1] + room + 1) + position[1]
    truth = {
        "scene": ndimage.map_coordinates(
            sun.image, np.meshgrid(rows, columns, indexing="ij"), order=3, mode="nearest", output=np.float32
        ),
        "room": room,
        "shifts": shifts[order],
        "blur": blur[order],
        "warps": np.stack(kept),
        "view": order,
        "pattern": sensor.product,
        "level": level * detector.full_scale,
        "offset": detector.offset_adu,
        "electrons": detector.electrons_per_adu,
        "read_e": plan.read_noise_e,
        "centre": np.array(sun.centre_yx) - position + (np.array(video.shape) - 1) / 2,
        "radius": sun.radius_px,
    }
    np.savez(path.with_suffix(".npz"), **truth)
    path.with_suffix(".json").write_text(json.dumps(asdict(video)))


def _unevenly(frame: np.ndarray, blur: np.ndarray) -> np.ndarray:
    """Blur a frame by what differs from place to place."""
    at, mixed = np.interp(blur, LEVELS, np.arange(len(LEVELS))), np.zeros_like(frame)
    for k, level in enumerate(LEVELS):
        mixed += np.clip(1 - np.abs(at - k), 0, 1).astype(np.float32) * cv2.GaussianBlur(frame, (0, 0), level)
    return mixed


def again(path: Path) -> Path:
    """Where a recording's second draw of the noise lies."""
    return path.with_name(f"{path.stem}-again{path.suffix}")


def load(path: Path) -> dict[str, np.ndarray]:
    """Read a recording's truth."""
    with np.load(path.with_suffix(".npz")) as arrays:
        return {name: arrays[name] for name in arrays.files}


def calibration(truth: dict[str, np.ndarray], flat: str = "good", seed: int = 1) -> Calibration:
    """What masters would give: 'good' ones perfectly, 'poor' ones with a poor flat, 'none' without a flat.

    `seed` is the video's. The poor flat lies displaced by 2 px, its rings moved by 0.35 of a fringe, and it is the mean
    of 16 frames only.
    """
    pattern = truth["pattern"].astype(np.float32)
    good = _sensor(pattern.shape, np.random.default_rng(seed)).good
    if flat == "poor":
        rings = [_sensor(pattern.shape, np.random.default_rng(seed), phase).rings for phase in (0.0, 0.35)]
        grain = 1 / np.sqrt(16 * truth["level"] * truth["electrons"])
        noise = grain * np.random.default_rng([seed, 16]).standard_normal(pattern.shape)
        pattern = (np.roll(pattern * rings[1] / rings[0], (2, 0), (0, 1)) * (1 + noise)).astype(np.float32)
    offset = np.full(pattern.shape, np.float32(truth["offset"]))
    dark = Master("dark", offset, np.zeros_like(offset), 50, 0.0, float(truth["offset"]), 0.0, good)
    master = Master("flat", pattern, np.zeros_like(pattern), 500, 0.0, 1.0, 0.0, good)
    return Calibration(dark, None if flat == "none" else master, 0.0, pattern.shape)


def _sensor(shape: tuple[int, int], rng: np.random.Generator, phase: float = 0.0) -> SensorPattern:
    plan = plain()
    known = {"rings": plan.rings, "vignetting": plan.vignetting, "response": plan.response}
    return sensor_pattern(*shape, rng, dust=16, **known, phase=phase)


def moved(truth: dict[str, np.ndarray], frame: int, field: np.ndarray) -> np.ndarray:
    """Where a frame sampled along a field shows the scene, off the sensor's own grid: px (rows, columns, 2) at cells.

    `field` (rows, columns, 2) are the sampling displacements at the centres of the cells of the sensor.
    """
    warp = truth["warps"][truth["view"][frame]]
    rows, columns = field.shape[:2]
    height, width = truth["pattern"].shape
    y = ((np.arange(rows) + 0.5) * height / rows - 0.5)[:, None] + field[..., 0]
    x = ((np.arange(columns) + 0.5) * width / columns - 0.5)[None, :] + field[..., 1]
    at = [y / STEP, x / STEP]
    seen = np.stack([ndimage.map_coordinates(part, at, order=1, mode="nearest") for part in warp], axis=-1)
    return field + seen + truth["shifts"][frame]


def enlarged(values: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """A quantity at cell centres (rows, columns) at every pixel, linear between."""
    return cv2.resize(values.astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR)
