"""What a simulated session consists of, and where its tiles lie."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diskmosaic.synthetic.sun import Sun


@dataclass(frozen=True)
class SessionPlan:
    """A simulated evening at the telescope.

    Levels are shares of full scale; pixels are the sensor's, which are also those of the Sun's image.
    """

    tile_shape: tuple[int, int] = (480, 640)
    overlap: float = 0.25  # of a tile's side, between neighbours of the grid
    positions_yx: tuple[tuple[float, float], ...] | None = None  # sensor centres on the Sun; None: a grid
    margin: float = 0.02  # sky that the grid takes in beyond the limb, in radii
    mount_error_px: float = 20.0  # tiles lie off the grid by up to this on each axis
    camera_angle_deg: float = 0.0  # turns the sensor's +x from the Sun image's +x towards +y
    field_turn_deg: float = 0.0  # by which the field turns evenly from the first tile to the last (alt-azimuth mount)
    flip_after: int | None = None  # tiles after which the telescope is turned over: the rest are turned by 180 degrees
    scramble: bool = True  # tiles recorded in random order
    frames: int = 100
    flat_frames: int = 100
    dark_frames: int = 20  # 0: no dark recording
    frames_per_s: float = 60.0
    bit_depth: int = 8  # 8, 12 (as they are, in 16-bit words) or 16
    level: float = 0.6  # of disk centre, above the offset
    flat_level: float = 0.6
    offset: float = 0.02  # the camera's bias
    full_well_e: float = 12_000.0  # electrons at full scale
    read_noise_e: float = 5.0
    jitter_px: float = 2.0  # rms per axis, half slow, half from frame to frame
    seeing_px: float = 0.7  # rms per axis of the warps
    seeing_scale_px: float = 80.0
    blur_px: tuple[float, float] = (0.8, 1.6)  # sigma of the best and the worst frames
    flicker: float = 0.012  # rms of the transparency from frame to frame
    cloud: float = 0.0  # light that a passing cloud takes at its thickest
    gain_spread: float = 0.03  # rms of the tiles' levels
    dust: int = 16
    rings: float = 0.035
    ring_phase_change: float = 0.0  # fringes by which the rings move between the flat and the tiles
    vignetting: float = 0.10
    response: float = 0.007
    flat_defocus: float = 0.15  # sigma of the defocused Sun's blur, in radii
    flat_error: float = 0.03  # pointing error of the flat, in radii
    minutes_between_tiles: float = 0.0  # 0: one right after the other, and the Sun does not rotate
    solar_north_deg: float = 0.0  # turns solar north from the Sun image's -y towards -x
    start_utc: str = "2041-03-09T09:30:00"  # invented

    def angle_deg(self, k: int, count: int) -> float:
        """Give the sensor's angle for tile `k` of `count`, in the order of recording."""
        angle = self.camera_angle_deg + self.field_turn_deg * (k / max(count - 1, 1) - 0.5)
        return angle if self.flip_after is None or k < self.flip_after else angle + 180


def plain(**changes: object) -> SessionPlan:
    """Give the plain session, with `changes` to single fields."""
    return replace(SessionPlan(), **changes)


def hard(**changes: object) -> SessionPlan:
    """Give the hard session: turned camera, thin cloud, moved rings, rotation, small overlaps."""
    base = SessionPlan(
        camera_angle_deg=7.0, cloud=0.15, ring_phase_change=1 / 3, minutes_between_tiles=1.0, overlap=0.18
    )
    return replace(base, **changes)


def rotation(angle_deg: float) -> NDArray[np.float64]:
    """Give the 2x2 matrix on (y, x) that turns +x towards +y by `angle_deg`."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return np.array([[c, s], [-s, c]])


def grid(sun: Sun, plan: SessionPlan, rng: np.random.Generator) -> NDArray[np.float64]:
    """Lay the tiles over the disk.

    Returns
    -------
    float64 (n, 2)
        Sensor centres (y, x) on the Sun's image. Tiles that only see sky, or a sliver of the disk that their
        neighbours cover too, are not recorded.
    """
    if plan.positions_yx is not None:
        return np.array(plan.positions_yx, float)
    shape = np.array(plan.tile_shape, float)
    wide = 2 * sun.radius_px * (1 + plan.margin)
    step = shape * (1 - plan.overlap)
    counts = np.maximum(1, np.ceil((wide - shape * plan.overlap) / step)).astype(int)
    axes = [(np.arange(n) - (n - 1) / 2) * d for n, d in zip(counts, step, strict=True)]
    offsets = np.array([(y, x) for y in axes[0] for x in axes[1]])
    offsets += rng.uniform(-1, 1, offsets.shape) * plan.mount_error_px
    offsets = offsets[_needed(offsets, shape, sun.radius_px)]
    return offsets @ rotation(plan.camera_angle_deg).T + np.array(sun.centre_yx)


def _needed(offsets: NDArray[np.float64], shape: NDArray[np.float64], radius_px: float) -> NDArray[np.bool_]:
    """Tell the tiles that the disk needs: with a fair share of it, or a part that no other covers."""
    ticks = np.linspace(-1, 1, 241) * radius_px
    y, x = np.meshgrid(ticks, ticks, indexing="ij")
    disk = np.hypot(y, x) <= radius_px
    cell = (ticks[1] - ticks[0]) ** 2
    covers = np.array(
        [disk & (np.abs(y - oy) <= shape[0] / 2) & (np.abs(x - ox) <= shape[1] / 2) for oy, ox in offsets]
    )
    share = covers.sum((1, 2)) * cell / shape.prod()
    keep = share > 0
    for k in np.argsort(share):
        alone = covers[k] & ~covers[keep & (np.arange(len(keep)) != k)].any(0)
        if share[k] < 0.06 and not alone.any():
            keep[k] = False
    return keep
